"""The thread that writes the exposure record: the engine never waits for a disk."""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass
from typing import TypeAlias

from meter.logbook.exposure_record import USUAL_DOUBT_DB
from meter.logbook.exposure_recorder import Account, Context, ExposureRecorder

QUEUE_SECONDS = 600
"""A disk that does not answer for ten minutes costs seconds; they are counted."""

TEND_EVERY_SECONDS = 0.5
CLOSE_SECONDS = 1.5


@dataclass(frozen=True)
class Heard:
    """One second (since 1970): its level and its peak at the seat, and what the level may be off by."""

    second: int
    level_dba: float
    peak_dbc: float
    doubt_db: float = USUAL_DOUBT_DB


@dataclass(frozen=True)
class Rest:
    """Nothing that counts is heard any more."""


@dataclass(frozen=True)
class End:
    """The program ends: wakes the thread; dropped when the queue is full."""


Message: TypeAlias = Context | Heard | Rest | End


class RecorderThread:
    """Takes messages without ever blocking, hands the newest account back. Started by the first message."""

    def __init__(self, recorder: ExposureRecorder) -> None:
        self._recorder = recorder
        self._messages: queue.Queue[Message] = queue.Queue(QUEUE_SECONDS)
        self._thread: threading.Thread | None = None
        self._closing = False
        self._failure = ""
        self.dropped = 0
        self.account: Account | None = None

    @property
    def sentence(self) -> str:
        """What is wrong with the exposure record, or an empty string. [any]"""
        if self._failure:
            return self._failure
        lost = f"{self.dropped} s of listening could not be noted in the logbook: its disk does not keep up."
        return self._recorder.sentence or (lost if self.dropped else "")

    def post(self, message: Message) -> bool:
        """Hand over; False, and counted, when the thread is so far behind that there is no room. [dsp]"""
        if self._failure:
            return True
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
            self._thread.start()
        try:
            self._messages.put_nowait(message)
        except queue.Full:
            self.dropped += isinstance(message, Heard)
            return False
        return True

    def close(self) -> None:
        """Write what is pending and end; waits 1.5 s at most. [dsp]"""
        if self._thread is None:
            return
        self._closing = True
        self.post(End())
        self._thread.join(CLOSE_SECONDS)
        self._thread = None

    def _run(self) -> None:
        try:
            while self._take():
                self._recorder.update()
                self.account = self._recorder.account
            self._recorder.close()
        except Exception as error:  # a failure must not end the engine, and must be told
            self.account = None
            what = f"{type(error).__name__}: {error}".rstrip(".")
            self._failure = f"The exposure record stopped ({what}); listening is not counted until the next start."

    def _take(self) -> bool:
        """Do what was asked, all that waits; False at the end."""
        try:
            message = self._messages.get(timeout=TEND_EVERY_SECONDS)
        except queue.Empty:
            return not self._closing
        while True:
            match message:
                case Heard():
                    self._recorder.add_second(message.second, message.level_dba, message.peak_dbc, message.doubt_db)
                case Context():
                    self._recorder.set_context(message)
                case Rest():
                    self._recorder.end_sitting()
                case End():
                    return False
            try:
                message = self._messages.get_nowait()
            except queue.Empty:
                return True

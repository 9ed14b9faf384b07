"""The thread that writes the exposure record and the day record: the engine never waits for a disk."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from meter.logbook.day_record import Event, Second, Segment
from meter.logbook.day_writer import DayWriter
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


ForDay: TypeAlias = Second | Event | Segment
Message: TypeAlias = Context | Heard | Rest | ForDay | End


class RecorderThread:
    """Takes messages without ever blocking, hands the newest account back. Started by the first message.

    A failure of one record does not stop the other.
    """

    def __init__(self, recorder: ExposureRecorder, day: DayWriter | None = None) -> None:
        self._recorder = recorder
        self._day = day
        self._messages: queue.Queue[Message] = queue.Queue(QUEUE_SECONDS * (1 if day is None else 2))
        self._thread: threading.Thread | None = None
        self._closing = False
        self._failure = self._day_failure = ""
        self.dropped = self.dropped_of_day = 0
        self.account: Account | None = None

    @property
    def sentence(self) -> str:
        """What is wrong with the exposure record, or an empty string. [any]"""
        if self._failure:
            return self._failure
        lost = f"{self.dropped} s of listening could not be noted in the logbook: its disk does not keep up."
        return self._recorder.sentence or (lost if self.dropped else "")

    @property
    def day_sentence(self) -> str:
        """What is wrong with the day record, or an empty string. [any]"""
        if self._day_failure or self._day is None:
            return self._day_failure
        lost = f"{self.dropped_of_day:,} entries of the day record were dropped: its disk does not keep up."
        return self._day.sentence or (lost if self.dropped_of_day else "")

    def post(self, message: Message) -> bool:
        """Hand over; False, and counted, when the thread is so far behind that there is no room. [dsp]"""
        for_day = isinstance(message, ForDay)
        if self._day_failure if for_day else self._failure:
            return True
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
            self._thread.start()
        try:
            self._messages.put_nowait(message)
        except queue.Full:
            self.dropped += isinstance(message, Heard)
            self.dropped_of_day += for_day
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
        goes_on = True
        while goes_on and not (self._failure and (self._day_failure or self._day is None)):
            goes_on = self._take()
            self._for_exposure(self._tend)
            self._for_day(lambda day: day.update())
        self._for_exposure(self._recorder.close)
        self._for_day(lambda day: day.close())

    def _tend(self) -> None:
        self._recorder.update()
        self.account = self._recorder.account

    def _take(self) -> bool:
        """Do what was asked, all that waits; False at the end."""
        try:
            message = self._messages.get(timeout=TEND_EVERY_SECONDS)
        except queue.Empty:
            return not self._closing
        while True:
            if isinstance(message, End):
                return False
            self._carry_out(message)
            try:
                message = self._messages.get_nowait()
            except queue.Empty:
                return True

    def _carry_out(self, message: Message) -> None:
        match message:
            case Heard():
                values = (message.second, message.level_dba, message.peak_dbc, message.doubt_db)
                self._for_exposure(lambda: self._recorder.add_second(*values))
            case Context():
                self._for_exposure(lambda: self._recorder.set_context(message))
            case Rest():
                self._for_exposure(self._recorder.end_sitting)
            case Second() | Event() | Segment():
                self._for_day(lambda day: day.add(message))

    def _for_exposure(self, work: Callable[[], None]) -> None:
        """A failure must not end the engine, and must be told."""
        if self._failure:
            return
        try:
            work()
        except Exception as error:
            self.account = None
            sentence = f"The exposure record stopped ({_what(error)}); listening is not counted until the next start."
            self._failure = sentence

    def _for_day(self, work: Callable[[DayWriter], None]) -> None:
        if self._day_failure or self._day is None:
            return
        try:
            work(self._day)
        except Exception as error:
            self._day_failure = f"The day record stopped ({_what(error)}); nothing goes into it until the next start."


def _what(error: Exception) -> str:
    return f"{type(error).__name__}: {error}".rstrip(".")

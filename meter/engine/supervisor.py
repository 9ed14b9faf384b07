"""The window's side of the engine process: start it, watch its heartbeat, replace it when it dies or hangs."""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from collections.abc import Mapping
from dataclasses import replace
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path

import numpy as np

from meter.audio.source import SourceRequest
from meter.children import start_child
from meter.engine.blame import AtWork, Blame
from meter.engine.messages import (
    ChooseAtPlay,
    ConfigureMeter,
    HoldReadings,
    OpenSource,
    QuitEngine,
    RecordEvent,
    ResetReadings,
    SuspendCounting,
    ToEngine,
    TryAgain,
    UseInstances,
    encode,
    to_window,
)
from meter.engine.process import EngineOrder, run_engine
from meter.engine.received import Received, findings_types
from meter.engine.snapshot import SharedMemoryError, SharedSnapshot, remove_stale
from meter.engine.status import STATUS_WORDS
from meter.engine.unrecorded_events import UnrecordedEvents
from meter.engine.unset_marks import UnsetMarks
from meter.engine.watchdog import Silence
from meter.instances import Instance
from meter.logbook.day_record import ENGINE, METER
from meter.marks import MARK, Mark
from meter.plugin.api import Settings
from meter.plugin.host import Plugin, discover, usable
from meter.plugin.set_aside import set_aside_sentence
from meter.readings import FeedStatus, Frame, Layout

HANG_SECONDS = 4.0
"""A machine with more to do than cores may leave a process waiting for a second or two."""
START_SECONDS = 60.0
"""A new engine imports numpy before its first heartbeat; a slow disk or a crowd of programs may make that long, and
starting another one over and over makes it longer. An engine that dies is noticed at once."""
OPENING_SECONDS = 60.0
"""A driver may take its time, and the demo's music is made at its first use."""
LOADING_SECONDS = 7.0
"""A meter by others that takes longer to be loaded and prepared is set aside."""
QUIT_SECONDS = 2.0
RESTARTS_IN_A_ROW = 5
LEFT_FOR_RESTARTS = 2
"""So many engines are given what a dead one left; if none of them shows readings, that may be what kills them."""
DIED = "stopped by itself"
RESTARTED = "since-reset readings restarted then"


class Supervisor:
    """Owns the shared block and one engine process at a time. All methods are called from one thread. [gui]

    ``take`` gives the newest readings, ``poll`` must be called a few times a second.
    """

    def __init__(self, order: EngineOrder) -> None:
        remove_stale()
        self._order = order
        self._block: SharedSnapshot | None = None
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._received = Received(findings_types(self._plugins))
        self._note = ""
        self._last_count = 0
        self._restarts = 0
        self._in_a_row = 0
        self._blame = Blame()
        self._last_frame: Frame | None = None
        self._closed = False
        self._events, self._unset = UnrecordedEvents(), UnsetMarks()
        self._start()

    @property
    def engine_pid(self) -> int | None:
        """Process number of the present engine."""
        return self._process.pid if self._process else None

    @property
    def restarts(self) -> int:
        """Engines replaced so far."""
        return self._restarts

    @property
    def set_aside(self) -> Mapping[str, str]:
        """Meters that hung or ended engines, with one sentence each."""
        return self._order.set_aside

    def take(self) -> Frame | None:
        """The newest readings, None when there are none that this side can lay out."""
        snapshot = None if self._closed or self._block is None else self._block.take()
        if snapshot is None:
            return self._last_frame
        if snapshot.count == self._last_count and self._last_frame is not None:
            return self._last_frame
        if snapshot.generation not in self._received.layouts:
            self._listen()
        status, values = snapshot.values[:STATUS_WORDS], snapshot.values[STATUS_WORDS:]
        frame = self._received.frame(snapshot.generation, status, values, self._told)
        if frame is None:
            return self._last_frame
        self._last_count = snapshot.count
        gaps = frame.status.gaps + self._restarts
        self._last_frame = Frame(
            frame.layout, frame.values, replace(frame.status, gaps=gaps), frame.findings, frame.marks
        )
        self._in_a_row = 0
        return self._last_frame

    def poll(self) -> None:
        """Beat, hear what the engine says, replace it if it is dead or stuck."""
        if self._process is None or self._block is None:
            return
        self._block.beat_window(time.monotonic_ns())
        self._listen()
        self._send_events()
        reason = self._trouble()
        if reason:
            self._replace(reason)

    def open(self, request: SourceRequest, feeds: Mapping[str, tuple[int, ...]] | None = None, job: str = "") -> None:
        """Listen to another source; ``job`` is the name of the feed map."""
        self._begin()
        self._unset.forget()
        self._order = replace(self._order, request=request, feeds=feeds, job=job)
        self._note = ""
        self._restarts = 0
        if self._process is None and not self._closed:
            self._in_a_row = 0
            self._start()
        self._send(OpenSource(request, None if feeds is None else dict(feeds), job))

    def hold(self, held: bool) -> None:
        """Freeze or release the readings."""
        self._order = replace(self._order, held=held)
        self._send(HoldReadings(held))

    def reset(self) -> None:
        """Forget what was measured, and the notes about it."""
        self._begin()
        self._unset.forget()
        self._note = ""
        self._restarts = 0
        self._send(ResetReadings())

    def suspend(self, reason: str) -> None:
        """Count nothing for this stated reason, also in any engine that follows; an empty one ends it."""
        self._order = replace(self._order, suspended=reason)
        self._send(SuspendCounting(reason))

    def mark(self) -> None:
        """Restart the figures since the mark; kept for the next engine while none has it."""
        self._send(self._unset.add())

    def record(self, event: RecordEvent) -> None:
        """Put an event into the day record; kept for the next engine while none has it."""
        self._events.add(event)
        self._send_events()

    def choose_at_play(self, choice: str) -> None:
        """What happens when play starts, now and in any engine that follows."""
        self._order = replace(self._order, at_play=choice)
        self._send(ChooseAtPlay(choice))

    def name_mark(self, number: int, name: str) -> None:
        """Name the mark with this index."""
        self._received.marks.rename(number, name)
        if 0 <= number < len(marks := self._received.marks.marks):
            self.record(RecordEvent(MARK, marks[number].name, marks[number].at))
        self._show_marks()

    def clear_marks(self) -> None:
        """Drop the marks whose spans have ended."""
        self._received.marks.clear()
        self._show_marks()

    def put_back_marks(self, marks: tuple[Mark, ...]) -> None:
        """Have the marks of an earlier run of the program in the list."""
        self._received.marks.put_back(marks)
        self._show_marks()

    def _show_marks(self) -> None:
        """Put the list as it stands into the last frame."""
        if (last := self._last_frame) is not None:
            self._last_frame = Frame(last.layout, last.values, last.status, last.findings, self._received.marks.marks)

    def configure(self, meter_id: str, settings: Settings) -> None:
        """Change a meter's settings, now and in any engine that follows."""
        merged = {**self._order.settings.get(meter_id, {}), **settings}
        self._order = replace(self._order, settings={**self._order.settings, meter_id: merged})
        self._send(ConfigureMeter(meter_id, dict(settings)))

    def use_instances(self, instances: tuple[Instance, ...]) -> None:
        """Measure these further instances of meters, now and in any engine that follows."""
        gone = {each.id for each in self._order.instances} - {each.id for each in instances}
        settings = {name: chosen for name, chosen in self._order.settings.items() if name not in gone}
        aside = {name: why for name, why in self._order.set_aside.items() if name not in gone}
        self._order = replace(self._order, instances=instances, settings=settings, set_aside=aside)
        self._send(UseInstances(instances))

    def try_again(self, meter_id: str) -> None:
        """Let a meter that was set aside measure again, now and in any engine that follows."""
        meter_id = self._received.meter_of(meter_id)
        aside = {name: why for name, why in self._order.set_aside.items() if name != meter_id}
        self._order = replace(self._order, set_aside=aside)
        self._send(TryAgain(meter_id))

    def close(self) -> None:
        """End the engine and remove the shared block; may be called twice."""
        if self._closed:
            return
        self._closed = True
        self._send(QuitEngine())
        self._end_process(QUIT_SECONDS)
        if self._block is not None:
            self._block.close()

    def _begin(self) -> None:
        """What engines left before counts no more."""
        if self._block is not None:
            self._block.begin()

    def _start(self) -> None:
        """Start an engine; without shared memory for its readings the last frame says what is full."""
        try:
            self._block = self._block or SharedSnapshot.create()
        except SharedMemoryError as error:
            status = FeedStatus(state="failed", sentence=str(error))
            self._last_frame = Frame(Layout(()), np.empty(0), status)
            return
        context = multiprocessing.get_context("spawn")
        self._block.forget()
        self._block.beat_window(time.monotonic_ns())
        self._received.forget()
        self._last_count = 0
        ours, theirs = context.Pipe()
        self._process = context.Process(
            target=run_engine, args=(self._block.name, theirs, self._order), name="earwitness-engine", daemon=True
        )
        start_child(self._process)
        theirs.close()
        self._pipe = ours
        self._silence = Silence()
        self._events.restart()
        for mark in self._unset.waiting:
            self._send(mark)

    def _listen(self) -> None:
        try:
            while self._pipe is not None and self._pipe.poll(0):
                message = to_window(self._pipe.recv_bytes())
                self._events.follow(message)
                self._unset.follow(message)
                self._received.apply(message)
        except (EOFError, OSError):
            return

    def _plugins(self) -> list[Plugin]:
        """The meters of the engine, as this side finds them."""
        folders = [Path(folder) for folder in self._order.folders]
        return usable(discover(folders, enabled=self._order.enabled))

    def _trouble(self) -> str:
        """Why the engine must be replaced, or an empty string."""
        assert self._process is not None
        assert self._block is not None
        if not self._process.is_alive():
            return DIED
        beat_ns, meter = self._block.engine_beat_ns, self._meter_at_work()
        # Going on to another meter is a sign of life as well: while they are loaded there is no heartbeat.
        silent = self._silence.look(beat_ns + self._block.meter_at_work, time.monotonic_ns())
        if beat_ns == 0:
            return "did not start" if silent > START_SECONDS else ""
        if not self._block.opening:
            return "did not answer" if silent > HANG_SECONDS else ""
        patience = LOADING_SECONDS if meter in self._received.foreign else OPENING_SECONDS
        return "did not answer" if silent > patience else ""

    def _replace(self, reason: str) -> None:
        self._in_a_row += 1
        if self._in_a_row > RESTARTS_IN_A_ROW:
            self._give_up(reason)
            return
        if not self._put_aside(reason) and self._in_a_row > LEFT_FOR_RESTARTS:
            self._begin()
        self._restarts += 1
        self._end_process(0.0)
        at = time.strftime("%H:%M:%S")
        self._note = f"The engine {reason} at {at} and was replaced."
        self.record(RecordEvent(ENGINE, self._note, time.time()))
        self._start()
        self._restate("starting")

    def _put_aside(self, reason: str) -> bool:
        """Go on without the meters that hung or ended the engine; True if there are any."""
        at, now = self._at_work(), time.monotonic()
        guilty = self._blame.of_death(at, now, self._in_a_row) if reason == DIED else self._blame.of_hang(at)
        # All instances run the same code: the meter is left out, not only the one that was at work.
        meters = {self._received.meter_of(name): why for name, why in guilty.items()}
        aside = {name: set_aside_sentence(name, why) for name, why in meters.items()}
        for words in aside.values():
            self.record(RecordEvent(METER, words, time.time()))
        self._order = replace(self._order, set_aside={**self._order.set_aside, **aside})
        return bool(aside)

    def _give_up(self, reason: str) -> None:
        self._end_process(0.0)
        self._note = (
            f"The engine {reason} {RESTARTS_IN_A_ROW} times in a row; run “earwitness doctor”, then choose a source."
        )
        self.record(RecordEvent(ENGINE, self._note, time.time()))
        self._restate("failed")

    def _restate(self, state: str) -> None:
        """What the last readings are now that no engine stands behind them."""
        last = self._last_frame or Frame(Layout(()), np.empty(0))
        status = replace(
            last.status, state=state, sentence=self._received.sentence(self._told), gaps=last.status.gaps + 1
        )
        self._last_frame = Frame(last.layout, last.values, status, last.findings, last.marks)

    @property
    def _told(self) -> str:
        """The note, and what came of the since-reset readings once the new engine has said it."""
        if not self._note or self._process is None or not self._received.layouts:
            return self._note
        return f"{self._note[:-1]}; {self._received.restored or RESTARTED}."

    def _meter_at_work(self) -> str:
        self._listen()
        return self._received.meter(self._block.meter_at_work if self._block is not None else -1)

    def _at_work(self) -> AtWork:
        """What the engine was doing when it was last heard of."""
        assert self._process is not None
        assert self._block is not None
        return AtWork(
            meter=self._meter_at_work(),
            study=self._received.meter(self._block.study_at_work),
            guests=self._received.guests_but(self._order.set_aside),
            threaded=self._received.threaded,
            opening=self._block.opening,
            exit_code=self._process.exitcode,
        )

    def _end_process(self, patience: float) -> None:
        process, pipe = self._process, self._pipe
        self._process = self._pipe = None
        if process is not None:
            process.join(patience)
            if process.is_alive():
                process.kill()
                process.join()
            process.close()
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()

    def _send_events(self) -> None:
        """Send events to an engine that was heard from; one that starts does not empty its pipe."""
        for event in self._events.due() if self._received.meters else ():
            self._send(event)

    def _send(self, command: ToEngine) -> None:
        if self._pipe is None:
            return
        with contextlib.suppress(OSError):
            self._pipe.send_bytes(encode(command))

"""The window's side of the engine process: start it, watch its heartbeat, replace it when it dies or hangs."""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from collections.abc import Mapping
from dataclasses import replace
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any

import numpy as np

from meter.audio.source import SourceRequest
from meter.children import start_child
from meter.engine.process import EngineOrder, run_engine
from meter.engine.silence import Silence
from meter.engine.snapshot import SharedSnapshot, remove_stale
from meter.engine.status import STATUS_WORDS
from meter.engine.words import EngineWords
from meter.plugin.api import Settings
from meter.readings import Frame, Layout

HANG_SECONDS = 4.0
"""A machine with more to do than cores may leave a process waiting for a second or two."""
START_SECONDS = 60.0
"""A new engine imports numpy before its first heartbeat; a slow disk or a crowd of programs may make that long, and
starting another one over and over makes it longer. An engine that dies is noticed at once."""
OPENING_SECONDS = 60.0
"""A driver may take its time, and the demo's music is made at its first use."""
QUIT_SECONDS = 2.0
RESTARTS_IN_A_ROW = 5
LEFT_FOR_RESTARTS = 2
"""So many engines are given what a dead one left; if none of them shows readings, that may be what kills them."""
DEATHS_IN_A_METER = 3
"""So many in a row, with the same meter at work, are its doing."""
DIED = "stopped by itself"
BEGAN_ANEW = "since-reset readings began anew then"


class Supervisor:
    """Owns the shared block and one engine process at a time. All methods are called from one thread. [gui]

    ``take`` gives the newest readings, ``poll`` must be called a few times a second.
    """

    def __init__(self, order: EngineOrder) -> None:
        remove_stale()
        self._order = order
        self._block = SharedSnapshot.create()
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._words = EngineWords()
        self._note = ""
        self._last_count = 0
        self._restarts = 0
        self._in_a_row = 0
        self._died_in: list[str] = []
        self._last_frame: Frame | None = None
        self._closed = False
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
        snapshot = None if self._closed else self._block.take()
        if snapshot is None:
            return self._last_frame
        if snapshot.count == self._last_count and self._last_frame is not None:
            return self._last_frame
        if snapshot.generation not in self._words.layouts:
            self._listen()
        status, values = snapshot.values[:STATUS_WORDS], snapshot.values[STATUS_WORDS:]
        frame = self._words.frame(snapshot.generation, status, values, self._told)
        if frame is None:
            return self._last_frame
        self._last_count = snapshot.count
        gaps = frame.status.gaps + self._restarts
        self._last_frame = Frame(frame.layout, frame.values, replace(frame.status, gaps=gaps))
        self._in_a_row = 0
        return self._last_frame

    def poll(self) -> None:
        """Beat, hear what the engine says, replace it if it is dead or stuck."""
        if self._process is None:
            return
        self._block.beat_window(time.monotonic_ns())
        self._listen()
        reason = self._trouble()
        if reason:
            self._replace(reason)

    def open(self, request: SourceRequest, feeds: Mapping[str, tuple[int, ...]] | None = None) -> None:
        """Listen to another source."""
        self._block.begin()
        self._order = replace(self._order, request=request, feeds=feeds)
        self._note = ""
        self._restarts = 0
        if self._process is None and not self._closed:
            self._in_a_row = 0
            self._start()
        self._send({"do": "open", "request": request, "feeds": feeds})

    def hold(self, held: bool) -> None:
        """Freeze or release the readings."""
        self._order = replace(self._order, held=held)
        self._send({"do": "hold", "held": held})

    def reset(self) -> None:
        """Forget what was measured, and the notes about it."""
        self._block.begin()
        self._note = ""
        self._restarts = 0
        self._send({"do": "reset"})

    def mark(self) -> None:
        """Begin the figures since the mark anew."""
        self._send({"do": "mark"})

    def configure(self, meter_id: str, settings: Settings) -> None:
        """Change a meter's settings, now and in any engine that follows."""
        merged = {**self._order.settings.get(meter_id, {}), **settings}
        self._order = replace(self._order, settings={**self._order.settings, meter_id: merged})
        self._send({"do": "configure", "meter": meter_id, "settings": dict(settings)})

    def close(self) -> None:
        """End the engine and remove the shared block; may be called twice."""
        if self._closed:
            return
        self._closed = True
        self._send({"do": "quit"})
        self._end_process(QUIT_SECONDS)
        self._block.close()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._block.forget()
        self._block.beat_window(time.monotonic_ns())
        self._words.forget()
        self._last_count = 0
        ours, theirs = context.Pipe()
        self._process = context.Process(
            target=run_engine, args=(self._block.name, theirs, self._order), name="earwitness-engine", daemon=True
        )
        start_child(self._process)
        theirs.close()
        self._pipe = ours
        self._silence = Silence()

    def _listen(self) -> None:
        try:
            while self._pipe is not None and self._pipe.poll(0):
                self._words.hear(self._pipe.recv())
        except (EOFError, OSError):
            return

    def _trouble(self) -> str:
        """Why the engine must be replaced, or an empty string."""
        assert self._process is not None
        if not self._process.is_alive():
            return DIED
        beat_ns = self._block.engine_beat_ns
        silent = self._silence.look(beat_ns, time.monotonic_ns())
        if beat_ns == 0:
            return "did not start" if silent > START_SECONDS else ""
        patience = OPENING_SECONDS if self._block.opening else HANG_SECONDS
        return "did not answer" if silent > patience else ""

    def _replace(self, reason: str) -> None:
        self._in_a_row += 1
        if self._in_a_row > RESTARTS_IN_A_ROW:
            self._give_up(reason)
            return
        if self._in_a_row > LEFT_FOR_RESTARTS:
            self._block.begin()
        self._put_aside(reason)
        self._restarts += 1
        self._end_process(0.0)
        at = time.strftime("%H:%M:%S")
        self._note = f"The engine {reason} at {at} and was replaced."
        self._start()
        self._restate("starting")

    def _put_aside(self, reason: str) -> None:
        """Go on without a meter that hung the engine, or that engine after engine died in."""
        meter = self._meter_at_work()
        self._died_in = [*self._died_in, meter] if self._in_a_row > 1 and reason == DIED else [meter]
        if not meter or (reason == DIED and self._died_in[-DEATHS_IN_A_METER:] != [meter] * DEATHS_IN_A_METER):
            return
        why = (
            "the engine ended in it again and again"
            if reason == DIED
            else "it hung and the engine had to be replaced"
        )
        aside = f"Meter “{meter}” is set aside: {why}."
        self._order = replace(self._order, set_aside={**self._order.set_aside, meter: aside})

    def _give_up(self, reason: str) -> None:
        self._end_process(0.0)
        self._note = (
            f"The engine {reason} {RESTARTS_IN_A_ROW} times in a row; run “earwitness doctor”, then choose a source."
        )
        self._restate("failed")

    def _restate(self, state: str) -> None:
        """What the last readings are now that no engine stands behind them."""
        last = self._last_frame or Frame(Layout(()), np.empty(0))
        status = replace(
            last.status, state=state, sentence=self._words.sentence(self._told), gaps=last.status.gaps + 1
        )
        self._last_frame = Frame(last.layout, last.values, status)

    @property
    def _told(self) -> str:
        """The note, and what came of the since-reset readings once the new engine has said it."""
        if not self._note or self._process is None or not self._words.layouts:
            return self._note
        return f"{self._note[:-1]}; {self._words.handover or BEGAN_ANEW}."

    def _meter_at_work(self) -> str:
        self._listen()
        index = self._block.meter_at_work
        return self._words.meters[index] if 0 <= index < len(self._words.meters) else ""

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

    def _send(self, command: dict[str, Any]) -> None:
        if self._pipe is None:
            return
        with contextlib.suppress(OSError):
            self._pipe.send(command)

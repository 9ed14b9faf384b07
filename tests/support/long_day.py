"""A long day of scripted sound with planned faults, and an engine process that plays it as fast as it can."""

from __future__ import annotations

import gc
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.core.signals import pink_noise, tone
from meter.audio.script import Event, Gone, Lost, Samples, ScriptedSource, Stall, Value
from meter.audio.source import SourceInfo
from meter.engine.day_recorder import DayRecorder
from meter.engine.engine import Engine
from meter.engine.guard import Timing
from meter.engine.memory import return_large_arrays
from meter.engine.messages import to_engine
from meter.engine.process import SWITCH_INTERVAL_SECONDS, EngineOrder, PipeOutput, obey
from meter.engine.recorder import Recorder
from meter.engine.recorder_thread import RecorderThread
from meter.engine.snapshot import SharedSnapshot
from meter.engine.state_saver import StateSaver
from meter.logbook.clock import SittingClock
from meter.logbook.day_record import FOLDER_NAME
from meter.logbook.day_writer import DayWriter
from meter.logbook.exposure_recorder import ExposureRecorder
from meter.logbook.store import open_store
from meter.plugin.host import discover, usable
from tests.support.ledgers import NOON

RATE_HZ = 48_000
PIECE_SECONDS = 10
LEVELS_DBFS = [-14.0, -18.0, -16.0, -40.0, -20.0, -24.0, -15.0, -60.0, -18.0, -30.0]
STEP_SECONDS = 0.2
"""As much as the engine measures at once when it has to catch up."""
PAUSE_SECONDS = 0.005
TURNED_OFF = "'Scripted input' was turned off; it is waited for."


@dataclass(frozen=True)
class LongDay:
    """``hours`` of pieces of noise at changing levels, some silent, and five planned faults, spread over the day."""

    hours: float

    @property
    def pieces(self) -> int:
        """Pieces of sound."""
        return max(10, round(self.hours * 3600 / PIECE_SECONDS))

    @property
    def faults(self) -> dict[int, Event]:
        """What happens before which piece."""
        tenth = self.pieces // 10
        return {
            tenth: Lost(RATE_HZ // 10),
            3 * tenth: Stall(2.0),
            5 * tenth: Gone(TURNED_OFF, refusals=2),
            7 * tenth: Value(0.1, float("nan")),
            9 * tenth: Lost(3 * RATE_HZ),
        }

    planned_gaps = 3
    """The two losses, and the device that was away; a stall only comes late, and NaNs are counted as such."""

    @property
    def seconds(self) -> float:
        """Length of the script."""
        return self.pieces * PIECE_SECONDS + 0.1 + 0.1 + 3.0

    def sound(self) -> Iterator[NDArray[np.float32]]:
        """The pieces in their order, without what is lost."""
        chance = np.random.default_rng(20_261_128)
        made = [_piece(chance, level) for level in LEVELS_DBFS]
        silence = np.zeros_like(made[0])
        for number in range(self.pieces):
            yield silence if number % 30 == 29 else made[int(chance.integers(len(made)))]

    def events(self) -> Iterator[Event]:
        """The script; silence follows it, which is not played."""
        faults = self.faults
        for number, samples in enumerate(self.sound()):
            if number in faults:
                yield faults[number]
            yield Samples(samples)
        yield Value(3600.0)


def _piece(chance: np.random.Generator, level_dbfs: float) -> NDArray[np.float32]:
    noise = pink_noise(chance, level_dbfs, PIECE_SECONDS, RATE_HZ, 2)
    low = tone(float(chance.uniform(40, 90)), level_dbfs - 6.0, PIECE_SECONDS, RATE_HZ, 2)
    return (noise + low).astype(np.float32)


class LongScript(ScriptedSource):
    """Passes for a device, so that its sound counts as heard in the room."""

    def open(self) -> SourceInfo:
        return replace(super().open(), kind="device")

    @property
    def played_seconds(self) -> float:
        """Seconds of the script that were played."""
        return self._target


def play_long_day(block_name: str, pipe: Connection, order: EngineOrder) -> None:
    """Main function of the engine process in the place of ``run_engine``: time goes as fast as it measures."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    return_large_arrays()
    sys.setswitchinterval(SWITCH_INTERVAL_SECONDS)
    assert order.request is not None
    day = LongDay(float(order.request.options["hours"]))
    source = LongScript(day.events(), rate_hz=RATE_HZ)
    block = SharedSnapshot.attach(block_name)
    engine = _make_engine(order, block, pipe, source)
    for meter_id, settings in order.settings.items():
        engine.configure(meter_id, settings)
    block.beat_engine(time.monotonic_ns())
    engine.open(replace(order.request, kind="device"), order.feeds, order.job)
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        _play(engine, source, day.seconds, block, pipe)
    finally:
        engine.close()
        block.close()


def _make_engine(order: EngineOrder, block: SharedSnapshot, pipe: Connection, source: LongScript) -> Engine:
    """The engine of a program, but on the script's clock."""

    def now() -> float:
        return source.now_ns() / 1e9

    def clock() -> SittingClock:
        return SittingClock(lambda: NOON + now(), now, lambda _at: 0)

    assert order.logbook is not None
    logbook = Path(order.logbook)
    exposure = ExposureRecorder(partial(open_store, logbook), clock())
    thread = RecorderThread(exposure, DayWriter(logbook.parent / FOLDER_NAME, clock()))
    return Engine(
        usable(discover()),
        PipeOutput(block, pipe),
        clock=now,
        timing=Timing(),
        open_source=lambda _request: source,
        recorder=Recorder(thread, clock()),
        day=DayRecorder(thread, clock(), "a long day"),
        state_saver=StateSaver(block),
        on_meter=block.enter_meter,
    )


def _play(engine: Engine, source: LongScript, seconds: float, block: SharedSnapshot, pipe: Connection) -> None:
    """Play it all; then answer the window until it quits."""
    whole = 0
    while True:
        block.beat_engine(time.monotonic_ns())
        try:
            while pipe.poll(0):
                if not obey(engine, to_engine(pipe.recv_bytes())):
                    return
        except (EOFError, OSError):
            return
        left = seconds - source.played_seconds
        if left > 1e-6:
            source.advance(min(STEP_SECONDS, left))
        while engine.step():
            pass
        if source.played_seconds >= whole + 1:
            whole += 1
            gc.collect(0)  # once a second of sound, as an engine does
        if left <= 1e-6:
            time.sleep(PAUSE_SECONDS)

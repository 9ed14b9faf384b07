"""The engine process: no window in here. Started by the supervisor with ``spawn``.

It ends by itself when the pipe closes or the window's heartbeat is too old, so a window that was killed leaves
nothing behind.
"""

from __future__ import annotations

import gc
import signal
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from meter.audio.source import SourceRequest
from meter.engine.engine import Engine
from meter.engine.guard import GuardedMeter, Timing
from meter.engine.guest_watch import GuestWatch
from meter.engine.guests import Guests
from meter.engine.memory import return_large_arrays
from meter.engine.messages import (
    ChooseAtPlay,
    ConfigureMeter,
    HoldReadings,
    MarkTaken,
    OpenSource,
    QuitEngine,
    RecordEvent,
    ResetReadings,
    SetMark,
    SuspendCounting,
    ToEngine,
    ToWindow,
    TryAgain,
    UseInstances,
    encode,
    to_engine,
)
from meter.engine.priority import raise_priority
from meter.engine.records import open_records
from meter.engine.snapshot import SharedSnapshot
from meter.engine.state_saver import StateSaver
from meter.engine.watchdog import Silence
from meter.instances import Instance
from meter.marks import AT_PLAY_PASS
from meter.plugin.api import FloatArray, Settings
from meter.plugin.enabled import NOTHING_ENABLED, Enabled
from meter.plugin.host import Plugin, discover, usable

WINDOW_SILENT_SECONDS = 10.0
WINDOW_BUILDS_SECONDS = 120.0
"""Before its first turn a window loads its libraries, slowly on a busy machine; if it dies, the pipe closes."""
TURN_SECONDS, QUICK_TURN_SECONDS = 0.03, 0.02
"""The loop turns this often: each turn takes the ticks that have come and publishes once. Much of its cost is the
number of calls, so it turns quickly only where a low latency was chosen."""
QUICK_LATENCY_SECONDS = 0.05
"""A source of less latency than this is measured in quick turns."""
COLLECT_SECONDS = 1.0
SWITCH_INTERVAL_SECONDS = 0.001
"""How long another thread may keep the interpreter from the callback."""


@dataclass(frozen=True)
class EngineOrder:
    """What a new engine is to do: plain values, since they cross to another process.

    Without a ``request`` the engine waits for one. ``folders`` hold meters named for this run, ``enabled`` says which
    others may run. ``instances`` are further instances of meters. ``settings`` maps ids of instances to settings,
    ``set_aside`` names those that hung the last engine. ``logbook`` is the file of the exposure record, beside the
    day records; without one neither is kept. ``job`` is the name of the feed map, for the day record.
    """

    request: SourceRequest | None = None
    feeds: Mapping[str, tuple[int, ...]] | None = None
    folders: tuple[str, ...] = ()
    enabled: Enabled = NOTHING_ENABLED
    instances: tuple[Instance, ...] = ()
    settings: Mapping[str, Settings] = field(default_factory=dict)
    set_aside: Mapping[str, str] = field(default_factory=dict)
    held: bool = False
    suspended: str = ""
    logbook: str | None = None
    job: str = ""
    at_play: str = AT_PLAY_PASS


class PipeOutput:
    """Readings to the shared block, messages to the pipe."""

    def __init__(self, block: SharedSnapshot, pipe: Connection) -> None:
        self._block = block
        self._pipe = pipe

    def publish(self, generation: int, status: FloatArray, values: FloatArray) -> None:
        """Make these the newest readings."""
        self._block.publish(generation, np.asarray(status), np.asarray(values))

    def send(self, message: ToWindow) -> None:
        """Send a message; a window that has gone is noticed by the loop."""
        try:
            self._pipe.send_bytes(encode(message))
        except (BrokenPipeError, OSError):
            return


def run_engine(block_name: str, pipe: Connection, order: EngineOrder) -> None:
    """Main function of the engine process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    raise_priority()
    return_large_arrays()
    sys.setswitchinterval(SWITCH_INTERVAL_SECONDS)
    block = SharedSnapshot.attach(block_name)
    output = PipeOutput(block, pipe)
    plugins = usable(discover([Path(folder) for folder in order.folders], enabled=order.enabled))
    engine = make_engine(order, block, output, plugins)
    watch = GuestWatch(Guests.among(plugins), engine.meters, output.send)
    watch.install()
    for meter_id, settings in order.settings.items():
        engine.configure(meter_id, settings)
    engine.on_opening = lambda opening: block.set_opening(opening, time.monotonic_ns())
    block.beat_engine(time.monotonic_ns())
    engine.hold(order.held)
    engine.spans.at_play = order.at_play
    engine.output.suspend(order.suspended)
    if order.request is not None:
        engine.open(order.request, order.feeds, order.job)
    # A full collection stops every thread; what is alive now stays, so it need never be looked at again.
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        _loop(engine, block, pipe, watch)
    finally:
        engine.close()
        del engine
        block.close()


def make_engine(order: EngineOrder, block: SharedSnapshot, output: PipeOutput, plugins: Sequence[Plugin]) -> Engine:
    """The engine an order describes; its meters are configured by the caller."""
    recorder, day = open_records(Path(order.logbook)) if order.logbook else (None, None)
    engine = Engine(
        plugins,
        output,
        timing=Timing(),
        set_aside=order.set_aside,
        recorder=recorder,
        day=day,
        state_saver=StateSaver(block),
        on_meter=block.enter_meter,
        instances=order.instances,
    )

    def enter_study(meter: GuardedMeter | None) -> None:
        block.enter_study(engine.meters.index(meter) if meter in engine.meters else -1)

    engine.studies.on_work = enter_study
    return engine


def _loop(engine: Engine, block: SharedSnapshot, pipe: Connection, watch: GuestWatch) -> None:
    first_beat_ns = block.window_beat_ns
    silence = Silence()
    due = collect = time.monotonic()
    while True:
        now_ns = time.monotonic_ns()
        block.beat_engine(now_ns)
        beat_ns = block.window_beat_ns
        patience = WINDOW_BUILDS_SECONDS if beat_ns == first_beat_ns else WINDOW_SILENT_SECONDS
        if silence.look(beat_ns, now_ns) > patience:
            return
        try:
            while pipe.poll(0):
                if not obey(engine, to_engine(pipe.recv_bytes())):
                    return
        except (EOFError, OSError):
            return
        engine.step()
        watch.attend(time.monotonic())
        turn_seconds = turn_length(engine.latency_seconds)
        if engine.waiting_seconds >= turn_seconds:
            continue  # behind: no pause until it has caught up
        if due >= collect:
            gc.collect(0)
            collect = due + COLLECT_SECONDS
        due = next_turn(due, time.monotonic(), turn_seconds)
        time.sleep(max(0.0, due - time.monotonic()))


def turn_length(latency_seconds: float) -> float:
    """Seconds from turn to turn for a source of this latency, NaN where it has none."""
    return QUICK_TURN_SECONDS if latency_seconds < QUICK_LATENCY_SECONDS else TURN_SECONDS


def next_turn(due: float, now: float, turn_seconds: float) -> float:
    """When the loop turns next, on a steady beat; a beat that was missed is not made up for."""
    return max(due + turn_seconds, now)


def obey(engine: Engine, command: ToEngine) -> bool:
    """Carry out one command of the window; False when the engine is to end."""
    match command:
        case OpenSource():
            engine.open(command.request, command.feeds, command.job)
        case HoldReadings():
            engine.hold(command.held)
        case ResetReadings():
            engine.reset()
        case SetMark():
            engine.mark(at=command.at)
            engine.output.send(MarkTaken(command.number))
        case ChooseAtPlay():
            engine.spans.at_play = command.choice
        case SuspendCounting():
            engine.output.suspend(command.reason)
        case ConfigureMeter():
            engine.configure(command.meter, command.settings)
        case UseInstances():
            engine.use_instances(command.instances)
        case RecordEvent():
            engine.day.take_event(command)
        case TryAgain():
            try_again(engine, command.meter)
        case QuitEngine():
            return False
    return True


def try_again(engine: Engine, meter_id: str) -> None:
    """Load a meter that was set aside once more; loading may take longer than a turn of the loop."""
    for meter in engine.meters:
        if meter_id in (meter.id, meter.manifest.id) and meter.fault:
            engine.on_opening(True)
            meter.try_again()
            engine.on_opening(False)

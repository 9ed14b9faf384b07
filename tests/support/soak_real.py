"""The engine on a private audio server as time goes, with a fault every little while. Part of ``tests.soak``.

Each fault is to cost one gap, no more, and the length that is told of it is to be what the counter signal says.
"""

from __future__ import annotations

import os
import signal
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import psutil

from meter.audio.monitor import DEFAULT_MONITOR
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.logbook.day_record import GAP
from meter.logbook.recorded_day import Event, read
from meter.plugin.host import discover, usable
from tests.live.server import Sink, SoundServer
from tests.support.counter_witness import CountingFeeder, Step, steps_in, write_witness
from tests.support.soak_restarts import blocks_of_this_process

FRONT, SIDE = Sink("front", description="Front Room"), Sink("side", description="Side Room")
LEAD_SECONDS = 8.0
LEAST_SPACING_SECONDS = 12.0
FAULTS_IN_A_LONG_RUN = 20
FEW_METERS_SECONDS = 120.0
"""A run that is shorter has the loudness meter alone beside the witness."""
POLL_SECONDS = 0.05
AWAY_SECONDS = 3.0
STOPPED_SECONDS = 5.0
PATIENCE_SECONDS = 20.0
MOST_OFF_SECONDS = 0.2
MOST_GROWTH_BYTES = 10_000_000


class Soak:
    """One run; ``folder`` gets the record and what the witness writes."""

    def __init__(self, server: SoundServer, folder: Path, *, few_meters: bool) -> None:
        self._server = server
        self._folder = folder
        self._began = time.monotonic()
        self._feeder: CountingFeeder | None = None
        self._home = FRONT
        self.faults: list[str] = []
        self.late: list[float] = []
        """Of the feeder at first, and of the one after each fault."""
        self.play()
        witness = write_witness(folder / "witness", folder / "steps")
        aside = {plugin.id: "not part of this run" for plugin in usable(discover()) if plugin.id != "loudness"}
        order = EngineOrder(
            SourceRequest("monitor", DEFAULT_MONITOR),
            folders=(str(witness),),
            logbook=str(folder / "book" / "logbook.sqlite3"),
            set_aside=aside if few_meters else {},
        )
        self.supervisor = Supervisor(order)

    def play(self) -> None:
        """Both outputs are there, and the counter sounds on the default one."""
        for sink in (FRONT, SIDE):
            if sink.name not in self._server.sinks:
                self._server.add(sink)
        self._server.pactl("set-default-sink", self._home.name)
        self._feeder = CountingFeeder(self._began)

    def wait(self, seconds: float) -> None:
        """Look after the engine as the window does."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.supervisor.poll()
            self.supervisor.take()
            time.sleep(POLL_SECONDS)

    def settle(self) -> bool:
        """Wait until sound is measured; False if that takes too long."""
        end = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < end:
            self.wait(POLL_SECONDS)
            frame = self.supervisor.take()
            if frame is not None and frame.status.state == "running":
                return True
        return False

    def unload_sinks(self) -> None:
        """Every output is unplugged, and plugged in again."""
        self._silence()
        for sink in (FRONT, SIDE):
            self._server.remove(sink)
        self.wait(AWAY_SECONDS)
        self.play()

    def change_default(self) -> None:
        """The user chooses another default output, and plays there."""
        # A stream that the server moves stands still for up to a second on a busy machine: no counter of time.
        self._silence()
        self._home = SIDE if self._home is FRONT else FRONT
        self.play()

    def stop_engine(self) -> None:
        """The engine process stands still."""
        pid = self.supervisor.engine_pid
        assert pid is not None
        os.kill(pid, signal.SIGSTOP)
        self.wait(STOPPED_SECONDS)
        if psutil.pid_exists(pid):
            os.kill(pid, signal.SIGCONT)

    def restart_server(self) -> None:
        """The sound server dies and is started again."""
        self._server.kill()
        self._silence()
        self.wait(AWAY_SECONDS)
        self._server.start()
        self.play()

    def close(self) -> None:
        """End the engine and the sound."""
        self.supervisor.close()
        self._silence()

    def _silence(self) -> None:
        if self._feeder is not None:
            self._feeder.stop()
        self._feeder = None

    @property
    def feeder_late(self) -> float:
        """Seconds by which the counter is behind the time that it stands for."""
        return self._feeder.late if self._feeder is not None else 0.0

    @property
    def steps(self) -> list[Step]:
        """What the counter says was missed, for each fault."""
        return put_right(steps_in(self._folder / "steps"), self.late)

    @property
    def gaps(self) -> list[Event]:
        """What the record says was missed."""
        paths = sorted((self._folder / "book" / "record").rglob("*.sqlite3"))
        return [event for event in read(paths).events if event.kind == GAP]


def put_right(steps: list[Step], late: list[float]) -> list[Step]:
    """The steps that are not of the signal, as a counter has them that is never late.

    ``late`` are seconds by which the counter was late when it began: at first, and after each fault. One that stood
    still is later by that until another begins.
    """
    found: list[Step] = []
    stood = 0.0
    for step in steps:
        if step.is_of_the_signal:
            stood += step.silent - step.on
            continue
        before, after = late[len(found) : len(found) + 2] if len(found) + 2 <= len(late) else (0.0, 0.0)
        begun = before != after
        found.append(replace(step, on=step.on + after - before - (stood if begun else 0.0)))
        stood = 0.0 if begun else stood
    return found


FAULTS: tuple[tuple[str, Callable[[Soak], None]], ...] = (
    ("all sinks unloaded", Soak.unload_sinks),
    ("another default sink", Soak.change_default),
    (f"engine stopped for {STOPPED_SECONDS:.0f} s", Soak.stop_engine),
    ("server killed", Soak.restart_server),
)


def run(seconds: float) -> list[str]:
    """Run for so long; returns one sentence for each requirement that does not hold."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ew-soak-")))
        server = stack.enter_context(SoundServer(FRONT, SIDE))
        soak = Soak(server, folder, few_meters=seconds < FEW_METERS_SECONDS)
        stack.callback(soak.close)
        failures = _run_faults(soak, seconds)
        children = psutil.Process().children(recursive=True)
        soak.close()
        failures += [f"{child} is left." for child in children if child.is_running() and "parec" in child.name()]
        failures += [f"The shared block {name} is left." for name in blocks_of_this_process()]
        return failures + judge(soak.faults, soak.steps, soak.gaps)


def _run_faults(soak: Soak, seconds: float) -> list[str]:
    began = time.monotonic()
    spacing = max(LEAST_SPACING_SECONDS, seconds / FAULTS_IN_A_LONG_RUN)
    if not soak.settle():
        return ["No sound was heard at first."]
    soak.wait(LEAD_SECONDS)
    soak.late.append(soak.feeder_late)
    memory = psutil.Process().memory_info().rss
    while began + seconds - time.monotonic() > spacing - POLL_SECONDS:
        due = time.monotonic() + spacing
        name, provoke = FAULTS[len(soak.faults) % len(FAULTS)]
        soak.faults.append(name)
        print(f"{time.monotonic() - began:5.0f} s: {name}", flush=True)
        provoke(soak)
        if not soak.settle():
            frame = soak.supervisor.take()
            return [f"After “{name}” no sound was heard for {PATIENCE_SECONDS:.0f} s: {frame and frame.status}"]
        soak.wait(due - time.monotonic())
        soak.late.append(soak.feeder_late)
    soak.wait(began + seconds - time.monotonic())
    grown = psutil.Process().memory_info().rss - memory
    print(f"{len(soak.faults)} faults; the process of the window grew by {grown / 1e6:.1f} MB", flush=True)
    return [f"The window's process grew by {grown / 1e6:.1f} MB."] if grown > MOST_GROWTH_BYTES else []


def judge(faults: list[str], steps: list[Step], gaps: list[Event]) -> list[str]:
    """Each fault costs one gap, told in meters and in the record with the length that the counter says."""
    for name, step in zip(faults, steps, strict=False):
        print(f"{name}: {step.missed:.3f} s by the counter, {step.told:.3f} s told, {step.told - step.missed:+.3f} s")
    failures = []
    if len(steps) != len(faults):
        failures.append(f"{len(faults)} faults cost {len(steps)} steps of the counter: {steps[:20]}")
    if len(gaps) != len(faults):
        failures.append(f"{len(faults)} faults are {len(gaps)} gaps in the record: {gaps[:20]}")
    failures += [
        f"{name}: {step.told:.3f} s are told of {step.missed:.3f} s."
        for name, step in zip(faults, steps, strict=False)
        if not abs(step.told - step.missed) <= MOST_OFF_SECONDS
    ]
    failures += [
        f"{name}: the record says {gap.seconds} s of {step.missed:.3f} s."
        for name, step, gap in zip(faults, steps, gaps, strict=False)
        if gap.seconds is None or not abs(gap.seconds - step.missed) <= MOST_OFF_SECONDS
    ]
    return failures

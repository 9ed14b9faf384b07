"""Checks of what outlives a moment: the saved state of a meter, and what a tick costs."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from dsp.core.types import TICKS_PER_SECOND
from meter.engine.guard import LONGEST_KEEP_SECONDS
from meter.engine.saved_state import EngineState, MeterKept, pack, unpack
from meter.plugin.api import SavedState
from meter.plugin.host import Plugin
from meter.plugin.kit.compared import first_difference, levels, same, same_level, shown
from meter.plugin.kit.outcome import CheckFailed, NotChecked
from meter.plugin.kit.played import RATE_HZ, Played, Readings
from meter.plugin.kit.sounds import music

SECONDS = 4.0
GAP_SECONDS = 2.0
SOFTER = 0.1
ROOM_BYTES = 1_000_000
"""Room that one meter's saved state may take: a quarter of what the engine has for all."""
TICK_SECONDS = 1.0 / TICKS_PER_SECOND
TICKS = 300
WARM_UP_TICKS = 50
MOST_SHARE = 0.5
"""Share of a tick that one meter may take; the others need the rest (our own choice)."""
SLOW_TICKS = 12
"""So many ticks of the warm-up tell that a meter is far too slow."""


def check_state(plugin: Plugin) -> str:
    """A new meter goes on from what another saved: no reading is one that neither of the two would give."""
    first = Played(plugin)
    saves: Callable[[], SavedState] | None = getattr(first.processor, "save_state", None)
    if saves is None:
        raise NotChecked("It has no save_state(); what it counts starts again with a new engine.")
    fresh, restored = Played(plugin).read(), Played(plugin)
    sound = music(9, 3 * SECONDS, RATE_HZ, first.channels)
    first.feed(sound[: round(SECONDS * RATE_HZ)], (480,))
    began = time.thread_time()
    kept = saves()
    if time.thread_time() - began > LONGEST_KEEP_SECONDS:
        raise CheckFailed(f"save_state() takes longer than {LONGEST_KEEP_SECONDS * 1000:.0f} ms.")
    packed = _packed(plugin, kept)
    before = first.read()
    restored.processor.restore_state(unpack(packed).meters[plugin.id].kept)  # type: ignore[attr-defined]
    carried, at_rest = _expect_carried(before, fresh, restored.read())
    later = SOFTER * sound[round((SECONDS + GAP_SECONDS) * RATE_HZ) :]
    for meter in (first, restored):
        meter.skip(GAP_SECONDS)
        meter.feed(later, (480,))
    if _packed(plugin, kept) != packed:
        raise CheckFailed("process() changes the arrays that save_state() returned; return copies.")
    _expect_continued(first, restored, carried | at_rest)
    return f"{len(packed):,} bytes; readings that go on: {', '.join(sorted(carried)) or 'none yet'}."


def _packed(plugin: Plugin, kept: SavedState) -> bytes:
    """As the engine hands it over; raises CheckFailed for what it would leave out."""
    whole = EngineState(1, "", 0.0, (0, 0, 0), {plugin.id: MeterKept("", kept)})
    data = pack(whole, ROOM_BYTES)
    if plugin.id not in unpack(data).meters:
        raise CheckFailed(
            f"save_state() returns what cannot be kept; return names with numbers or arrays of numbers, "
            f"up to {ROOM_BYTES:,} bytes."
        )
    return data


def _expect_carried(before: Readings, fresh: Readings, after: Readings) -> tuple[set[str], set[str]]:
    """Each reading is that of the meter before, or that of a new one, or minus infinity as a needle at rest.

    Returns the fields of the meter before, and those of a needle at rest.
    """
    carried, at_rest = set(), set()
    for key, value in after.items():
        if same(before[key], value):
            if not same(fresh[key], value):
                carried.add(key)
        elif (value == -np.inf).all():
            at_rest.add(key)
        elif not same(fresh[key], value):
            was, now = first_difference(before[key], value)
            raise CheckFailed(f"The field “{key}” reads {shown(now)} after restore_state(), {shown(was)} before.")
    return carried, at_rest


def _expect_continued(first: Played, restored: Played, keys: set[str]) -> None:
    """What was carried over goes on as in a meter that was not replaced.

    Softer sound followed, so that a maximum that was not carried over shows.
    """
    expected, found = first.read(), restored.read()
    is_level = set(levels(first.manifest))
    for key in sorted(keys):
        for one, other in zip(expected[key].tolist(), found[key].tolist(), strict=True):
            near = same_level(one, other) if key in is_level else np.isclose(one, other, 0.05, 1.0, equal_nan=True)
            if not near:
                raise CheckFailed(
                    f"The field “{key}” reads {shown(other)} instead of {shown(one)} when sound goes on after "
                    "restore_state()."
                )


def check_cost(plugin: Plugin) -> str:
    """A tick of 10 ms, with one read, takes less than half of its time on this machine."""
    meter = Played(plugin)
    frames = RATE_HZ // TICKS_PER_SECOND
    sound = music(10, 1.0, RATE_HZ, meter.channels)
    walls, busy = [], []
    for number in range(WARM_UP_TICKS + TICKS):
        start = number % TICKS_PER_SECOND * frames
        wall, thread = time.perf_counter(), time.thread_time()
        meter.feed(sound[start : start + frames])
        meter.read()
        walls.append(time.perf_counter() - wall)
        busy.append(time.thread_time() - thread)
        if number + 1 == SLOW_TICKS and float(np.median(walls)) > TICK_SECONDS:
            break
    mean, median = float(np.mean(busy[-TICKS:])), float(np.median(walls[-TICKS:]))
    took = max(mean, median)
    if took > MOST_SHARE * TICK_SECONDS:
        raise CheckFailed(
            f"A tick of 10 ms takes {took * 1000.0:.1f} ms here; take less than {MOST_SHARE * 10.0:.0f} ms."
        )
    return f"{took * 1000.0:.2f} ms for a tick of 10 ms, {took / TICK_SECONDS:.1%} of one core here."

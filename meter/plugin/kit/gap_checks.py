"""Checks of what is no sound: lost frames, silence, and samples that are not numbers.

A meter must not invent sound over a gap: as long as nothing new comes, a level holds, becomes "not yet", or falls at
a constant rate as a released needle does. Minus infinity over a gap is silence that was not measured, unless the
manifest gives it another meaning for that field (``silence = "nothing held"``). A meter must recover: what could be
measured before can be measured again after as much sound.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from dsp.core.types import FloatArray
from meter.engine.sanitise import Sanitiser
from meter.plugin.host import Plugin
from meter.plugin.kit.compared import INAUDIBLE_DB, LEVEL_DOUBT, expect_same, finite, levels, same_level, shown
from meter.plugin.kit.outcome import CheckFailed
from meter.plugin.kit.played import RATE_HZ, Played, Readings
from meter.plugin.kit.sounds import music, steady, stepped
from meter.readings import Field

MEMORIES = (((-12.0, 1.0), (-32.0, 12.0)), ((-12.0, 1.0), (-32.0, 29.0)))
"""A loud second, then a soft tone. A window that spans the whole of it, or less than the tone, does not move in a
gap of the tone's length; a mean that counts the gap does. One of the two fits a window of any length."""
SOUND_SECONDS = 4.0
GAP_SECONDS = 1.5
SHORT_GAPS = (1, 479, 480, 48_000)
SILENCE = Field("any", "").silence
"""What minus infinity means where the manifest does not say."""
FALL_DOUBT = 0.01
"""Share by which two falls in gaps of the same length may differ, where a level falls at a constant rate."""
INVALID = (np.nan, np.inf, -np.inf, 1e38)


def check_gaps(plugin: Plugin) -> str:
    """Over a gap levels hold or are "not yet"; after it they are those of the sound, and none stays "not yet"."""
    _expect_nothing_invented(plugin)
    _expect_recovery(plugin, "after a gap", lambda meter: meter.skip(GAP_SECONDS))
    whole, holed = (Played(plugin) for _ in range(2))
    tone = steady(-20.0, SOUND_SECONDS, RATE_HZ, whole.channels)
    whole.feed(np.concatenate([tone, tone]))
    expected = whole.read()
    holed.feed(tone)
    holed.skip(GAP_SECONDS)
    holed.feed(tone)
    _expect_levels_of(expected, holed, "after a gap in a steady tone")
    for frames in SHORT_GAPS:
        holed.processor.skip(frames)
        holed.read()
        holed.feed(tone[:777])
    fresh = Played(plugin)
    fresh.processor.skip(RATE_HZ)
    fresh.read()
    return "Levels hold or are “not yet” over a gap, and every reading returns after it."


def check_silence(plugin: Plugin) -> str:
    """Digital silence reads minus infinity or "not yet" in levels, and sound is read again after it."""
    silent, loud = Played(plugin), Played(plugin)
    silent.read()
    sound = steady(-20.0, SOUND_SECONDS, RATE_HZ, silent.channels)
    silent.feed(np.zeros_like(sound), (4800,))
    loud.feed(sound)
    quiet, usual = silent.read(), loud.read()
    for key in levels(silent.manifest, absolute=True):
        for one, other in zip(quiet[key], usual[key], strict=True):
            floor = np.isfinite(one) and np.isfinite(other) and abs(one - other) > LEVEL_DOUBT
            if floor or one == np.inf:
                raise CheckFailed(f"The field “{key}” reads {shown(one)} in silence; write minus infinity or NaN.")
    _expect_recovery(plugin, "after silence", lambda meter: meter.feed(np.zeros_like(sound), (4800,)))
    return "Silence is minus infinity or “not yet”, and readings return after it."


def check_invalid(plugin: Plugin) -> str:
    """Ticks with NaN, infinity or 1e38 reach the meter as gaps, and readings return after them."""

    def break_off(meter: Played) -> None:
        sanitiser = Sanitiser(meter.rate_hz)
        broken = np.array(music(6, 1.0, RATE_HZ, meter.channels))
        for number, value in enumerate(INVALID):
            broken[5_000 + 9_000 * number, number % meter.channels] = value
        for piece in sanitiser.pieces(broken):
            if isinstance(piece, int):
                meter.processor.skip(piece)
            else:
                meter.feed(piece, (480,))
        meter.read()

    _expect_recovery(plugin, "after invalid samples", break_off)
    broken, fresh = Played(plugin), Played(plugin)
    if fresh.manifest.sitting:
        return "NaN, infinity and 1e38 arrive as gaps, and readings return after them."
    sound = music(7, SOUND_SECONDS, RATE_HZ, fresh.channels)
    break_off(broken)
    broken.processor.reset()
    for meter in (broken, fresh):
        meter.feed(sound)
    expect_same(fresh.read(), broken.read(), "after invalid samples and a reset")
    return "NaN, infinity and 1e38 arrive as gaps, and readings return after them."


def _expect_nothing_invented(plugin: Plugin) -> None:
    failed: CheckFailed | None = None
    for steps in MEMORIES:
        try:
            _expect_hold(plugin, steps)
        except CheckFailed as error:
            failed = error
        else:
            return
    if failed is not None:
        raise failed


def _expect_hold(plugin: Plugin, steps: tuple[tuple[float, float], ...]) -> None:
    meter = Played(plugin)
    meter.feed(stepped(steps, RATE_HZ, meter.channels))
    before, *after = (_read_after(meter, seconds) for seconds in (0.0, *[steps[-1][1]] * 3))
    released = {item.key for item in meter.manifest.fields if item.silence != SILENCE}
    for key in levels(meter.manifest):
        rows = zip(*(later[key] for later in after), strict=True)
        for place, (first, second, third) in enumerate(rows):
            free = first == -np.inf and key in released
            if not (free or _is_heard(first, before[key]) or _falls(first, second, third)):
                was = float(before[key][place])
                raise CheckFailed(
                    f"The field “{key}” reads {shown(first)} after a gap without sound, {shown(was)} before it."
                )


def _read_after(meter: Played, seconds: float) -> Readings:
    if seconds:
        meter.skip(seconds)
    return meter.read()


def _falls(first: float, second: float, third: float) -> bool:
    """Whether a level falls at a constant rate, which a mean that counts the gap as silence does not."""
    if not np.isfinite([first, second, third]).all():
        return False
    fall, next_fall = first - second, second - third
    return bool(fall > 0.0 and abs(fall - next_fall) <= FALL_DOUBT * fall)


def _is_heard(value: float, levels_heard: FloatArray) -> bool:
    """Whether a level is one that was measured, or "not yet", or one of silence where there was some."""
    if np.isnan(value) or any(same_level(value, heard) for heard in levels_heard):
        return True
    return bool(value < INAUDIBLE_DB and np.isfinite(value))


def _expect_levels_of(expected: Readings, meter: Played, when: str) -> None:
    found = meter.read()
    for key in levels(meter.manifest):
        for value in found[key]:
            if not _is_heard(value, expected[key]):
                raise CheckFailed(f"The field “{key}” reads {shown(value)} {when}.")


def _expect_recovery(plugin: Plugin, when: str, disturb: Callable[[Played], None]) -> None:
    """What has a value after so much sound has one again after the disturbance and as much sound."""
    meter = Played(plugin)
    sound = music(8, SOUND_SECONDS, RATE_HZ, meter.channels)
    meter.feed(sound)
    before = finite(meter.read())
    disturb(meter)
    meter.feed(sound)
    for key in sorted(before - finite(meter.read())):
        raise CheckFailed(f"The field “{key}” has no value {when}, though {SOUND_SECONDS:g} s of sound followed.")

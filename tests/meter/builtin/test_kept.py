"""What a meter keeps and another takes back: since-reset readings are those of a meter that was never replaced."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.saved_state import EngineState, pack, unpack
from meter.plugin.host import discover, usable
from meter.readings import Frame
from tests.support.low_session import CHANNELS, FEEDS, session

RATE_HZ = 48_000
MOST_BYTES = 4_000_000

SINCE_RESET = {
    "loudness": (
        "integrated", "range", "momentary_max", "short_term_max", "measured", "incomplete", "history",
        "integrated_mark", "momentary_max_mark", "measured_mark",
    ),
    "peaks": (
        "true_max", "true_max_each", "sample_max", "overs", "clipped", "true_max_mark", "sample_max_mark",
        "overs_mark", "clipped_mark", "over_at", "over_channel", "over_peak", "over_count", "clip_at", "clip_channel",
        "clip_count",
    ),
    "vu": ("max", "max_mark"),
    "channels": ("highest",),
    "lane": ("seconds",),
    "stereo": ("correlation", "low_correlation", "balance"),
    "mono_lows": ("fold_down_loss", "balance", "fold_down_loss_mark", "balance_mark", "level_mark"),
    "low_end": (
        "share", "band_share", "mono_loss", "mono_loss_bands", "mix_bus_difference", "part_mono_loss", "heard",
        "part_mono_loss_bands",
    ),
    "drift": ("remembered",),
}  # fmt: skip
ONLY_NOW = {"spectrum", "listening", "repeats"}
"""All that these show is of this moment, of the last two minutes, or is kept in the ledger."""
KEYS = [f"{meter_id}.{key}" for meter_id, keys in SINCE_RESET.items() for key in keys]


def chain(span: str) -> Chain:
    meters = [GuardedMeter(plugin) for plugin in usable(discover())]
    made = Chain(meters, RATE_HZ, CHANNELS, FEEDS)
    made.configure("low_end", {"span": span})
    made.configure("lane", {"reference_1": "reference.wav"})  # it measures only with one
    return made


@cache
def sound() -> FloatArray:
    """Loud enough in the beginning to go over, and quieter later: what is highest came before the gap."""
    wave = session(20.0).copy()
    wave[: 6 * RATE_HZ] *= 6.0
    return wave


def play(playing: Chain, block: FloatArray) -> None:
    for start in range(0, len(block), 4800):
        playing.process(block[start : start + 4800])


def over_the_line(playing: Chain) -> EngineState:
    """What a chain keeps, as the next engine gets it."""
    return unpack(pack(EngineState(1, "a source", 0.0, (0, 0, 0), playing.save_state()), MOST_BYTES))


def reading(playing: Chain) -> Frame:
    return Frame(playing.layout, playing.read().copy())


def begun(end: int, span: str) -> tuple[Chain, Chain]:
    """A chain that heard the beginning, and one that took over from it."""
    one, next_one = chain(span), chain(span)
    play(one, sound()[: end - 2 * RATE_HZ])
    one.mark()
    play(one, sound()[end - 2 * RATE_HZ : end])
    assert next_one.restore_state(over_the_line(one).meters) == []
    return one, next_one


@cache
def both(end: int, gap: int) -> tuple[Frame, Frame]:
    """Readings of a chain that went on over the gap, and of one that took over there."""
    one, next_one = begun(end, "sitting")
    for playing in (one, next_one):
        playing.skip(gap)
        play(playing, sound()[end + gap :])
    return reading(one), reading(next_one)


@pytest.mark.parametrize("span", ["sitting", "marked"])
def test_readings_are_those_of_the_one_before(span: str) -> None:
    one, next_one = begun(8 * RATE_HZ, span)
    before, after = reading(one), reading(next_one)
    for key in KEYS:
        expected = before.vector(key)
        assert np.isfinite(expected).any(), f"{key}: there is something to compare"
        np.testing.assert_array_equal(after.vector(key), expected, err_msg=key)


@pytest.mark.parametrize("end", [8 * RATE_HZ, 8 * RATE_HZ + 12_345])
def test_readings_go_on_as_if_nothing_had_happened(end: int) -> None:
    """Exact over whole hops of 50 ms; at any other frame they begin elsewhere, and the ticks of loudness do not.

    Of the low end, whose windows last 400 ms, one is lost with the work that was still to be done.
    """
    whole, taken_over = both(end, 4 * RATE_HZ)
    for key in KEYS:
        meter_id = key.partition(".")[0]
        on_the_grid = end % RATE_HZ == 0 and meter_id != "low_end"
        doubt = 1e-9 if on_the_grid or meter_id in ("loudness", "peaks", "vu", "channels") else 0.3
        np.testing.assert_allclose(taken_over.vector(key), whole.vector(key), rtol=1e-9, atol=doubt, err_msg=key)


def test_every_meter_is_looked_at() -> None:
    assert {meter.id for meter in chain("last").meters} == set(SINCE_RESET) | ONLY_NOW


def test_what_came_before_is_in_the_readings_and_what_was_missed_makes_them_incomplete() -> None:
    _, taken_over = both(8 * RATE_HZ, 4 * RATE_HZ)
    later = chain("sitting")
    play(later, sound()[12 * RATE_HZ :])
    fresh = reading(later)
    assert taken_over.number("peaks.true_max") > fresh.number("peaks.true_max") + 10.0
    assert taken_over.number("loudness.integrated") > fresh.number("loudness.integrated") + 3.0
    assert taken_over.number("peaks.overs") > fresh.number("peaks.overs")
    assert (taken_over.number("loudness.incomplete"), fresh.number("loudness.incomplete")) == (1.0, 0.0)


def test_another_movement_does_not_take_the_highest_of_the_last_one() -> None:
    one, next_one = chain("last"), chain("last")
    play(one, sound()[:RATE_HZ])
    next_one.configure("vu", {"movement": "ppm_1"})
    next_one.restore_state(over_the_line(one).meters)
    assert np.isnan(reading(next_one).number("vu.max"))


def test_a_meter_that_has_heard_nothing_hands_that_on() -> None:
    next_one = chain("last")
    fresh = next_one.read().copy()
    assert next_one.restore_state(over_the_line(chain("last")).meters) == []
    np.testing.assert_array_equal(next_one.read(), fresh)


def test_a_mix_of_two_channels_takes_little_room() -> None:
    one = chain("last")
    play(one, sound())
    assert len(pack(EngineState(1, "", 0.0, (0, 0, 0), one.save_state()), MOST_BYTES)) < 300_000

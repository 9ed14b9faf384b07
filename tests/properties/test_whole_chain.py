"""What must hold of every reading whatever the sound: properties of the whole chain of our own meters.

Seeded (``derandomize``), so a failure can be replayed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dsp.core.signals import pink_noise, tone
from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.sanitise import Sanitiser
from meter.feeds import whole_mix
from meter.plugin.host import discover, usable
from meter.readings import Frame
from tests.support.plugins import file_meters

RATE_HZ = 48_000
PLUGINS = file_meters()
CLOSE = 1e-6
few = settings(max_examples=12, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
seeds = st.integers(0, 2**31)
sizes = st.lists(st.sampled_from([1, 64, 65, 480, 481, 4799, 8192, 8193, 50_000]), min_size=1, max_size=5)
LONG_BLOCK = 4799
"""Follows each turn of a list of sizes, so that a list of ones is not a hundred thousand blocks."""

LEVELS = [
    "loudness.integrated", "loudness.momentary_max", "loudness.short_term_max", "peaks.true_max", "peaks.sample_max",
    "vu.max",
]  # fmt: skip
DIFFERENCES = ["loudness.range", "peaks.to_loudness", "stereo.correlation", "stereo.low_correlation"]
DIFFERENCES += ["stereo.balance", "mono_lows.fold_down_loss", "mono_lows.balance"]
BALANCES = ["stereo.balance", "mono_lows.balance"]


def music(seed: int, seconds: float = 6.0) -> FloatArray:
    """Pink noise of changing level over a low tone that leans to one side."""
    rng = np.random.default_rng(seed)
    noise = pink_noise(rng, -26.0, seconds, RATE_HZ, 2)
    swell = 10 ** (rng.uniform(-12, 0, 12) / 20)
    time_s = np.arange(len(noise)) / RATE_HZ
    noise *= np.interp(time_s, np.linspace(0, seconds, 12), swell)[:, None]
    lean = rng.uniform(0.4, 1.0, 2)
    return noise + tone(rng.uniform(30, 110), -20.0, seconds, RATE_HZ, 2) * lean


def chain_of_files() -> Chain:
    return Chain([GuardedMeter(plugin) for plugin in PLUGINS], RATE_HZ, 2, whole_mix(2))


def frame_of(chain: Chain) -> Frame:
    assert chain.faults == {}
    return Frame(chain.layout, chain.read().copy())


def read(*parts: FloatArray, sizes: Sequence[int] = (480_000,)) -> Frame:
    """Feed the parts one after the other, cut into blocks of the given sizes in turn."""
    chain = chain_of_files()
    turn = 0
    for part in parts:
        start = 0
        while start < len(part):
            size = sizes[turn % len(sizes)]
            chain.process(part[start : start + size])
            start += size
            turn += 1
    return frame_of(chain)


def same(first: float, second: float, within: float = CLOSE) -> bool:
    if math.isnan(first) or math.isnan(second):
        return math.isnan(first) and math.isnan(second)
    return first == second or abs(first - second) <= within


@few
@given(seeds, sizes)
def test_any_split_into_blocks_gives_the_same_readings(seed: int, sizes: list[int]) -> None:
    sound = music(seed, 3.2)
    whole, split = read(sound), read(sound, sizes=[*sizes, LONG_BLOCK])
    for slot in whole.layout.slots:
        np.testing.assert_allclose(
            split.vector(slot.key), whole.vector(slot.key), rtol=1e-7, atol=CLOSE, equal_nan=True, err_msg=slot.key
        )


@few
@given(seeds, st.floats(-12.0, 12.0))
def test_a_gain_moves_every_level_by_itself_and_nothing_else(seed: int, gain_db: float) -> None:
    sound = music(seed)
    plain, louder = read(sound), read(sound * 10 ** (gain_db / 20))
    for key in LEVELS:
        assert same(louder.number(key), plain.number(key) + gain_db, 0.02), key
    for key in DIFFERENCES:
        assert same(louder.number(key), plain.number(key), 0.06 if key == "loudness.range" else 0.02), key


@few
@given(seeds)
def test_swapping_channels_mirrors_the_balance_only(seed: int) -> None:
    sound = music(seed)
    plain, swapped = read(sound), read(sound[:, ::-1].copy())
    for key in [*LEVELS, *DIFFERENCES]:
        sign = -1.0 if key in BALANCES else 1.0
        assert same(swapped.number(key), sign * plain.number(key)), key


@few
@given(seeds)
def test_polarity_of_the_whole_changes_nothing(seed: int) -> None:
    sound = music(seed)
    plain, turned = read(sound), read(-sound)
    for key in [*LEVELS, *DIFFERENCES]:
        assert same(turned.number(key), plain.number(key)), key


@few
@given(seeds)
def test_polarity_of_one_channel_turns_the_correlation(seed: int) -> None:
    sound = music(seed)
    plain, turned = read(sound), read(sound * [1.0, -1.0])
    assert same(turned.number("stereo.correlation"), -plain.number("stereo.correlation"))
    for key in LEVELS:
        assert same(turned.number(key), plain.number(key)), key


@few
@given(seeds, st.integers(1, 60))
def test_silence_before_changes_neither_peaks_nor_gated_loudness(seed: int, tenths: int) -> None:
    """Whole tenths of a second, so that the gating blocks lie on the same grid."""
    sound = music(seed)
    plain, later = read(sound), read(np.zeros((tenths * RATE_HZ // 10, 2)), sound)
    for key in ("peaks.true_max", "peaks.sample_max", "loudness.short_term_max", "loudness.momentary_max"):
        assert same(later.number(key), plain.number(key), 0.01), key
    # Blocks that hold the beginning count in part.
    assert same(later.number("loudness.integrated"), plain.number("loudness.integrated"), 0.3)


@few
@given(seeds)
def test_two_pieces_joined_read_their_energy_mean_and_the_greater_peak(seed: int) -> None:
    first, second = music(seed), music(seed + 1)
    a, b, joined = read(first), read(second), read(first, second)
    for key in ("peaks.true_max", "peaks.sample_max"):
        assert joined.number(key) >= max(a.number(key), b.number(key)) - CLOSE
    low, high = sorted((a.number("loudness.integrated"), b.number("loudness.integrated")))
    assert low - 0.1 <= joined.number("loudness.integrated") <= high + 0.1


@few
@given(seeds, st.sampled_from([np.nan, np.inf, -np.inf, 1e38, -1e38, 1e308]))
def test_a_bad_sample_poisons_nothing_that_comes_later(seed: int, bad: float) -> None:
    """Readings after a reset are those of the sound alone."""
    sound = music(seed, 3.2)
    broken = sound.copy()
    broken[30_000, 1] = bad
    chain, sanitiser = chain_of_files(), Sanitiser(RATE_HZ)
    for piece in sanitiser.pieces(broken):
        if isinstance(piece, int):
            chain.skip(piece)
        else:
            chain.process(piece)
    assert sanitiser.invalid_samples == 1
    chain.reset()
    chain.process(sound)
    plain, after = read(sound), frame_of(chain)
    for key in [*LEVELS, *DIFFERENCES]:
        assert same(after.number(key), plain.number(key), 1e-4), key


@pytest.mark.parametrize("seed", [11, 12])
def test_a_thousand_gaps_leave_a_steady_tone_as_it_is(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sound = tone(997.0, -20.0, 120.0, RATE_HZ, 2)
    edges = np.sort(rng.choice(np.arange(1000, len(sound) - 1000), 1000, replace=False))
    chain = chain_of_files()
    start = 0
    for edge in edges:
        if edge > start:
            chain.process(sound[start:edge])
        missing = int(rng.integers(1, 200))
        chain.skip(missing)
        start = max(start, int(edge) + missing)
    chain.process(sound[start:])
    frame = frame_of(chain)
    assert frame.number("loudness.integrated") == pytest.approx(-20.0, abs=0.02)
    assert frame.number("peaks.true_max") == pytest.approx(-20.0, abs=0.1)
    assert frame.number("stereo.correlation") == pytest.approx(1.0, abs=1e-6)


def test_silence_and_the_shortest_sounds_read_without_a_fault() -> None:
    for sound in (np.zeros((96_000, 2)), np.ones((1, 2)), np.zeros((0, 2)), np.full((480, 2), 1000.0)):
        chain = Chain([GuardedMeter(plugin) for plugin in usable(discover())], RATE_HZ, 2, whole_mix(2))
        chain.process(sound)
        frame_of(chain)

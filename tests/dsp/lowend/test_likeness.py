"""The same lows twice: identical, flipped and swapped parts told apart by closed forms; strangers never."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.likeness import IDENTICAL, OPPOSITE, SWAPPED, SWAPPED_OPPOSITE, LowLikeness, with_cancelling
from dsp.lowend.low_band import LowBand
from dsp.lowend.shares import Owners
from tests.support.low_parts import RATE_HZ, held, place, repeated, resonator, tone

SECONDS = 6
BASS = place([(0.1 + 0.5 * n, held((41.2, 55.0, 61.7)[n % 3], 0.45)) for n in range(2 * SECONDS)], SECONDS)
KICK = place(repeated(resonator(60, 15), 2 * SECONDS, 0.5), SECONDS)
NOISE = 0.1 * np.random.default_rng(3).standard_normal((SECONDS * RATE_HZ, 2))


def likeness(parts: list[np.ndarray], last_seconds: float | None = None, block: int = RATE_HZ) -> LowLikeness:
    columns, first = [], 0
    for part in parts:
        columns.append(range(first, first + part.shape[1]))
        first += part.shape[1]
    splitter = LowBand(RATE_HZ, first)
    found = LowLikeness(splitter.hop_seconds, columns, last_seconds)
    signal = np.hstack(parts)
    for start in range(0, len(signal), block):
        found.push(splitter.process(signal[start : start + block]))
    return found


def kinds(parts: list[np.ndarray]) -> list[tuple[int, int, str]]:
    return [(pair.first, pair.second, pair.kind) for pair in likeness(parts).alike()]


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        (lambda x: x, IDENTICAL),
        (lambda x: -x, OPPOSITE),
        (lambda x: x[:, ::-1], SWAPPED),
        (lambda x: -x[:, ::-1], SWAPPED_OPPOSITE),
    ],
    ids=[IDENTICAL, OPPOSITE, SWAPPED, SWAPPED_OPPOSITE],
)
def test_all_four_have_equal_powers_and_are_told_apart(change, kind: str) -> None:
    assert kinds([10 * KICK, NOISE, change(NOISE)]) == [(1, 2, kind)]


def test_what_cancels_completely_and_what_a_flip_brings() -> None:
    """x - x leaves nothing, x + x has four times the energy of one: 10 log10(4 / 2) (closed form)."""
    (pair,) = likeness([BASS, KICK, -BASS]).alike()
    assert (pair.first, pair.second, pair.kind, pair.together_db) == (0, 2, OPPOSITE, -np.inf)
    assert pair.flipped_db == pytest.approx(10 * np.log10(2.0), abs=1e-6)
    assert pair.cancels


@pytest.mark.parametrize("gain", [0.9, 0.5, 0.25])
def test_a_flipped_copy_at_another_level(gain: float) -> None:
    """(1 - g)^2 / (1 + g^2), and (1 + g)^2 / (1 + g^2) flipped (closed forms)."""
    (pair,) = likeness([BASS, -gain * BASS]).alike()
    assert pair.kind == OPPOSITE
    assert pair.together_db == pytest.approx(10 * np.log10((1 - gain) ** 2 / (1 + gain**2)), abs=1e-5)
    assert pair.flipped_db == pytest.approx(10 * np.log10((1 + gain) ** 2 / (1 + gain**2)), abs=1e-5)


def test_a_flipped_copy_a_little_late_still_cancels() -> None:
    """-cos(2 pi f t) of 48 frames: a millisecond late, -0.93 at 60 Hz, so 10 log10(1 - 0.93) (closed form)."""
    part = tone(60.0, -20.0, SECONDS * RATE_HZ + 48)
    (pair,) = likeness([part[48:], -part[:-48]]).alike()
    assert pair.together_db == pytest.approx(10 * np.log10(1 - np.cos(2 * np.pi * 0.06)), abs=0.1)
    # Five milliseconds late it is no longer the same: cos(108 degrees) turned over is +0.31.
    assert kinds([part[48:], -np.roll(part, 240, axis=0)[48:]]) == []


def test_a_flipped_copy_too_quiet_to_take_a_decibel_is_not_said_to_cancel() -> None:
    """10 log10((1 - g)^2 / (1 + g^2)) passes -1 dB at g = 0.104 (closed form)."""
    assert kinds([BASS, -0.11 * BASS]) == [(0, 1, OPPOSITE)]
    assert kinds([BASS, -0.09 * BASS]) == []


def test_strangers_are_not_alike() -> None:
    rng = np.random.default_rng(9)
    noises = [0.1 * rng.standard_normal((SECONDS * RATE_HZ, 2)) for _ in range(4)]
    assert kinds([KICK, BASS, *noises]) == []
    assert kinds([KICK, BASS, 0.3 * KICK]) == []


def test_hum_far_below_the_loud_parts_is_no_warning() -> None:
    hum = tone(50.0, -70.0, SECONDS * RATE_HZ)
    hiss = 1e-3 * NOISE[:, :1]
    assert kinds([KICK, hum + hiss, -hum]) == []
    assert kinds([hum * 10, -hum * 10 + hiss]) == [(0, 1, OPPOSITE)]


def test_mono_and_stereo_of_the_same() -> None:
    assert kinds([BASS, np.hstack([BASS, BASS])]) == [(0, 1, IDENTICAL)]
    assert kinds([BASS, -np.hstack([BASS, BASS])]) == [(0, 1, OPPOSITE)]


def test_the_worst_comes_first_and_what_cancels_before_what_is_the_same() -> None:
    found = kinds([NOISE, NOISE, BASS, -0.5 * BASS, KICK, -KICK])
    assert found == [(4, 5, OPPOSITE), (2, 3, OPPOSITE), (0, 1, IDENTICAL)]


def test_only_the_last_seconds_count_when_asked_for() -> None:
    half = 12 * RATE_HZ
    bass = np.tile(BASS, (4, 1))
    copy = np.concatenate([-bass[:half], bass[half:]])
    (pair,) = likeness([bass, copy], 10.0).alike()
    assert pair.kind == IDENTICAL
    assert likeness([bass, copy]).alike() == ()


def test_pauses_gaps_and_too_little_sound() -> None:
    splitter = LowBand(RATE_HZ, 2)
    found = LowLikeness(splitter.hop_seconds, [(0,), (1,)], 10.0)
    assert found.alike() == ()
    signal = np.hstack([BASS, -BASS])
    found.push(splitter.process(signal[: RATE_HZ // 2]))
    assert found.alike() == ()
    found.push(splitter.process(signal))
    (before,) = found.alike()
    found.push(splitter.skip(RATE_HZ))
    found.push(splitter.process(np.zeros((20 * RATE_HZ, 2))))
    assert found.alike() == (before,)
    found.reset()
    assert found.alike() == ()


@pytest.mark.parametrize("block", [64, 65, 480, 8193])
def test_any_block_size_gives_the_same(block: int) -> None:
    parts = [BASS[: 3 * RATE_HZ], -0.8 * BASS[: 3 * RATE_HZ]]
    (one,), (other,) = likeness(parts).alike(), likeness(parts, block=block).alike()
    assert other.together_db == pytest.approx(one.together_db, abs=1e-5)


def test_who_cancels_is_named_whatever_its_share() -> None:
    pairs = likeness([KICK, BASS, -BASS]).alike()
    assert with_cancelling(Owners((0,), (), ()), pairs) == Owners((0,), (), (1, 2))
    assert with_cancelling(Owners((0,), (1,), (2,)), pairs) == Owners((0,), (), (2, 1))
    assert with_cancelling(Owners((0, 1), (), ()), pairs) == Owners((0, 1), (), (2,))
    weak = likeness([KICK, BASS, -0.25 * BASS]).alike()
    assert with_cancelling(Owners((0,), (1,), (2,)), weak) == Owners((0,), (1,), (2,))

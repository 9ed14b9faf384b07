"""Lag, polarity and order of two sides, against delays that are exact."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.stage.alignment import line_up, overlapping
from tests.support.stages import RATE_HZ, delayed, phrases

SOUND = phrases(3.0, channels=2)


@pytest.mark.parametrize("frames", [0.0, 137.0, -137.0, 0.5, 12.25, -3.75, 20_000.0])
def test_a_delay_is_found_to_a_hundredth_of_a_sample(frames: float) -> None:
    found = line_up(SOUND, delayed(SOUND, frames), RATE_HZ // 2)
    assert found.related
    assert found.lag_frames == pytest.approx(frames, abs=0.01)
    assert found.inverted == (False, False)


@pytest.mark.parametrize("signs", [(1, -1), (-1, 1), (-1, -1)])
def test_polarity_is_that_of_each_channel(signs: tuple[int, int]) -> None:
    found = line_up(SOUND, delayed(SOUND * signs, 40.0), RATE_HZ // 2)
    assert found.inverted == tuple(sign < 0 for sign in signs)
    assert found.lag_frames == pytest.approx(40.0, abs=0.05)


@pytest.mark.parametrize(("kind", "edge_hz"), [("high", 80.0), ("high", 250.0), ("low", 2000.0)])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_filter_that_takes_most_of_the_power_leaves_lag_and_polarity(kind: str, edge_hz: float, sign: int) -> None:
    bass = 0.8 * np.sin(2.0 * np.pi * 41.2 * np.arange(len(SOUND)) / RATE_HZ)
    before = SOUND + bass[:, None] if kind == "high" else SOUND
    sos = butter(4, edge_hz, kind, fs=RATE_HZ, output="sos")
    after = sign * sosfilt(sos, delayed(before, 300.0), axis=0)
    found = line_up(before, after, RATE_HZ // 2)
    assert found.related
    assert found.inverted == (sign < 0,) * 2
    assert found.lag_frames == pytest.approx(300.0, abs=20.0 if kind == "low" else 1.0), "a filter delays too"


def test_other_sound_and_silence_are_not_related() -> None:
    assert not line_up(SOUND, phrases(3.0, seed=8, channels=2), RATE_HZ // 2).related
    assert not line_up(SOUND, np.zeros_like(SOUND), RATE_HZ // 2).related


def test_a_lag_outside_the_search_is_not_taken_for_another() -> None:
    assert not line_up(SOUND, delayed(SOUND, 3000.0), 1000).related


@pytest.mark.parametrize("lag", [0, 5, -5])
def test_overlapping_frames_belong_together(lag: int) -> None:
    numbers = np.arange(40.0)[:, None]
    late = numbers - lag
    first, second = overlapping(numbers, late, lag)
    np.testing.assert_array_equal(first, second)
    assert len(first) == 40 - abs(lag)

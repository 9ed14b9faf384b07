"""A tempo from taps: the median gap, restarted after a pause, a double hit left out."""

from __future__ import annotations

import pytest

from meter.gui.source.tempo_taps import Tapping


def tapped(times: list[float]) -> float | None:
    tapping, tempo = Tapping(), None
    for time in times:
        tempo = tapping.tap(time)
    return tempo


def test_four_taps_make_a_tempo() -> None:
    assert tapped([0.0, 0.5, 1.0]) is None
    assert tapped([0.0, 0.5, 1.0, 1.5]) == 120.0


@pytest.mark.parametrize("bpm", [40.0, 64.0, 97.5, 174.0])
def test_uneven_taps_find_the_tempo_within_a_beat(bpm: float) -> None:
    uneven = [0.02, -0.015, 0.01, -0.02, 0.0, 0.015, -0.01, 0.005, 0.0]
    assert tapped([10.0 + n * 60.0 / bpm + shift for n, shift in enumerate(uneven)]) == pytest.approx(bpm, rel=0.04)


def test_a_pause_begins_anew() -> None:
    assert tapped([0.0, 0.5, 1.0, 1.5, 9.0]) is None
    assert tapped([0.0, 0.5, 1.0, 1.5, 9.0, 10.0, 11.0, 12.0]) == 60.0


def test_a_finger_that_bounces_is_one_tap() -> None:
    assert tapped([0.0, 0.5, 0.55, 1.05, 1.55, 2.05]) == pytest.approx(120.0, abs=1.0)


def test_only_the_last_taps_count() -> None:
    slow = [float(n) for n in range(12)]
    assert tapped([*slow, *(11.0 + 0.4 * n for n in range(1, 10))]) == 150.0

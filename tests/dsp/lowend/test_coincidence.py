"""Notes that begin together more often than chance, and the gap between them; unrelated onsets have none."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.coincidence import coincidences, together

SECONDS = 16.0
BEATS = np.arange(0.2, SECONDS, 0.5)


def drawn(rng: np.random.Generator, rate: float, seconds: float = SECONDS) -> np.ndarray:
    """Onsets at random, never closer than 80 ms."""
    starts = np.cumsum(0.08 + rng.exponential(1.0 / rate - 0.08, round(2 * rate * seconds)))
    return starts[starts < seconds]


def test_each_onset_is_used_once() -> None:
    matches = coincidences(np.array([1.0, 2.0, 3.0]), np.array([1.01, 1.02, 2.04, 2.99]))
    np.testing.assert_allclose(matches, [[1.0, 1.01], [3.0, 2.99]])
    assert coincidences(np.empty(0), np.array([1.0])).shape == (0, 2)


@pytest.mark.parametrize(("late_ms", "count"), [(29.0, 32), (31.0, 0), (-29.0, 32), (-31.0, 0)])
def test_together_is_within_30_ms_either_way(late_ms: float, count: int) -> None:
    found = together(BEATS, BEATS + late_ms / 1000, SECONDS)
    assert found.count == count
    # The notes are in step either way, and their gap is stated.
    assert len(found.matches) == len(BEATS)
    assert found.gap_ms == pytest.approx(late_ms)
    assert found.spread_ms == pytest.approx(0.0, abs=1e-6)


def test_a_gap_beyond_80_ms_is_none() -> None:
    assert together(BEATS, BEATS + 0.079, SECONDS).gap_ms == pytest.approx(79.0)
    assert np.isnan(together(BEATS, BEATS + 0.085, SECONDS).gap_ms)


def test_what_chance_gives_is_rate_times_width() -> None:
    """32 notes against four a second in a window of 60 ms: 32 x 4 x 0.06 (closed form)."""
    found = together(BEATS, np.arange(0.0, SECONDS, 0.25), SECONDS)
    assert found.by_chance == pytest.approx(32 * 4 * 0.06, rel=0.15)


@pytest.mark.parametrize("rates", [(8.0, 10.0), (9.0, 9.0), (2.0, 9.0), (4.0, 4.0), (1.0, 1.5)])
def test_onsets_drawn_alone_are_not_in_step(rates: tuple[float, float]) -> None:
    rng = np.random.default_rng(5)
    runs = [together(drawn(rng, rates[0]), drawn(rng, rates[1]), SECONDS) for _ in range(200)]
    counts = np.mean([[found.count, found.by_chance] for found in runs], axis=0)
    assert counts[0] == pytest.approx(counts[1], rel=0.25)
    # Judged to be in step in at most one of a hundred; a gap is printed in none.
    assert sum(len(found.matches) > 0 for found in runs) <= 2
    assert np.isnan([found.gap_ms for found in runs]).all()


def test_sixteenths_played_together_are_in_step_though_chance_finds_half() -> None:
    rng = np.random.default_rng(6)
    first = np.arange(0.2, SECONDS, 0.125)
    found = together(first + rng.normal(0, 0.004, len(first)), first + rng.normal(0, 0.004, len(first)), SECONDS)
    assert found.by_chance == pytest.approx(0.48 * len(first), rel=0.1)
    assert len(found.matches) == len(first)
    assert abs(found.gap_ms) < 2.0


def test_half_of_the_notes_in_step_are_found_among_the_others() -> None:
    rng = np.random.default_rng(7)
    second = np.sort(np.concatenate([BEATS[::2] + 0.006, BEATS[1::2] + rng.uniform(0.1, 0.4, 16)]))
    found = together(BEATS, second, SECONDS)
    assert found.gap_ms == pytest.approx(6.0, abs=1.0)


@pytest.mark.parametrize(("half_ms", "stated"), [(5.0, True), (12.0, True), (28.0, False)])
def test_a_gap_is_stated_while_its_spread_is_well_under_that_of_chance(half_ms: float, stated: bool) -> None:
    """Uniform gaps of +-h spread over 1.6 h from the 10th to the 90th percentile; chance gives 48 ms."""
    gaps = np.linspace(-half_ms, half_ms, len(BEATS)) / 1000
    np.random.default_rng(8).shuffle(gaps)
    found = together(BEATS, BEATS + gaps, SECONDS)
    assert found.spread_ms == pytest.approx(1.6 * half_ms, abs=2.0)
    assert np.isfinite(found.gap_ms) == stated
    assert len(found.matches) == len(BEATS)


def test_notes_with_rests_between_are_judged_where_they_are() -> None:
    """Unrelated notes that both keep to the first quarter of a stretch meet as often as if it ended there."""
    rng = np.random.default_rng(9)
    runs = [together(drawn(rng, 9.0), drawn(rng, 9.0), 4 * SECONDS) for _ in range(50)]
    assert sum(len(found.matches) > 0 for found in runs) <= 1
    assert np.mean([found.by_chance for found in runs]) == pytest.approx(np.mean([r.count for r in runs]), rel=0.2)


def test_nothing_and_too_little() -> None:
    for first, second in ((np.empty(0), BEATS), (BEATS, np.empty(0)), (np.empty(0), np.empty(0))):
        found = together(first, second, SECONDS)
        assert (found.count, found.by_chance, len(found.matches)) == (0, 0.0, 0)
        assert np.isnan([found.gap_ms, found.spread_ms, found.middle_ms]).all()
    assert not len(together(np.array([1.0]), np.array([1.0]), SECONDS).matches)

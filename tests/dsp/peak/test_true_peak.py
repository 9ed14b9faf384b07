"""The interpolator, and cells of peaks against the plain slow way of oversampling."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import pink_noise, tone, white_noise
from dsp.core.types import FloatArray
from dsp.peak.peak_cells import SAMPLE, TRUE, PeakCells
from dsp.peak.true_peak import OVERSAMPLING, TAPS, interpolator, oversample, overshoot_bounds
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes

RATES_HZ = (8000, 11_025, 44_100, 48_000, 96_000, 192_000)
LIMIT = 1.0


def noise(kind: str, frames: int = 60_000, seed: int = 5) -> FloatArray:
    rng = np.random.default_rng(seed)
    if kind == "white":
        return white_noise(rng, -12.0, frames / 48_000, 48_000, 2)
    pink = pink_noise(rng, -12.0, frames / 48_000, 48_000, 2)
    if kind == "pink":
        return pink
    if kind == "clipped":
        return np.clip(4.0 * pink, -0.9, 0.9)
    # Dull and with a beat, as music is: nearly all true peaks are decided without working them out.
    dull = np.cumsum(pink - pink.mean(axis=0), axis=0)
    dull *= (0.1 + np.exp(-np.arange(frames) % 9000 / 2000.0))[:, None]
    return np.asarray(dull / np.abs(dull).max())


def cells_of(signal: FloatArray, sizes: tuple[int, ...], rate_hz: int = 48_000) -> tuple[FloatArray, FloatArray]:
    """All complete cells and the open one."""
    cells = PeakCells(rate_hz, signal.shape[1], LIMIT)
    found = np.empty((0, 2, signal.shape[1]))
    for part in (part for block in blocks(signal, sizes) for part in cells.parts(block)):
        if not cells.has_room(part):
            settle(cells, found)
        found = np.concatenate([found, cells.push(part)])
    settle(cells, found)
    return found, cells.open_cell()


def settle(cells: PeakCells, found: FloatArray) -> None:
    """Put the true peaks that waited in their places."""
    cell, channel, true = cells.settle(lambda cell, _channel, _bound: np.zeros(len(cell), dtype=bool))
    found[cell, TRUE, channel] = np.maximum(found[cell, TRUE, channel], true)


def test_rows_pass_a_constant_unchanged_and_the_first_is_the_frame_itself() -> None:
    rows = interpolator()
    assert rows.shape == (OVERSAMPLING, TAPS)
    np.testing.assert_allclose(rows.sum(axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(rows[0], np.eye(TAPS)[TAPS // 2 - 1], atol=1e-12)
    np.testing.assert_allclose(rows[1], rows[3][::-1], atol=1e-12)


def test_oversample_gives_the_sine_between_its_frames() -> None:
    signal = tone(3000.0, 0.0, 0.01, 48_000)
    dense = tone(3000.0, 0.0, 0.01, 4 * 48_000)[4 * (TAPS // 2 - 1) :]
    values = oversample(signal, interpolator())
    np.testing.assert_allclose(values, dense[: len(values)], atol=0.002)


@pytest.mark.parametrize("kind", ["white", "pink", "clipped", "dull"])
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_highest_true_peak_is_that_of_the_slow_way(kind: str, rate_hz: int) -> None:
    signal = noise(kind)
    whole, last = cells_of(signal, (len(signal),), rate_hz)
    ours = np.maximum(whole[:, TRUE].max(axis=0), last[TRUE])
    slow = np.abs(oversample(signal, interpolator())).max(axis=0)
    # The last 63 frames at most are known by their samples only.
    known = np.abs(oversample(signal[:-64], interpolator())).max(axis=0)
    assert (ours <= np.maximum(slow, np.abs(signal).max(axis=0)) * (1.0 + 5e-6)).all()
    assert (ours >= known * (1.0 - 5e-6)).all()


@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_cells_are_the_same_at_any_block_size(size: int) -> None:
    signal = noise("white", 12_000 if size == 1 else 60_000)
    whole, whole_open = cells_of(signal, (480,))
    pieces, pieces_open = cells_of(signal, (size,))
    np.testing.assert_array_equal(pieces[:, SAMPLE], whole[:, SAMPLE])
    np.testing.assert_array_equal(pieces_open, whole_open)
    assert (pieces[:, TRUE] <= whole[:, TRUE]).all()


@pytest.mark.parametrize("kind", ["white", "pink", "clipped", "dull"])
def test_a_true_peak_left_out_never_matters(kind: str) -> None:
    signal = noise(kind, 200_000)
    exact, _ = cells_of(signal, (480,))
    bulk, _ = cells_of(signal, (200_000,))
    later = np.maximum.accumulate(exact[::-1, TRUE], axis=0)[::-1]
    bulk_later = np.maximum.accumulate(bulk[::-1, TRUE], axis=0)[::-1]
    # The highest from any moment on is what maxima, holds and falling displays are made of.
    np.testing.assert_allclose(bulk_later, later, rtol=2e-6)
    np.testing.assert_array_equal(bulk[:, TRUE] > LIMIT, exact[:, TRUE] > LIMIT)
    left_out = np.mean(bulk[:, TRUE] < exact[:, TRUE] * (1.0 - 1e-5))
    assert left_out > 0.5 if kind == "dull" else left_out < 0.5


@pytest.mark.parametrize("seed", range(3))
def test_no_value_between_frames_exceeds_its_bounds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    by_peak, by_line, by_bend = overshoot_bounds()
    for _ in range(300):
        taps = np.cumsum(rng.standard_normal(TAPS)) if rng.random() < 0.5 else rng.standard_normal(TAPS)
        between = np.abs(interpolator() @ taps).max()
        peak, bend = np.abs(taps).max(), np.abs(np.diff(taps, 2)).max()
        assert between <= by_peak * peak + 1e-12
        assert between <= by_line * peak + by_bend * bend + 1e-12


def test_the_bounds_are_met_by_the_worst_taps() -> None:
    by_peak, _, by_bend = overshoot_bounds()
    assert by_peak == pytest.approx(np.abs(interpolator()).sum(axis=1).max())
    assert np.abs(interpolator() @ np.sign(interpolator()[2])).max() == pytest.approx(by_peak)
    assert 0.3 < by_bend < 0.6


def test_the_start_makes_no_peak() -> None:
    # A sine that begins at its crest, as if the sound had been going on: nothing is known of the time before.
    cells, _ = cells_of(tone(997.0, 0.0, 1.0, 48_000, phase_degrees=90.0), (480,))
    assert cells[:, TRUE].max() < 1.002


def test_random_blocks_give_the_same_open_cell() -> None:
    signal = noise("pink", 50_001)
    _, expected = cells_of(signal, (len(signal),), 44_100)
    for seed in range(3):
        _, found = cells_of(signal, tuple(random_sizes(seed)), 44_100)
        np.testing.assert_array_equal(found, expected)


def test_wrong_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        PeakCells(48_000, 2, LIMIT).parts(np.zeros((10, 1)))

"""The picture stands upright for mono, lies down for inverted, and leans to the side that sounds."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import tone
from dsp.stereo.stereo_picture import POINTS, StereoPicture
from tests.support.processors import BLOCK_SIZES, blocks, random_sizes


def drawn(pair: np.ndarray, rate_hz: int = 48_000, sizes: tuple[int, ...] = (480,)) -> np.ndarray:
    picture = StereoPicture(rate_hz)
    for block in blocks(pair, sizes):
        picture.process(block)
    return picture.across_up()


def test_directions() -> None:
    sine = tone(440.0, 0.0, 0.5, 48_000, channels=2)
    across, up = drawn(sine)
    assert np.abs(across).max() == 0.0
    assert np.abs(up).max() == pytest.approx(np.sqrt(2.0), abs=0.01)
    across, up = drawn(sine * [1.0, -1.0])
    assert np.abs(up).max() == 0.0
    across, up = drawn(sine * [1.0, 0.0])
    np.testing.assert_allclose(across, -up, atol=1e-12)
    across, up = drawn(sine * [0.0, 1.0])
    np.testing.assert_allclose(across, up, atol=1e-12)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000, 192_000])
def test_points_are_frames_of_the_last_300_ms_evenly_picked(rate_hz: int) -> None:
    count = round(0.77 * rate_hz)
    ramp = np.arange(count, dtype=float)[:, None] * [1.0, 1.0]
    _, up = drawn(ramp, rate_hz)
    frames = up / np.sqrt(2.0)
    np.testing.assert_allclose(frames, np.round(frames), atol=1e-6)
    steps = np.diff(np.round(frames))
    step = 0.3 * rate_hz / POINTS
    assert np.floor(step) <= steps.min() <= steps.max() <= np.ceil(step)
    assert count - frames[0] == pytest.approx(0.3 * rate_hz, abs=2 * step)
    assert count - frames[-1] <= step + 1


@pytest.mark.parametrize("sizes", [*((size,) for size in BLOCK_SIZES), tuple(random_sizes(2))], ids=str)
def test_blocks_do_not_matter(sizes: tuple[int, ...]) -> None:
    pair = np.random.default_rng(3).standard_normal((20_000, 2))
    np.testing.assert_array_equal(drawn(pair, 44_100, sizes), drawn(pair, 44_100, (20_000,)))


def test_what_was_not_heard_is_not_drawn() -> None:
    picture = StereoPicture(48_000)
    assert np.isnan(picture.across_up()).all()
    picture.process(np.ones((4_800, 2)))
    missing = np.isnan(picture.across_up()).all(axis=0)
    assert missing.sum() == pytest.approx(POINTS * 2 / 3, abs=1)
    picture.process(np.ones((9_600, 2)))
    picture.skip(4_800)
    assert np.isnan(picture.across_up()[0]).sum() == pytest.approx(POINTS / 3, abs=1)
    picture.skip(10**12)
    assert np.isnan(picture.across_up()).all()
    picture.skip(-5)
    picture.process(np.ones((100, 2)))
    assert np.isfinite(picture.across_up()[0]).sum() in (3, 4)
    picture.reset()
    assert np.isnan(picture.across_up()).all()

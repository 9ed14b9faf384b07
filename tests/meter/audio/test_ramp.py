"""The ramp: starts low, rises slowly, never past the cap, ends with a fade; whatever the block size."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meter.audio.ramp import CEILING, FADE_SECONDS, RampedLoop, rms_dbfs
from tests.support.processors import BLOCK_SIZES

RATE_HZ = 8000


def loop_at(level_dbfs: float = -20.0, seconds: float = 1.0) -> np.ndarray:
    """A sine on the left, right silent; a full-scale sine reads 0 dBFS (AES17)."""
    wave = np.zeros((round(seconds * RATE_HZ), 2), dtype=np.float32)
    wave[:, 0] = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 1000 * np.arange(len(wave)) / RATE_HZ)
    return wave


def play(ramp: RampedLoop, seconds: float, block: int = 80) -> np.ndarray:
    frames = round(seconds * RATE_HZ)
    out = np.full((frames, 2), np.nan, dtype=np.float32)
    for start in range(0, frames, block):
        ramp.fill(out[start : start + block])
    return out


def test_levels_are_those_of_aes17() -> None:
    assert rms_dbfs(loop_at(0.0)) == pytest.approx(0.0, abs=1e-4)
    assert rms_dbfs(np.zeros((10, 2))) == -math.inf
    assert rms_dbfs(np.zeros((0, 2))) == -math.inf


def test_it_starts_at_minus_50_rises_by_one_and_a_half_a_second_and_stays_at_minus_20() -> None:
    ramp = RampedLoop(loop_at(), RATE_HZ)
    assert ramp.level_dbfs == -50.0
    sound = play(ramp, 30.0)
    for second in range(30):
        level = rms_dbfs(sound[second * RATE_HZ : (second + 1) * RATE_HZ])
        if second < 19:
            assert level == pytest.approx(-49.25 + 1.5 * second, abs=0.3)
        assert level <= -20.0 + 1e-3
    assert rms_dbfs(sound[-RATE_HZ:]) == pytest.approx(-20.0, abs=0.01)
    assert not ramp.rising
    assert ramp.level_dbfs == pytest.approx(-20.0, abs=0.01)
    assert not sound[:, 1].any()


def test_it_begins_and_ends_without_a_step() -> None:
    ramp = RampedLoop(loop_at(), RATE_HZ)
    sound = play(ramp, 25.0)
    assert sound[0, 0] == 0.0
    ramp.stop()
    assert not ramp.finished
    end = play(ramp, 0.1)
    assert ramp.finished
    steps = np.abs(np.diff(np.concatenate([sound, end]), axis=0)).max()
    assert steps <= 0.1 * 2 * np.pi * 1000 / RATE_HZ * 1.05, "no step steeper than the sine itself"
    assert not end[round(FADE_SECONDS * RATE_HZ) + 1 :].any()
    assert not play(ramp, 1.0).any()
    ramp.stop()
    assert ramp.finished


def test_held_it_stays_where_it_is_and_rises_on_afterwards() -> None:
    ramp = RampedLoop(loop_at(), RATE_HZ)
    play(ramp, 4.0)
    ramp.hold(True)
    held = play(ramp, 10.0)
    assert rms_dbfs(held[:RATE_HZ]) == pytest.approx(rms_dbfs(held[-RATE_HZ:]), abs=1e-3)
    assert rms_dbfs(held) == pytest.approx(-44.0, abs=0.05)
    assert not ramp.rising
    ramp.hold(False)
    assert rms_dbfs(play(ramp, 1.0)) == pytest.approx(-43.25, abs=0.3)


@pytest.mark.parametrize("size", [*BLOCK_SIZES, 12_345])
def test_any_block_size_gives_the_same_sound(size: int) -> None:
    seconds = 0.5 if size == 1 else 5.0
    whole, pieces = RampedLoop(loop_at(), RATE_HZ), RampedLoop(loop_at(), RATE_HZ)
    np.testing.assert_allclose(play(pieces, seconds, size), play(whole, seconds, round(seconds * RATE_HZ)), atol=1e-7)


@pytest.mark.parametrize("level_dbfs", [-19.9, -10.0, 0.0])
def test_a_loop_over_the_cap_is_refused(level_dbfs: float) -> None:
    with pytest.raises(ValueError, match="over the cap of -20 dBFS"):
        RampedLoop(loop_at(level_dbfs), RATE_HZ)


@pytest.mark.parametrize("loop", [np.zeros((0, 2)), np.zeros(5), np.full((9, 2), np.nan), np.full((9, 2), np.inf)])
def test_a_broken_loop_is_refused(loop: np.ndarray) -> None:
    with pytest.raises(ValueError, match="empty or broken"):
        RampedLoop(loop.astype(np.float32), RATE_HZ)


def test_a_quiet_loop_never_gets_louder_than_itself() -> None:
    ramp = RampedLoop(loop_at(-40.0), RATE_HZ)
    assert rms_dbfs(play(ramp, 30.0)[-RATE_HZ:]) == pytest.approx(-40.0, abs=0.01)


def test_no_sample_passes_the_ceiling() -> None:
    clicks = np.zeros((RATE_HZ, 2), dtype=np.float32)
    clicks[::1000] = 1.0  # rms -27 dBFS, peaks at full scale
    sound = play(RampedLoop(clicks, RATE_HZ), 25.0)
    assert np.abs(sound).max() == CEILING

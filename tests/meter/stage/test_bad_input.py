"""Stages and files that are easily taken for something else."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, istft, sosfilt, stft

from dsp.core.types import FloatArray
from meter.stage.files import CompareError, TwoSides, compare
from meter.stage.findings import StageFindings
from meter.stage.words import squeeze_sentence
from tests.support.stages import RATE_HZ, delayed, phrases, static_gain_db, with_gain

SOUND = phrases(8.0)
SECONDS = np.arange(len(SOUND)) / RATE_HZ
LEVEL_DB = np.repeat(10.0 * np.log10(2.0 * (SOUND.reshape(-1, 480) ** 2).mean(axis=1)), 480)
LOW_HEAVY = 0.05 * SOUND + 0.3 * np.sin(2.0 * np.pi * 50.0 * SECONDS)[:, None]


def compared(before: FloatArray, after: FloatArray) -> StageFindings:
    return compare(TwoSides(RATE_HZ, before.astype(np.float32), after.astype(np.float32)))


def moved(sound: FloatArray, frames: FloatArray) -> FloatArray:
    """``sound`` later by so many frames at each frame."""
    at = np.arange(len(sound))
    return np.interp(at - frames, at, sound[:, 0], left=0.0)[:, None]


@pytest.mark.parametrize("shut_db", [-np.inf, -20.0])
def test_a_gate_turns_quiet_moments_down_and_is_no_squeeze(shut_db: float) -> None:
    found = compared(SOUND, with_gain(SOUND, np.where(LEVEL_DB > -28.0, 0.0, shut_db)))
    assert found.squeeze.expands
    assert found.squeeze.p90_db < 0.1
    assert "it turns quiet moments down" in squeeze_sentence(found)
    assert [note[:18] for note in found.notes] == (["After is silent in"] if shut_db == -np.inf else [])
    assert found.lag_samples == pytest.approx(0.0, abs=0.05)


def test_a_drop_out_of_one_side_is_told_and_is_no_squeeze() -> None:
    after = SOUND.copy()
    after[3 * RATE_HZ : 3 * RATE_HZ + 4800] = 0.0
    found = compared(SOUND, after)
    assert any("silent in 1 % of the time" in note for note in found.notes)
    assert not found.squeeze.expands
    assert found.squeeze.max_db < 0.1


def test_noise_reduction_turns_quiet_moments_down() -> None:
    _, _, bins = stft(SOUND[:, 0], RATE_HZ, nperseg=2048)
    threshold = 0.7 * np.median(np.abs(bins), axis=1, keepdims=True)
    cleaned = bins * np.clip(1.0 - threshold / np.maximum(np.abs(bins), 1e-12), 0.02, 1.0)
    found = compared(SOUND, istft(cleaned, RATE_HZ, nperseg=2048)[1][: len(SOUND), None])
    assert found.squeeze.expands
    assert found.lag_samples == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize(("frames", "hz"), [(4.0, 0.5), (10.0, 1.0)])
def test_a_delay_that_wanders_is_told_and_all_of_it_is_compared(frames: float, hz: float) -> None:
    found = compared(SOUND, moved(SOUND, frames * (1.0 + np.sin(2.0 * np.pi * hz * SECONDS))))
    assert any("delay wanders" in note for note in found.notes)
    assert not any("delay changes" in note for note in found.notes)
    assert found.seconds > 7.9
    assert found.squeeze.p90_db < 1.0


def test_a_chorus_is_told_from_a_copy() -> None:
    late = moved(SOUND, RATE_HZ * (0.008 + 0.002 * np.sin(2.0 * np.pi * 0.8 * SECONDS)))
    found = compared(SOUND, 0.7 * SOUND + 0.7 * late)
    assert any("is no copy of before" in note for note in found.notes)
    assert not any("delay changes" in note for note in found.notes)
    assert found.seconds > 7.9


def test_gain_movement_alone_is_a_copy() -> None:
    found = compared(SOUND, with_gain(SOUND, static_gain_db(LEVEL_DB, -40.0, 20.0)))
    assert found.added_db > -10.0
    assert found.notes == ()


@pytest.mark.parametrize("late", [0, 64])
def test_a_parallel_stage_squeezes_as_far_as_both_together(late: int) -> None:
    """In step, the gains add: 0.5 + 0.5 g."""
    gain_db = static_gain_db(LEVEL_DB, -30.0, 8.0) + 6.0
    found = compared(SOUND, 0.5 * SOUND + 0.5 * delayed(with_gain(SOUND, gain_db), late))
    together_db = 20.0 * np.log10(0.5 + 0.5 * 10.0 ** (gain_db / 20.0))
    held_db = together_db.max() - together_db
    assert found.notes == ()
    assert found.seconds > 7.9
    tolerance = 0.2 if not late else 1.5
    assert found.squeeze.p90_db == pytest.approx(np.percentile(held_db, 90.0), abs=tolerance)


@pytest.mark.parametrize("sound", [SOUND, LOW_HEAVY], ids=["pink", "low-heavy"])
@pytest.mark.parametrize("seconds", [1.7, 3.3])
def test_a_bypass_with_another_latency_leaves_no_trace_in_the_figures(sound: FloatArray, seconds: float) -> None:
    in_turn = (SECONDS // seconds).astype(int) % 2 == 1
    found = compared(sound, 0.7 * np.where(in_turn[:, None], delayed(sound, 64.0), sound))
    assert any(note.startswith("The delay changes from 0 to 64 samples at 0:0") for note in found.notes)
    assert found.squeeze.max_db < 0.1
    assert found.added_db < -50.0
    assert found.loudness_change_lu == pytest.approx(-3.1, abs=0.05)
    assert 2.5 < found.seconds < 5.5


def test_a_part_beside_the_whole_mix_has_no_squeeze() -> None:
    """Both share the lows, which are most of the power; all else of before is not in after."""
    part = sosfilt(butter(6, 150.0, fs=RATE_HZ, output="sos"), 20.0 * SOUND, axis=0)
    found = compared(part + phrases(8.0, seed=9), part + 1e-4 * phrases(8.0, seed=5))
    assert np.isnan(found.squeeze.p90_db)
    assert "check that before is what goes into the stage" in squeeze_sentence(found)
    filtered = compared(part + SOUND, sosfilt(butter(2, 150.0, fs=RATE_HZ, output="sos"), part + SOUND, axis=0))
    assert np.isfinite(filtered.squeeze.p90_db), "a low-pass is a stage"


def test_polarity_that_is_flipped_in_one_channel_is_named() -> None:
    pair = phrases(4.0, channels=2)
    found = compared(pair, pair * [1.0, -1.0])
    assert (found.polarity, found.verdict) == (("same", "inverted"), "fair")
    assert found.added_db < -80.0


@pytest.mark.parametrize("seconds", [3.0, -2.5])
def test_files_that_start_seconds_apart_are_told_how_far(seconds: float) -> None:
    frames = round(abs(seconds) * RATE_HZ)
    sides = (SOUND[frames:], SOUND) if seconds > 0.0 else (SOUND, SOUND[frames:])
    with pytest.raises(CompareError, match=f"{abs(seconds):.2f} s {'later' if seconds > 0.0 else 'earlier'}"):
        compared(*sides)


@pytest.mark.parametrize("kind", ["other sound", "vibrato"])
def test_what_cannot_be_lined_up_is_not_said_to_be_late(kind: str) -> None:
    after = phrases(8.0, seed=9) if kind == "other sound" else moved(SOUND, 48.0 * np.sin(31.0 * SECONDS))
    with pytest.raises(CompareError, match=r"do not correlate within .* moves too far"):
        compared(SOUND, after)

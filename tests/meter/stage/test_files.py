"""Two files: what is refused with a sentence, what is noted, and a delay that changes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from meter.audio.source import SourceError
from meter.stage.files import CompareError, TwoSides, compare, read_sides
from tests.support.stages import RATE_HZ, delayed, phrases

SOUND = phrases(8.0, channels=2)
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(name: str, sound: np.ndarray = SOUND, rate_hz: int = RATE_HZ) -> Path:
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, sound, rate_hz, subtype="FLOAT")
        return path

    return written


@pytest.mark.parametrize(
    ("sound", "rate_hz", "words"),
    [
        (SOUND, 44_100, "export both at one rate"),
        (0.0 * SOUND, RATE_HZ, "'after.wav' is silent"),
        (np.tile(SOUND, 2), RATE_HZ, "2 and 4 channels"),
        (SOUND[:RATE_HZ], RATE_HZ, "1.0 s; 2 s or more"),
        (phrases(8.0, seed=9, channels=2), RATE_HZ, "do not correlate"),
    ],
)
def test_what_cannot_be_compared_is_refused(write: Write, sound: np.ndarray, rate_hz: int, words: str) -> None:
    with pytest.raises(CompareError, match=words):
        compare(read_sides(write("before"), write("after", sound, rate_hz)))


def test_clipping_that_the_stage_brings_is_noted(write: Write) -> None:
    found = compare(read_sides(write("before", 0.5 * SOUND), write("after", np.clip(20.0 * SOUND, -1.0, 1.0))))
    assert any(note.startswith("After clips: ") for note in found.notes)
    assert not compare(read_sides(write("before"), write("after"))).notes


def test_a_missing_file_is_named(write: Write, tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"gone\.wav"):
        read_sides(write("before"), tmp_path / "gone.wav")


def test_identical_files_are_fair_and_add_nothing(write: Write) -> None:
    found = compare(read_sides(write("before"), write("after")))
    assert found.verdict == "fair"
    assert (found.lag_samples, found.loudness_change_lu, found.trim_db) == pytest.approx((0.0, 0.0, 0.0), abs=1e-3)
    assert found.added_db < -120.0
    assert found.notes == ()


@pytest.mark.parametrize("lag", [137, -500])
def test_other_lengths_and_starts_are_lined_up(write: Write, lag: int) -> None:
    after = np.concatenate([np.zeros((lag, 2)), SOUND]) if lag > 0 else SOUND[-lag : 6 * RATE_HZ]
    found = compare(read_sides(write("before"), write("after", after)))
    assert found.lag_samples == pytest.approx(lag, abs=0.05)
    assert found.swapped == (lag < 0)
    assert found.squeeze.max_db < 0.01


def test_mono_against_stereo_is_compared_in_mono(write: Write) -> None:
    found = compare(read_sides(write("before", np.tile(SOUND[:, :1], 2)), write("after", 0.5 * SOUND[:, :1])))
    assert found.loudness_change_lu == pytest.approx(-6.02, abs=0.01)
    assert any("mono" in note for note in found.notes)


def test_a_delay_that_changes_is_told_and_is_no_squeeze() -> None:
    half = len(SOUND) // 2
    after = np.concatenate([delayed(SOUND, 64.0)[:half], delayed(SOUND, 128.0)[half:]]) * 0.7
    found = compare(TwoSides(RATE_HZ, SOUND.astype(np.float32), after.astype(np.float32)))
    assert [note for note in found.notes if "The delay changes" in note]
    assert found.seconds < 5.0
    assert found.squeeze.max_db < 0.1
    assert found.loudness_change_lu == pytest.approx(-3.1, abs=0.05)


def test_a_repeated_bar_is_not_taken_for_another_delay() -> None:
    bar = phrases(0.25, channels=2)
    loop = np.tile(bar, (32, 1))
    loop[:3000] *= 0.5
    found = compare(TwoSides(RATE_HZ, loop.astype(np.float32), delayed(loop, 100.0).astype(np.float32)))
    assert found.lag_samples == pytest.approx(100.0, abs=0.1)
    assert not [note for note in found.notes if "delay" in note]


def test_silence_in_between_is_compared_with_silence() -> None:
    sound = np.concatenate([SOUND[: 5 * RATE_HZ], np.zeros((6 * RATE_HZ, 2)), SOUND[5 * RATE_HZ :]])
    found = compare(TwoSides(RATE_HZ, sound.astype(np.float32), (2.0 * sound).astype(np.float32)))
    assert found.loudness_change_lu == pytest.approx(6.02, abs=0.01)
    assert found.notes == ()


def test_samples_that_are_no_numbers_count_as_silence(write: Write) -> None:
    broken = SOUND.copy()
    broken[1000:1003] = np.nan, np.inf
    found = compare(read_sides(write("before"), write("after", broken)))
    assert any("6 samples of 'after.wav' are invalid" in note for note in found.notes)
    assert found.verdict == "fair"

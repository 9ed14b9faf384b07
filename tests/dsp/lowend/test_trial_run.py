"""Cut-offs tried side by side and piece by piece change what they change one by one and in one go."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import white_noise
from dsp.lowend.high_pass_trial import HighPassTrial
from dsp.lowend.trial_run import TrialRun
from tests.support.low_parts import RATE_HZ, place, repeated, resonator, tone

SECONDS = 6
CUTOFFS = [(6, 15.0), (12, 40.0), (18, 55.0), (24, 90.0)]
HITS = place(repeated(resonator(62.0, 25.0), 12, 0.45), SECONDS)
RUMBLE = tone(31.0, -30.0, len(HITS))
MONO = HITS + RUMBLE
STEREO = np.concatenate([MONO, 0.5 * MONO + RUMBLE], axis=1)


def mix_of(part: np.ndarray) -> np.ndarray:
    return white_noise(np.random.default_rng(5), -30.0, SECONDS, RATE_HZ, 2) + part


def run(part: np.ndarray, mix: np.ndarray, block: int, gain: float = 1.0) -> TrialRun:
    trial = TrialRun(RATE_HZ, len(part), part.shape[1], CUTOFFS, 62.0, gain)
    for start in range(0, len(part), block):
        trial.push(part[start : start + block], mix[start : start + block])
    return trial


@pytest.mark.parametrize("part", [MONO, STEREO], ids=["mono", "stereo"])
@pytest.mark.parametrize("gain", [1.0, -0.7])
def test_the_same_changes_as_in_one_go(part: np.ndarray, gain: float) -> None:
    mix = mix_of(part)
    trial = run(part, mix, 12_000, gain)
    whole = HighPassTrial(part, mix, RATE_HZ, 62.0, gain)
    for number, (slope, cutoff) in enumerate(CUTOFFS):
        found, expected = trial.result(number), whole.try_cutoff(slope, cutoff)
        assert found.true_peak_change_db == pytest.approx(expected.true_peak_change_db, abs=0.01)
        assert found.mix_true_peak_change_db == pytest.approx(expected.mix_true_peak_change_db, abs=0.01)
        assert found.mix_low_band_change_db == pytest.approx(expected.mix_low_band_change_db, abs=0.01)
        assert found.ring_change_ms == pytest.approx(expected.ring_change_ms, abs=0.5)


@pytest.mark.parametrize("block", [4801, 48_000, SECONDS * RATE_HZ])
def test_pieces_of_any_size(block: int) -> None:
    mix = mix_of(MONO)
    expected, found = run(MONO, mix, 2400), run(MONO, mix, block)
    for number in range(len(CUTOFFS)):
        for one, other in zip(
            vars(expected.result(number)).values(), vars(found.result(number)).values(), strict=True
        ):
            # The products of single precision round by the number of rows, differently on each processor.
            assert other == pytest.approx(one, abs=1e-4)


def test_silence_and_held_notes_have_no_ring_and_no_level() -> None:
    silence = np.zeros((2 * RATE_HZ, 1))
    trial = run(silence, np.zeros((2 * RATE_HZ, 2)), 24_000)
    assert np.isnan(list(vars(trial.result(0)).values())).all()
    held = tone(62.0, -20.0, 2 * RATE_HZ)
    assert np.isnan(run(held, np.tile(held, 2), 24_000).result(1).ring_change_ms)


@pytest.mark.parametrize("cutoff", [4.0, 24_000.0, float("nan"), float("inf")])
def test_a_cutoff_that_cannot_be_tried_is_refused(cutoff: float) -> None:
    with pytest.raises(ValueError, match="cannot be tried here"):
        TrialRun(RATE_HZ, RATE_HZ, 1, [(12, cutoff)])


def test_other_refusals() -> None:
    with pytest.raises(ValueError, match="a second of sound"):
        TrialRun(RATE_HZ, RATE_HZ - 1, 1, [(12, 40.0)])
    with pytest.raises(ValueError, match="not offered"):
        TrialRun(RATE_HZ, RATE_HZ, 1, [(13, 40.0)])

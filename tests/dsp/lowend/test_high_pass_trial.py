"""High-passes run on audio: peaks, lows of the mix and decay against closed forms and a plain second way."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.high_pass import apply, loss_db, phase_lead_degrees, power_gain
from dsp.lowend.high_pass_trial import HighPassTrial
from dsp.peak.true_peak import interpolator, oversample
from tests.support.low_parts import RATE_HZ, place, repeated, resonator, tone

FRAMES = 4 * RATE_HZ


def test_a_tone_loses_what_the_closed_form_says() -> None:
    part = tone(60.0, -20.0, FRAMES)
    found = HighPassTrial(part, part, RATE_HZ).try_cutoff(12, 60.0)
    assert found.true_peak_change_db == pytest.approx(-3.01, abs=0.02)
    assert found.mix_true_peak_change_db == pytest.approx(-3.01, abs=0.02)
    assert found.mix_low_band_change_db == pytest.approx(-3.01, abs=0.05)


def test_the_mix_keeps_what_is_not_of_the_part() -> None:
    """60 Hz of equal power from the part and 90 Hz from the rest: the lows fall to (1 + 1/2) / 2."""
    part = tone(60.0, -20.0, FRAMES)
    rest = tone(90.0, -20.0, FRAMES)
    found = HighPassTrial(part, part + rest, RATE_HZ).try_cutoff(12, 60.0)
    assert found.mix_low_band_change_db == pytest.approx(10 * np.log10(0.75), abs=0.1)


def test_a_square_wave_rises() -> None:
    """A 60 Hz square wave through 12 dB per octave at 36 Hz: odd partials, each turned and weakened as the closed
    forms say, add up to a peak 6.86 dB higher."""
    wave = 0.1 * np.sign(np.sin(2 * np.pi * 60 * (np.arange(FRAMES) + 0.5) / RATE_HZ))[:, None]
    found = HighPassTrial(wave, wave, RATE_HZ).try_cutoff(12, 36.0)
    partial = np.arange(1, 400, 2)
    phase = 2 * np.pi * np.outer(np.linspace(0, 1, 801)[:-1], partial)
    leads = np.radians([phase_lead_degrees(60.0 * n, 36.0, 2) for n in partial])
    series = 4 / np.pi / partial * np.sqrt(power_gain(60.0 * partial, 36.0, 2)) * np.sin(phase + leads)
    smooth = np.sinc(partial / 400)  # the peak without the ripple of a cut-off series
    risen = 20 * np.log10(np.abs((series * smooth).sum(axis=1)).max())
    assert risen == pytest.approx(6.86, abs=0.1)
    samples = np.abs(apply(wave, RATE_HZ, 36.0, 2)[RATE_HZ:]).max() / 0.1
    assert 20 * np.log10(samples) == pytest.approx(risen, abs=0.1)
    # True peaks have the ripple of a band-limited step on top.
    assert found.true_peak_change_db == pytest.approx(risen, abs=1.5)


def test_true_peaks_are_those_of_plain_oversampling() -> None:
    part = place(repeated(resonator(60, 15), 7, 0.5), 4.0)
    found = HighPassTrial(part, part, RATE_HZ).try_cutoff(24, 50.0)
    filtered = apply(part, RATE_HZ, 50.0, 4)
    settled = slice(RATE_HZ // 4, None)
    peaks = [np.abs(oversample(signal[settled], interpolator())).max() for signal in (filtered, part)]
    assert found.true_peak_change_db == pytest.approx(20 * np.log10(peaks[0] / peaks[1]), abs=0.01)


def test_change_of_decay() -> None:
    """A drum far slower than the filter keeps its decay; one as dead as the filter does not."""
    slow = place(repeated(resonator(60, 15), 9, 0.5), 5.0)
    dead = place(repeated(resonator(60, 2.5), 9, 0.5), 5.0)
    changes = [HighPassTrial(part, part, RATE_HZ, 60.0).try_cutoff(24, 58.0).decay_change_ms for part in (slow, dead)]
    assert abs(changes[0]) < 5.0
    assert changes[1] > 5.0


def test_a_mix_bus_that_turns_the_part_over() -> None:
    part = tone(60.0, -20.0, FRAMES)
    found = HighPassTrial(part, -0.5 * part, RATE_HZ, gain_in_mix=-0.5).try_cutoff(12, 60.0)
    assert found.mix_low_band_change_db == pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize("slope", [6, 12, 18, 24])
def test_any_cutoff_may_be_tried_on_mono_in_a_stereo_mix(slope: int) -> None:
    part = tone(60.0, -20.0, FRAMES)
    trial = HighPassTrial(part, np.repeat(part, 2, axis=1), RATE_HZ)
    for cutoff in (5.0, 48.0, 300.0):
        found = trial.try_cutoff(slope, cutoff)
        assert found.mix_low_band_change_db == pytest.approx(-loss_db(60.0, cutoff, slope // 6), abs=0.1)


def test_a_stereo_part_counts_once_in_a_mono_mix() -> None:
    """Its channels come together as their mean: the same change as of the mono part with that much in the mix."""
    part = tone(60.0, -20.0, FRAMES)
    rest = tone(90.0, -20.0, FRAMES)
    stereo = HighPassTrial(np.repeat(part, 2, axis=1), part + rest, RATE_HZ).try_cutoff(12, 60.0)
    assert stereo.mix_low_band_change_db == pytest.approx(10 * np.log10(0.75), abs=0.1)
    one_side = HighPassTrial(part * [2.0, 0.0], part + rest, RATE_HZ).try_cutoff(12, 60.0)
    assert one_side.mix_low_band_change_db == pytest.approx(stereo.mix_low_band_change_db, abs=1e-6)


def test_silence_has_no_changes() -> None:
    silent = np.zeros((FRAMES, 1))
    found = HighPassTrial(silent, silent, RATE_HZ).try_cutoff(12, 60.0)
    assert np.isnan([found.true_peak_change_db, found.mix_true_peak_change_db, found.mix_low_band_change_db]).all()
    assert np.isnan(found.decay_change_ms)


def test_too_little_or_unequal_audio_is_refused() -> None:
    part = tone(60.0, -20.0, FRAMES)
    with pytest.raises(ValueError, match="at least a second"):
        HighPassTrial(part[:100], part[:100], RATE_HZ)
    with pytest.raises(ValueError, match="same stretch"):
        HighPassTrial(part, part[:-1], RATE_HZ)
    with pytest.raises(ValueError, match="too low to be tried"):
        HighPassTrial(part, part, RATE_HZ).try_cutoff(12, 1.0)


@pytest.mark.parametrize("slope", [12, 24])
def test_the_start_of_the_filter_is_left_out(slope: int) -> None:
    """A slow filter begins in the middle of the sound, here at a crest; four of its cycles later it has settled.

    Then a steady tone shows the loss of the closed form and nothing of the start.
    """
    part = 0.1 * np.cos(2 * np.pi * 40.0 / RATE_HZ * np.arange(FRAMES))[:, None]
    found = HighPassTrial(part, part, RATE_HZ).try_cutoff(slope, 6.0)
    assert found.true_peak_change_db == pytest.approx(-loss_db(40.0, 6.0, slope // 6), abs=0.01)

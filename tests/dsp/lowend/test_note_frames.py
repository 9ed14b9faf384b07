"""Frames of notes: what was made quick gives what the plain way gives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from dsp.lowend.note_frames import NoteFrames, power_spectra, top_of_peak, tops_of_peaks

RATE_HZ = 4000


def test_tops_of_peaks_are_those_of_each_peak() -> None:
    noise = np.random.default_rng(5).standard_normal((1, 512, 1))
    spectrum = power_spectra(noise)[0]
    peaks, _ = find_peaks(spectrum)
    assert len(peaks) > 50
    assert tops_of_peaks(spectrum, peaks).tolist() == [top_of_peak(spectrum, peak) for peak in peaks]


def test_a_spectrum_without_peaks_has_no_tops() -> None:
    assert not len(tops_of_peaks(np.ones(9), np.array([], dtype=np.intp)))


@pytest.mark.parametrize("channels", [1, 2])
def test_rows_do_not_depend_on_the_blocks(channels: int) -> None:
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    random = np.random.default_rng(6)
    notes = np.sign(np.sin(2.0 * np.pi * np.where(t < 1.0, 55.0, 82.4) * t))
    sound = 0.1 * notes[:, None] + 0.01 * random.standard_normal((len(t), channels))
    whole = NoteFrames(RATE_HZ, channels).push(sound)
    bit_by_bit = NoteFrames(RATE_HZ, channels)
    rows = np.concatenate([bit_by_bit.push(block) for block in np.array_split(sound, 37)])
    np.testing.assert_allclose(rows, whole, rtol=1e-4)
    assert np.median(whole[:8, 1]) == pytest.approx(55.0, rel=0.005)
    assert np.median(whole[-8:, 1]) == pytest.approx(82.4, rel=0.005)


@pytest.mark.parametrize("louder", [0, 1])
def test_pitch_is_read_in_the_louder_channel(louder: int) -> None:
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    notes = np.stack([0.3 * np.sin(2.0 * np.pi * 110.0 * t), 0.03 * np.sin(2.0 * np.pi * 73.4 * t)], axis=1)
    rows = NoteFrames(RATE_HZ, 2).push(notes if louder == 0 else notes[:, ::-1])
    assert np.median(rows[:, 1]) == pytest.approx(110.0, rel=0.005)


def test_an_open_fifth_is_not_taken_for_the_octave_under_it() -> None:
    """A2 and E3 together repeat at A1, which nobody plays: the lowest partial that sounds is 110 Hz."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    sound = sum(0.1 / n * np.sin(2.0 * np.pi * hz * n * t) for hz in (110.0, 165.0) for n in (1, 2, 3))
    rows = NoteFrames(RATE_HZ, 1).push(np.asarray(sound)[:, None])
    assert np.median(rows[:, 1]) == pytest.approx(110.0, rel=0.005)
    assert np.median(rows[:, 2]) > 0.8

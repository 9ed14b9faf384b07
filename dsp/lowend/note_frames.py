"""What is sounding in each short frame of a part: level, period, and the lowest partial that carries the note.

Frames of 128 ms every 100 ms of audio at about 4 kHz (``mid_rate``). A period alone can lie: a chord of three
notes repeats far below its lowest note. So the lowest multiple of the period's frequency that shows as a peak of its
own in the spectrum is taken, and a weak one only if its octave stands over it, as over a note and not over rumble.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from dsp.core.framing import Framer
from dsp.core.scipy_signal import find_peaks, get_window
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power
from dsp.lowend.periodicity import added_power, normalised_correlation, periods

FRAME_SECONDS = 0.128
HOP_SECONDS = 0.1
LOWEST_HZ = 25.0
HIGHEST_HZ = 1000.0
SILENCE_DBFS = -60.0
PARTIAL_RANGE_DB = 26.0
"""A partial counts down to here below the strongest: above the side lobes (-31 dB) of the window."""
STRONG_RANGE_DB = 1.0
"""The strongest partial needs no octave to vouch for it: it may be a sine."""
MULTIPLES = 12
PADDING = 4
TOLERANCE = 0.03
"""A partial lies within half a semitone of where the period puts it."""
LEAST_CLARITY = 0.5
"""Noise stays under 0.2; under this a frame has no pitch."""
ONE_NOTE_CLARITY = 0.8
"""Under this several notes sound together and have no common period worth the name."""
CHORD_RANGE_DB = 20.0
"""Lowest note of a chord: the lowest peak down to here below the strongest."""

LEVEL, PITCH_HZ, CLARITY, BARE = 0, 1, 2, 3
NOTE_COLUMNS = 4


class NoteFrames:
    """Turn a stream at ``rate_hz`` into rows ``(power, pitch_hz, clarity, bare)``.

    ``power`` is the mean square over frame and channels, ``pitch_hz`` NaN without a pitch, ``clarity`` 0 to 1,
    ``bare`` 1 where no octave stands over the pitch: a sine, or rumble. Frames that touch lost audio have NaN power.
    """

    def __init__(self, rate_hz: float, channels: int) -> None:
        self._rate_hz = rate_hz
        self._framer = Framer(round(FRAME_SECONDS * rate_hz), round(HOP_SECONDS * rate_hz), channels)

    def reset(self) -> None:
        """Forget the signal."""
        self._framer.reset()

    def push(self, samples: FloatArray) -> FloatArray:
        """Rows of the frames that end in this block, ``(n, 4)``."""
        frames = self._framer.push(samples)
        rows = np.full((len(frames), NOTE_COLUMNS), np.nan)
        if not len(frames):
            return rows
        rows[:, LEVEL] = np.einsum("fsc,fsc->f", frames, frames) / (frames.shape[1] * frames.shape[2])
        rows[:, CLARITY:] = 0.0
        loud = np.flatnonzero(rows[:, LEVEL] > db_to_power(SILENCE_DBFS))
        if len(loud):
            rows[loud, PITCH_HZ:] = pitch_of_frames(_louder_channel(frames[loud]), self._rate_hz)
        return rows


def _louder_channel(frames: FloatArray) -> FloatArray:
    """Of stereo frames the louder channel: what left and right cancel in mono is whole in either."""
    if frames.shape[2] == 1:
        return frames
    louder = np.einsum("fsc,fsc->fc", frames, frames).argmax(axis=1)
    return np.take_along_axis(frames, louder[:, None, None], axis=2)


def pitch_of_frames(frames: FloatArray, rate_hz: float) -> FloatArray:
    """Pitch in hertz (NaN: nothing stands out), clarity and bareness of ``(n, samples, channels)``, ``(n, 3)``."""
    # Single precision is exact to a thousandth of a cent here and half the work.
    centred = (frames - frames.mean(axis=1, keepdims=True)).astype(np.float32)
    similarity = normalised_correlation(centred, round(rate_hz / LOWEST_HZ) + 2)
    period, clarity = periods(similarity, max(2, int(rate_hz / HIGHEST_HZ)))
    bin_hz = rate_hz / (PADDING * frames.shape[1])
    spectra = power_spectra(centred)
    pitch, bare = _lowest_partial(spectra, rate_hz / period, bin_hz)
    several = (clarity < ONE_NOTE_CLARITY) & (clarity >= LEAST_CLARITY)
    for row in np.flatnonzero(several | bare):
        pitch[row], bare[row] = _lowest_peak(spectra[row], bin_hz)
    return np.column_stack([pitch, clarity, bare])


def power_spectra(frames: FloatArray) -> FloatArray:
    """Hann-windowed, padded power spectra summed over channels, ``(n, bins)``, strongest bin 1."""
    length = frames.shape[1]
    spectra = rfft(frames * _window(length, frames.dtype), PADDING * length, axis=1)
    power = added_power(spectra)
    return np.asarray(power / np.maximum(power.max(axis=1, keepdims=True), 1e-30))


@lru_cache(maxsize=32)
def _window(length: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    window = get_window("hann", length).astype(dtype)[None, :, None]
    window.setflags(write=False)
    return np.asarray(window)


def _lowest_partial(
    spectra: FloatArray, fundamental_hz: FloatArray, bin_hz: float
) -> tuple[FloatArray, NDArray[Any]]:
    """The lowest multiple of the fundamental that stands as a peak, and whether it stands without its octave.

    NaN where none of the first dozen does.
    """
    present, strong = _partials(spectra, fundamental_hz, bin_hz, (-PARTIAL_RANGE_DB, -STRONG_RANGE_DB))
    vouched = present[:, :MULTIPLES] & present[:, 1::2]
    stands = vouched | strong[:, :MULTIPLES]
    lowest = np.argmax(stands, axis=1)
    found = stands.any(axis=1)
    bare = found & ~vouched[np.arange(len(spectra)), lowest]
    return np.where(found, (lowest + 1) * fundamental_hz, np.nan), bare


def _lowest_peak(spectrum: FloatArray, bin_hz: float) -> tuple[float, bool]:
    """The lowest peak in hertz that is strong or has its octave over it, and whether it lacks that; NaN if none."""
    peaks, _ = find_peaks(spectrum, height=db_to_power(-PARTIAL_RANGE_DB))
    found = bin_hz * tops_of_peaks(spectrum, peaks)
    for frequency, peak in zip(found, peaks, strict=True):
        if frequency < LOWEST_HZ or spectrum[peak] < db_to_power(-CHORD_RANGE_DB):
            continue
        off_octave = np.abs(found - 2.0 * frequency).min() / (2.0 * frequency)
        bare = bool(off_octave >= TOLERANCE)
        if not bare or spectrum[peak] >= db_to_power(-STRONG_RANGE_DB):
            return float(frequency), bare
    return float("nan"), False


def top_of_peak(power: FloatArray, peak: int) -> float:
    """Fractional bin at the top of the parabola through the decibels of three bins."""
    before, here, after = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-30))
    bend = before - 2.0 * here + after
    return float(peak + (0.5 * (before - after) / bend if bend < 0.0 else 0.0))


def tops_of_peaks(power: FloatArray, peaks: NDArray[Any]) -> FloatArray:
    """``top_of_peak`` of several peaks of one spectrum."""
    before, here, after = (np.log(np.maximum(power[peaks + step], 1e-30)) for step in (-1, 0, 1))
    bend = before - 2.0 * here + after
    offset = np.zeros_like(bend)
    np.divide(0.5 * (before - after), bend, out=offset, where=bend < 0.0)
    return np.asarray(peaks + offset)


def _partials(
    spectra: FloatArray, fundamental_hz: FloatArray, bin_hz: float, least_db: tuple[float, ...]
) -> list[NDArray[Any]]:
    """For each of ``least_db``, whether the multiples 1 to 2 x ``MULTIPLES`` show as a peak of at least that."""
    bins = spectra.shape[1]
    multiple = np.arange(1, 2 * MULTIPLES + 1)
    centre = np.nan_to_num(fundamental_hz, nan=0.0)[:, None] * multiple
    # Near the resolution of the window the peak may sit off by a bin or two of the padded spectrum.
    reach = np.maximum(TOLERANCE * centre, 1.5 * bin_hz)
    low, high = (
        np.minimum(np.maximum(np.floor(edge / bin_hz).astype(int) + 1, 1), bins - 1)
        for edge in (centre - reach, centre + reach)
    )
    row = np.arange(len(spectra))[:, None]
    inside = (centre > 0.0) & (high > low)
    peaks = _no_lower_than_beside(spectra)
    counted = np.zeros((len(spectra), bins + 1), dtype=np.int32)
    found = []
    for least in least_db:
        np.cumsum(peaks & (spectra >= db_to_power(least)), axis=1, dtype=np.int32, out=counted[:, 1:])
        found.append(inside & (counted[row, high] > counted[row, low]))
    return found


def _no_lower_than_beside(spectra: FloatArray) -> NDArray[Any]:
    """Where a bin reaches both its neighbours."""
    rises = spectra[:, 1:] >= spectra[:, :-1]
    falls = spectra[:, :-1] >= spectra[:, 1:]
    found = np.ones(spectra.shape, dtype=bool)
    found[:, 1:] &= rises
    found[:, :-1] &= falls
    return found

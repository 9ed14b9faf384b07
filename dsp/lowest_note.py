"""The lowest note of a part, or the note of a drum, and whether there is evidence enough to say.

A pitched part: the 5th percentile of the pitch over loud frames that have one. A drum: the strongest peak that
stands in the spectrum after the attack of most hits. Which of the two a part is follows from how it falls after each
beginning and how its pitch moves. Signals are audio at about 4 kHz (``dsp.mid_rate``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import uniform_filter1d
from scipy.signal import get_window

from dsp.low_spectrum import TOP_HZ, LowSpectra
from dsp.note_frames import (
    BARE,
    CLARITY,
    HOP_SECONDS,
    LEAST_CLARITY,
    LEVEL,
    LOWEST_HZ,
    ONE_NOTE_CLARITY,
    PITCH_HZ,
    top_of_peak,
)
from dsp.onsets import frame_power, loud_power, rises
from dsp.periodicity import added_power
from dsp.types import FloatArray
from dsp.units import db_to_power, power_to_db

PITCHED, DRUM = "pitched", "drum"

PITCH_PERCENTILE = 5.0
LOUD_RANGE_DB = 12.0
"""Pitch is read in frames this near the part's loud level: tails, in which rumble takes over, do not vote."""
PITCHED_SECONDS_NEEDED = 1.0
PITCHED_FOR_SURE = 0.5
PITCHED_SHARE_NEEDED = 0.3
"""Share of the loud frames that must have a pitch."""

HITS_NEEDED = 4
MOST_HITS = 64
"""More hits than this, evenly picked, tell nothing new."""
BODIES_AT_ONCE = 8
"""Spectra of a few hits together cost less than one after the other, and fit the cache."""
ATTACKS_SECONDS = (0.1, 0.07, 0.05, 0.03)
"""Where the body of a hit may be said to begin; the latest at which it still has a quarter of its power, since
drums glide down for some tens of milliseconds."""
FADE_IN_SECONDS = 0.01
BODY_SECONDS = 0.256
SHORTEST_BODY_SECONDS = 0.1
HIGHEST_DRUM_HZ = 500.0
PERSISTENT_SHARE = 0.6
"""Share of hits whose strongest peak lies within a semitone of the common one."""
SEMITONE = 2.0 ** (1.0 / 12.0)
FALL_DB = 6.0
HALF_FALL_DB = 2.0
FALL_WITHIN_SECONDS = 1.0
"""A drum falls all the way to its next hit, or for a second; a held note stays up for half of that."""
HIGHEST_RUMBLE_HZ = 150.0
STEADY_DB = 11.0
"""Narrow noise in frames of a second wobbles by up to 11 dB from its 10th to its 90th percentile; notes come and go
by more."""
UNRELATED = 0.25
"""Correlation with the level of the part below which a tone does not belong to what is played."""
WEAK_DB = -12.0
LIVELY_DB = 1.0
"""A part whose own level moves less than this tells nothing of what moves with it."""
COMES_AND_GOES_DB = 20.0
"""A note is played and not played; the band of a drone, or of rumble, spreads by less."""
NOISE_RISE_DB = 10.0
LINE_DB = 15.0
FLANK_SEMITONES = (1.5, 4.0)
"""In noise no second stands this far over the usual, nor a semitone this far over what lies beside it: powers with as
few degrees of freedom as these pass either once in thousands of rows. A note passes one of them at once."""
AUDIBLE_RANGE_DB = 60.0
ROWS_NEEDED = 8
SAME_NOTE_CENTS = 50.0
STEADY_CENTS = 150.0
"""A pitched part moves by more than this from note to note; a drum does not."""


@dataclass(frozen=True)
class LowestNote:
    """``floor_hz`` is NaN, with a ``reason`` in words, when the evidence is thin.

    ``kind`` is ``"pitched"`` or ``"drum"``, empty when it cannot be said; ``evidence`` says what it rests on.
    """

    floor_hz: float
    kind: str = ""
    evidence: str = ""
    reason: str = ""


@dataclass(frozen=True)
class _Drum:
    peak_hz: float
    hits: int
    share: float
    falls: bool


def lowest_note(frames: FloatArray, signal: FloatArray, rate_hz: float, spectra: LowSpectra) -> LowestNote:
    """Decide from rows of ``NoteFrames``, the audio ``(samples, channels)`` and its low spectra."""
    frames = frames[np.isfinite(frames[:, LEVEL])]
    loud = frames[:, LEVEL] >= loud_power(frames[:, LEVEL]) * db_to_power(-LOUD_RANGE_DB)
    loud &= frames[:, LEVEL] > 0.0
    if not loud.any() or not loud_power(frames[:, LEVEL]):
        return LowestNote(np.nan, reason="silent, or never above -60 dBFS")
    pitched = loud & (frames[:, CLARITY] >= LEAST_CLARITY) & np.isfinite(frames[:, PITCH_HZ])
    pitched &= (frames[:, CLARITY] >= ONE_NOTE_CLARITY) | _lasts(frames[:, PITCH_HZ])
    pitched &= ~_rumbles(frames, pitched, spectra)
    pitches = frames[pitched, PITCH_HZ]
    share = len(pitches) / np.count_nonzero(loud)
    drum = _drum(signal, rate_hz)
    if drum is not None and drum.falls and (share < PITCHED_FOR_SURE or _is_steady(pitches)):
        return _say_drum(drum)
    if len(pitches) * HOP_SECONDS >= PITCHED_SECONDS_NEEDED and share >= PITCHED_SHARE_NEEDED:
        return _say_pitched(pitches, share)
    if drum is not None:
        return _say_drum(drum)
    if len(pitches) * HOP_SECONDS < PITCHED_SECONDS_NEEDED and np.count_nonzero(loud) * HOP_SECONDS < 2.0:
        return LowestNote(np.nan, reason=f"only {np.count_nonzero(loud) * HOP_SECONDS:.1f} s of loud sound")
    return LowestNote(np.nan, reason=f"no pitch in {100.0 * (1.0 - share):.0f} % of it and no low peak that stays")


def _rumbles(frames: FloatArray, pitched: NDArray[Any], spectra: LowSpectra) -> NDArray[Any]:
    """Frames whose low pitch goes on at one level whatever the part plays: rumble or hum, not a note.

    Only what is bare or weak is suspected: a drone with partials of its own is a note. In a part whose level stands
    still, its notes must come and go instead; but what never is more than a band of noise is no note in any part.
    """
    found, noise = np.zeros((2, len(frames)), dtype=bool)
    level = power_to_db(spectra.full_power)
    audible = level > level.max(initial=-np.inf) - AUDIBLE_RANGE_DB
    if np.count_nonzero(audible) < ROWS_NEEDED:
        return found
    semitone = np.rint(12.0 * np.log2(np.where(pitched, frames[:, PITCH_HZ], np.nan) / LOWEST_HZ))
    come_and_go = 0
    for number in np.unique(semitone[np.isfinite(semitone)]):
        centre = LOWEST_HZ * SEMITONE**number
        if centre * SEMITONE > TOP_HZ:
            continue
        band = spectra.band(centre / SEMITONE, centre * SEMITONE)
        levels = power_to_db(band[audible])
        frames_here = semitone == number
        come_and_go += int(frames_here.sum()) if _spread_db(levels) > COMES_AND_GOES_DB else 0
        if centre <= HIGHEST_RUMBLE_HZ and _is_steady_band(levels):
            weak = power_to_db(float(band.mean() / spectra.full_power.mean())) < WEAK_DB
            suspected = frames_here & (weak | (frames[:, BARE] > 0.0))
            found |= suspected & _is_unrelated(levels, level[audible])
            noise |= suspected & _is_noise(levels, spectra, audible, centre)
    tells = level[audible].std() >= LIVELY_DB or 2 * come_and_go >= np.count_nonzero(pitched)
    found = found | noise if tells else noise
    enough = np.count_nonzero(pitched & ~found) * HOP_SECONDS >= PITCHED_SECONDS_NEEDED
    return found if enough else np.zeros_like(found)


def _spread_db(band_db: FloatArray) -> float:
    """From the 10th to the 90th percentile; endless when the band is empty at times."""
    low, high = np.percentile(band_db, [10, 90])
    return float(high - low) if np.isfinite(low) else np.inf


def _is_steady_band(band_db: FloatArray) -> bool:
    """Whether a band's level hardly moves."""
    return bool(np.isfinite(band_db).all()) and _spread_db(band_db) <= STEADY_DB


def _is_unrelated(band_db: FloatArray, level_db: FloatArray) -> bool:
    """Whether a band's level does not move with the level of the part."""
    return bool(band_db.std() < 1e-6 or abs(np.corrcoef(band_db, level_db)[0, 1]) < UNRELATED)


def _is_noise(band_db: FloatArray, spectra: LowSpectra, audible: NDArray[Any], centre_hz: float) -> bool:
    """Whether a semitone either way of ``centre_hz`` never stands out, over time or over what lies beside it."""
    if band_db.max() - np.median(band_db) > NOISE_RISE_DB:
        return False
    away = np.abs(12.0 * np.log2(np.maximum(spectra.frequency_hz, LOWEST_HZ / 2.0) / centre_hz))
    near, far = FLANK_SEMITONES
    inside, flanks = away < 1.0, (away >= near) & (away < far)
    density = spectra.bins[audible][:, inside].mean(axis=1)
    beside = spectra.bins[audible][:, flanks].mean(axis=1)
    return bool((density < beside * db_to_power(LINE_DB)).all())


def _lasts(pitches: FloatArray) -> NDArray[Any]:
    """Whether a frame's pitch is that of a frame beside it: where a note gives way to the next it is not."""
    with np.errstate(invalid="ignore"):
        same = np.abs(1200.0 * np.log2(pitches[1:] / pitches[:-1])) <= SAME_NOTE_CENTS
    return np.asarray(np.concatenate([same, [False]]) | np.concatenate([[False], same]))


def _is_steady(pitches: FloatArray) -> bool:
    """Whether the middle four fifths of the pitches lie within ``STEADY_CENTS``."""
    low, high = np.percentile(pitches, [10, 90])
    return bool(1200.0 * np.log2(high / low) <= STEADY_CENTS)


def _say_pitched(pitches: FloatArray, share: float) -> LowestNote:
    # The nearest that was played: between two notes there may be none to take the median of.
    low = np.percentile(pitches, PITCH_PERCENTILE, method="nearest")
    # The percentile picks the note; the median of the frames on that note says how high it is.
    same = pitches[np.abs(1200.0 * np.log2(pitches / low)) <= SAME_NOTE_CENTS]
    seconds = len(pitches) * HOP_SECONDS
    evidence = f"{seconds:.0f} s with a pitch, {100.0 * share:.0f} % of the loud frames"
    return LowestNote(float(np.median(same)), PITCHED, evidence)


def _say_drum(drum: _Drum) -> LowestNote:
    evidence = f"the peak of {100.0 * drum.share:.0f} % of {drum.hits} hits"
    return LowestNote(drum.peak_hz, DRUM, evidence)


def _drum(signal: FloatArray, rate_hz: float) -> _Drum | None:
    """The peak that most hits share, or None without enough hits or such a peak."""
    hits = _hits(signal, rate_hz)
    bodies = _bodies(signal, rate_hz, hits)
    if len(bodies) < HITS_NEEDED:
        return None
    spectra, bin_hz = _body_spectra(bodies, rate_hz)
    first, last = int(LOWEST_HZ / bin_hz), int(HIGHEST_DRUM_HZ / bin_hz)
    common = np.median(spectra[:, first:last], axis=0)
    top = first + int(np.argmax(common))
    if top in (first, last - 1):
        return None
    peaks = np.array([bin_hz * top_of_peak(row, first + int(np.argmax(row[first:last]))) for row in spectra])
    near = (peaks > top * bin_hz / SEMITONE) & (peaks < top * bin_hz * SEMITONE)
    if near.mean() < PERSISTENT_SHARE:
        return None
    return _Drum(float(np.median(peaks[near])), len(bodies), float(near.mean()), _falls(signal, rate_hz, hits))


def _hits(signal: FloatArray, rate_hz: float) -> NDArray[Any]:
    power = frame_power(signal)
    return rises(power, round(0.03 * rate_hz), round(0.1 * rate_hz))


def _bodies(signal: FloatArray, rate_hz: float, hits: NDArray[Any]) -> list[FloatArray]:
    """What follows the attack of each hit, up to the next; hits too close to the next are left out."""
    if not len(hits):
        return []
    start, longest = _attack_seconds(signal, rate_hz, hits), round(BODY_SECONDS * rate_hz)
    ends = [*(hits[1:] - round(min(ATTACKS_SECONDS) * rate_hz)), len(signal)]
    bodies = []
    picked = np.unique(np.linspace(0, len(hits) - 1, MOST_HITS).astype(int))
    for hit, end in ((hits[number], ends[number]) for number in picked):
        first = int(hit) + round(start * rate_hz)
        last = min(first + longest, int(end))
        if last - first >= SHORTEST_BODY_SECONDS * rate_hz:
            bodies.append(signal[first:last])
    return bodies


def _attack_seconds(signal: FloatArray, rate_hz: float, hits: NDArray[Any]) -> float:
    """The latest of ``ATTACKS_SECONDS`` at which the hits still have a quarter of the power of the earliest."""
    span = round(FADE_IN_SECONDS * 3 * rate_hz)

    def power(seconds: float) -> float:
        firsts = hits + round(seconds * rate_hz)
        firsts = firsts[firsts + span <= len(signal)]
        if not len(firsts):
            return 0.0
        pieces = signal[firsts[:, None] + np.arange(span)].reshape(len(firsts), -1)
        return float(np.median((pieces**2).mean(axis=1)))

    least = 0.25 * power(min(ATTACKS_SECONDS))
    return next((seconds for seconds in ATTACKS_SECONDS if power(seconds) >= least), min(ATTACKS_SECONDS))


def _body_spectra(bodies: list[FloatArray], rate_hz: float) -> tuple[FloatArray, float]:
    """Power spectra ``(hits, bins)`` up to ``HIGHEST_DRUM_HZ``, strongest bin of all 1, and the width of a bin."""
    size = 8 * 2 ** round(np.log2(BODY_SECONDS * rate_hz))
    # The rest of a spectrum only counts where the strongest bin lies in it.
    bins = int(HIGHEST_DRUM_HZ * size / rate_hz) + 2
    spectra = []
    for first in range(0, len(bodies), BODIES_AT_ONCE):
        some = bodies[first : first + BODIES_AT_ONCE]
        padded = np.zeros((len(some), max(len(body) for body in some), bodies[0].shape[1]))
        for body, place in zip(some, padded, strict=True):
            window = _body_window(len(body), round(FADE_IN_SECONDS * rate_hz))[:, None]
            np.multiply(body - body.mean(axis=0), window, out=place[: len(body)])
        power = added_power(rfft(padded, size, axis=1))
        spectra.append(power[:, :bins] / np.maximum(power.max(axis=1, keepdims=True), 1e-30))
    return np.concatenate(spectra), rate_hz / size


@lru_cache(maxsize=32)
def _body_window(length: int, fade_in: int) -> FloatArray:
    """A short rise and a long fall: a dead drum has most of its body right after the attack."""
    fade_in = min(fade_in, length // 2)
    return np.concatenate(
        [get_window("hann", 2 * fade_in)[:fade_in], get_window("hann", 2 * (length - fade_in))[length - fade_in :]]
    )


def _falls(signal: FloatArray, rate_hz: float, hits: NDArray[Any]) -> bool:
    """Whether most hits fall from the start, and by enough before the next."""
    span = round(0.05 * rate_hz)
    power = uniform_filter1d(frame_power(signal), span, mode="constant")
    longest = round(FALL_WITHIN_SECONDS * rate_hz)
    fallen = []
    for hit, following in zip(hits, [*hits[1:], len(power)], strict=True):
        after = power[hit : min(int(following) - span, int(hit) + longest)]
        if len(after) < 4 * span:
            continue
        first = float(after[: 2 * span].max())
        half, last = (
            max(float(after[place - span : place].mean()), 1e-30) for place in (len(after) // 2, len(after))
        )
        fallen.append(power_to_db(first / half) >= HALF_FALL_DB and power_to_db(first / last) >= FALL_DB)
    return bool(fallen) and float(np.mean(fallen)) >= 0.5

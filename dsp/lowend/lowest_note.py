"""The lowest note of a part, or the note of a drum, and whether there is evidence enough to say.

A pitched part: the 5th percentile of the pitch over loud frames that have one. A drum: the strongest peak that
stands in the spectrum after the attack of most hits. Which of the two a part is follows from how it falls after each
beginning and how its pitch moves. Signals are audio at about 4 kHz (``mid_rate``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.core.scipy_signal import get_window
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.drum_note import SEMITONE, Drum, find_drum
from dsp.lowend.hum import without_hum
from dsp.lowend.low_spectrum import TOP_HZ, LowSpectra, LowSpectrum
from dsp.lowend.note_frames import (
    BARE,
    CLARITY,
    FRAME_SECONDS,
    HOP_SECONDS,
    LEAST_CLARITY,
    LEVEL,
    LOWEST_HZ,
    ONE_NOTE_CLARITY,
    PITCH_HZ,
    TOLERANCE,
    NoteFrames,
)
from dsp.lowend.onsets import loud_power

PITCHED, DRUM = "pitched", "drum"

PITCH_PERCENTILE = 5.0
LOUD_RANGE_DB = 12.0
"""Pitch is read in frames this near the part's loud level: tails, in which rumble takes over, do not vote."""
PITCHED_SECONDS_NEEDED = 1.0
PITCHED_FOR_SURE = 0.5
PITCHED_SHARE_NEEDED = 0.3
"""Share of the loud frames that must have a pitch."""

LOWER_FRAMES_NEEDED, LOWER_SHARE_NEEDED = 3, 0.01
"""So many short frames on one lower note, too few to settle it, are enough to spare it. In a long part a chord is
misread an octave low now and then, so they must also be this share of the frames with a pitch (judgement)."""
NOTHING_BUT_HUM_DB = -30.0
APART_SEMITONES = 1.5
"""In frames of an eighth of a second a gliding or fading bleed is read this far off."""
OVERTONES = (2, 3, 4)
HIGHEST_RUMBLE_HZ = 150.0
STEADY_DB = 11.0
"""Narrow noise in frames of a second wobbles by up to 11 dB from its 10th to its 90th percentile; notes come and go
by more."""
UNRELATED = 0.25
"""Correlation with the level of the part below which a tone does not belong to what is played."""
WEAK_DB = -12.0
OTHER_SEMITONES = 3
"""A note this far above another is told from it in a quarter of a second, at the pitch of a bass nearly so."""
NOTE_SECONDS = 0.256
COMES_WITH_DB = 7.0
"""Rumble is as strong under other notes and in pauses; noise that passes for a note is up by 4 to 6 dB there."""
FRAMES_NEEDED = 8
MOST_FRAMES = 200
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
    ``lower_hz`` is a lower note that the evidence does not rule out, NaN without one.
    ``apart`` says in words what sounds low in the part and is not of its notes: hum, bleed.
    """

    floor_hz: float
    kind: str = ""
    evidence: str = ""
    reason: str = ""
    apart: str = ""
    lower_hz: float = np.nan

    @property
    def offer_hz(self) -> float:
        """What a high-pass must spare: the lower of the two readings where the evidence allows two."""
        return self.lower_hz if np.isfinite(self.lower_hz) else self.floor_hz


@dataclass(frozen=True)
class LowSound:
    """What a note is looked for in: an unbroken stretch of low audio and what goes with it.

    ``signal`` is ``(samples, channels)`` at ``rate_hz``, ``full_power`` ``(samples,)`` the mean square over the full
    band beside each. ``frames`` are rows of ``NoteFrames``, also from before and after the stretch; ``starts`` are
    the samples of ``signal`` at which they begin.
    """

    signal: FloatArray
    full_power: FloatArray
    rate_hz: float
    frames: FloatArray
    starts: NDArray[Any]
    spectra: LowSpectra


def lowest_note(sound: LowSound) -> LowestNote:
    """Decide for one part, hum left out."""
    cleaned, hum = without_hum(sound.signal, sound.rate_hz)
    if np.isfinite(hum.frequency_hz):
        left = float((cleaned**2).mean() / (sound.signal**2).mean())
        if power_to_db(left) < NOTHING_BUT_HUM_DB:
            return replace(_lowest_note(sound), apart=f"nothing but one tone at {hum.frequency_hz:.0f} Hz")
        apart = f"hum at {hum.frequency_hz:.0f} Hz, {hum.level_dbfs:.0f} dBFS"
        found = _lowest_note(_with_signal(sound, cleaned))
        return replace(found, apart=f"{apart}; {found.apart}" if found.apart else apart)
    return _lowest_note(sound)


def _with_signal(sound: LowSound, cleaned: FloatArray) -> LowSound:
    """The same sound with ``cleaned`` as its signal: power, spectra and frames are computed from it."""
    channels = cleaned.shape[1]
    taken = ((sound.signal**2).sum(axis=1) - (cleaned**2).sum(axis=1)) / channels
    power = np.maximum(sound.full_power - taken, 0.0)
    spectrum = LowSpectrum(sound.rate_hz, channels)
    spectra = LowSpectra.of(spectrum.push(cleaned, power), spectrum.frequency_hz)
    frames = NoteFrames(sound.rate_hz, channels).push(cleaned)
    starts = np.arange(len(frames)) * round(HOP_SECONDS * sound.rate_hz)
    return LowSound(cleaned, power, sound.rate_hz, frames, starts, spectra)


def _lowest_note(sound: LowSound) -> LowestNote:
    whole = np.isfinite(sound.frames[:, LEVEL])
    frames, starts = sound.frames[whole], sound.starts[whole]
    loud = frames[:, LEVEL] >= loud_power(frames[:, LEVEL]) * db_to_power(-LOUD_RANGE_DB)
    loud &= frames[:, LEVEL] > 0.0
    if not loud.any() or not loud_power(frames[:, LEVEL]):
        return LowestNote(np.nan, reason="silent, or never above -60 dBFS")
    pitched = loud & (frames[:, CLARITY] >= LEAST_CLARITY) & np.isfinite(frames[:, PITCH_HZ])
    pitched &= (frames[:, CLARITY] >= ONE_NOTE_CLARITY) | _lasts(frames[:, PITCH_HZ])
    pitched &= ~_rumbles(frames, pitched, loud, starts, sound)
    drum = find_drum(sound.signal, sound.full_power, sound.rate_hz)
    apart = pitched & _apart(frames[:, PITCH_HZ], drum)
    loud, pitched = loud & ~apart, pitched & ~apart
    pitches = frames[pitched, PITCH_HZ]
    drum = drum if drum is not None and drum.hits else None
    return _decide(pitches, int(np.count_nonzero(loud)), drum)


def _decide(pitches: FloatArray, loud_frames: int, drum: Drum | None) -> LowestNote:
    """A pitched part, a drum, or why neither; ``pitches`` are those of the loud frames that have one."""
    share = len(pitches) / max(1, loud_frames)
    enough = len(pitches) * HOP_SECONDS >= PITCHED_SECONDS_NEEDED and share >= PITCHED_SHARE_NEEDED
    if drum is not None and drum.falls and (share < PITCHED_FOR_SURE or _is_steady(pitches)):
        if enough and _is_partial(drum.peak_hz, pitches):
            return _say_pitched(pitches, share, drum)
        return _say_drum(drum, pitches)
    if enough:
        return _say_pitched(pitches, share, drum)
    if drum is not None:
        return _say_drum(drum, pitches)
    if len(pitches) * HOP_SECONDS < PITCHED_SECONDS_NEEDED and loud_frames * HOP_SECONDS < 2.0:
        return LowestNote(np.nan, reason=f"only {loud_frames * HOP_SECONDS:.1f} s of loud sound")
    return LowestNote(np.nan, reason=f"no pitch in {100.0 * (1.0 - share):.0f} % of it and no low peak that stays")


def _lower(floor_hz: float, others_hz: FloatArray) -> float:
    """The lowest that several of ``others_hz`` agree on, where that is another note; NaN without one."""
    below = np.sort(others_hz[1200.0 * np.log2(others_hz / floor_hz) < -SAME_NOTE_CENTS])
    for lowest in below:
        same = below[np.abs(1200.0 * np.log2(below / lowest)) <= SAME_NOTE_CENTS]
        if len(same) >= max(LOWER_FRAMES_NEEDED, LOWER_SHARE_NEEDED * len(others_hz)):
            return float(np.median(same))
    return np.nan


def _apart(pitches: FloatArray, drum: Drum | None) -> NDArray[Any]:
    """Which pitches lie under a drum's own and belong to what its hits do not begin with: bleed or hum."""
    if drum is None or not drum.falls or not len(drum.apart_hz):
        return np.zeros(len(pitches), dtype=bool)
    with np.errstate(invalid="ignore"):
        away = np.abs(12.0 * np.log2(pitches[:, None] / drum.apart_hz)).min(axis=1)
        return np.asarray((away <= APART_SEMITONES) & ~(pitches >= drum.peak_hz / SEMITONE))


def _is_partial(peak_hz: float, pitches: FloatArray) -> bool:
    """Whether a peak is a low partial, but not the first, of what is played: a string with a weak fundamental."""
    number = peak_hz / float(np.median(pitches))
    return round(number) in OVERTONES and abs(number / round(number) - 1.0) < TOLERANCE


def _rumbles(
    frames: FloatArray, pitched: NDArray[Any], loud: NDArray[Any], starts: NDArray[Any], sound: LowSound
) -> NDArray[Any]:
    """Frames whose low pitch goes on at one level whatever the part plays: rumble or hum, not a note.

    Only what is bare or weak is suspected: a drone with partials of its own is a note. In a part whose level stands
    still, its notes must come and go instead; but what never is more than a band of noise is no note in any part.
    """
    found, noise = np.zeros((2, len(frames)), dtype=bool)
    spectra = sound.spectra
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
            others = ~loud | (pitched & (semitone >= number + OTHER_SEMITONES))
            if not suspected.any() or _comes_with_its_frames(sound, starts, frames_here, others, centre):
                continue
            found |= suspected & _is_unrelated(levels, level[audible])
            noise |= suspected & _is_noise(levels, spectra, audible, centre)
    tells = level[audible].std() >= LIVELY_DB or 2 * come_and_go >= np.count_nonzero(pitched)
    found = found | noise if tells else noise
    enough = np.count_nonzero(pitched & ~found) * HOP_SECONDS >= PITCHED_SECONDS_NEEDED
    return found if enough else np.zeros_like(found)


def _comes_with_its_frames(
    sound: LowSound, starts: NDArray[Any], here: NDArray[Any], others: NDArray[Any], centre_hz: float
) -> bool:
    """Whether a tone is stronger in the frames that have its pitch than in pauses and under higher notes.

    Rows of a second cannot tell: in a run of quick notes each of them holds the lowest.
    """
    length, reach = round(NOTE_SECONDS * sound.rate_hz), round((NOTE_SECONDS - FRAME_SECONDS) / 2.0 * sound.rate_hz)
    first = starts - reach
    inside = (first >= 0) & (first + length <= len(sound.signal))
    here, others = np.flatnonzero(here & inside), np.flatnonzero(others & inside)
    if len(here) < FRAMES_NEEDED or len(others) < FRAMES_NEEDED:
        return False
    turning = np.exp(-2j * np.pi * centre_hz / sound.rate_hz * np.arange(length)) * get_window("hann", length)

    def usual_db(numbers: NDArray[Any]) -> float:
        picked = numbers[np.unique(np.linspace(0, len(numbers) - 1, MOST_FRAMES).astype(int))]
        pieces = sound.signal[first[picked][:, None] + np.arange(length)]
        power = (np.abs(np.einsum("fsc,s->fc", pieces, turning)) ** 2).sum(axis=1)
        return power_to_db(max(float(np.median(power)), 1e-30))

    return usual_db(here) - usual_db(others) >= COMES_WITH_DB


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


def _say_pitched(pitches: FloatArray, share: float, drum: Drum | None = None) -> LowestNote:
    # The nearest that was played: between two notes there may be none to take the median of.
    low = np.percentile(pitches, PITCH_PERCENTILE, method="nearest")
    # The percentile picks the note; the median of the frames on that note says how high it is.
    same = pitches[np.abs(1200.0 * np.log2(pitches / low)) <= SAME_NOTE_CENTS]
    seconds, floor_hz = len(pitches) * HOP_SECONDS, float(np.median(same))
    evidence = f"{seconds:.0f} s with a pitch, {100.0 * share:.0f} % of the loud frames"
    lower_hz = _lower(floor_hz, pitches)
    if drum is not None and drum.peak_hz < floor_hz / SEMITONE:
        lower_hz = min(drum.peak_hz, lower_hz if np.isfinite(lower_hz) else np.inf)
    return LowestNote(floor_hz, PITCHED, evidence, lower_hz=lower_hz)


def _say_drum(drum: Drum, pitches: FloatArray) -> LowestNote:
    evidence = f"the peak of {100.0 * drum.share:.0f} % of {drum.hits} hits"
    return LowestNote(drum.peak_hz, DRUM, evidence, "", _bleed(drum), _lower(drum.peak_hz, pitches))


def _bleed(drum: Drum) -> str:
    """What softer hits sound like, where that is another drum; empty where it is not."""
    if not drum.soft_hits or not len(drum.apart_hz):
        return ""
    hertz, under = float(np.median(drum.apart_hz)), abs(drum.soft_db)
    return f"bleed near {hertz:.0f} Hz, {drum.soft_hits} hits {under:.0f} dB under its own"

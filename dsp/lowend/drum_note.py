"""The strongest low peak that most hits of a part share, with what sounds apart from those hits told from it.

A microphone on a drum hears the others too, and hum. So only hits near the level of the loud ones vote, and what
their spectrum holds no more of than softer hits, or than the moments just before, is taken away first: it does not
begin with the hit. Signals are audio at about 4 kHz, ``(samples, channels)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from dsp.core.scipy_signal import find_peaks, get_window
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power, power_to_db
from dsp.lowend.low_spectrum import BOTTOM_HZ
from dsp.lowend.note_frames import LOWEST_HZ, top_of_peak
from dsp.lowend.onsets import frame_power, rises
from dsp.lowend.periodicity import added_power

HITS_NEEDED = 4
MOST_HITS = 64
"""Largest number of hits analysed, evenly picked; more do not change the result."""
SOFT_DB = 9.0
"""A hit this far below the loud ones has no vote. Bleed lies further down (common practice, no source)."""
GAP_WITHIN_DB = (-3.0, -14.0)
LEAST_GAP_DB = 3.0
"""When hits form two groups with at least this gap in level, hits below the gap are soft."""
LOUD_SHARE = 0.05
"""Loud hits are those near the level that one hit in twenty, and at least ``HITS_NEEDED``, reaches."""
LEVEL_SECONDS = 0.01
LEVEL_APART_SECONDS = 0.1
LEVEL_WITHIN_SECONDS = 0.06
PAUSE_DB = 6.0
"""Sound before a hit is background, not the previous note, if it is this much softer than the bodies of hits."""
BACKGROUND_MARGIN = 2.0
"""A bin less than this above the background is background: two tones of one pitch beat by as much."""
LEAST_LEFT = 0.01
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
ATTACK_OVER_SECONDS = 0.1
CLEAR_NEEDED = 4
FALL_DB = 6.0
HALF_FALL_DB = 2.0
FALL_WITHIN_SECONDS = 1.0
"""A drum falls all the way to its next hit, or for a second; a held note stays up for half of that."""


@dataclass(frozen=True)
class Drum:
    """``peak_hz`` is that of ``share`` of the ``hits`` that vote; ``falls`` says whether they die away.

    ``apart_hz`` are strongest peaks of softer hits and of pauses that no hit begins with: bleed, hum, rumble.
    ``soft_hits`` of them are hits, ``soft_db`` (negative) is their level against the loud ones.
    """

    peak_hz: float
    hits: int
    share: float
    falls: bool
    apart_hz: FloatArray
    soft_hits: int = 0
    soft_db: float = float("nan")


@dataclass(frozen=True)
class Hits:
    """Frames at which hits begin, all of them, and which of them are loud enough to vote."""

    begins: NDArray[Any]
    loud: NDArray[Any]
    level_db: FloatArray

    @property
    def loud_begins(self) -> NDArray[Any]:
        """Frames at which loud hits begin."""
        return np.asarray(self.begins[self.loud])


def find_hits(signal: FloatArray, full_power: FloatArray, rate_hz: float) -> Hits:
    """All hits of a part, and which are loud; ``full_power`` ``(samples,)`` is its mean square over the full band."""
    begins = rises(frame_power(signal), round(0.03 * rate_hz), round(0.1 * rate_hz))
    if not len(begins):
        return Hits(begins, np.zeros(0, dtype=bool), np.empty(0))
    # Full band, so that snare wires and cymbals count: the level gap to bleed is the audible one.
    smooth = uniform_filter1d(full_power, max(1, round(LEVEL_SECONDS * rate_hz)), mode="constant")
    level = power_to_db(np.maximum(smooth, 1e-30))
    tops, _ = find_peaks(level, distance=max(1, round(LEVEL_APART_SECONDS * rate_hz)))
    loudest = np.sort(level[tops])[::-1] if len(tops) else np.sort(level)[::-1][:1]
    reference = loudest[min(len(loudest), max(HITS_NEEDED, round(LOUD_SHARE * len(loudest)))) - 1]
    within = max(1, round(LEVEL_WITHIN_SECONDS * rate_hz))
    # The window runs from each frame onwards.
    ahead = maximum_filter1d(level, within, mode="nearest", origin=-(within // 2))[begins]
    return Hits(begins, ahead - reference >= _least_loud_db(ahead - reference), ahead - reference)


def _least_loud_db(level_db: FloatArray) -> float:
    """The level from which hits are loud: in the widest gap between loud and soft ones, or ``SOFT_DB`` down."""
    highest, lowest = GAP_WITHIN_DB
    steps = np.sort(level_db)[::-1]
    gaps, middles = steps[:-1] - steps[1:], 0.5 * (steps[:-1] + steps[1:])
    gaps[(middles > highest) | (middles < lowest)] = 0.0
    widest = int(np.argmax(gaps)) if len(gaps) else -1
    return float(middles[widest]) if widest >= 0 and gaps[widest] >= LEAST_GAP_DB else -SOFT_DB


def find_drum(signal: FloatArray, full_power: FloatArray, rate_hz: float) -> Drum | None:
    """The peak that most loud hits share; None without enough hits or such a peak.

    A part whose hits are all soft beside what is heard of it above ``signal`` has no peak, only ``apart_hz``.
    """
    hits = find_hits(signal, full_power, rate_hz)
    attack = _attack_seconds(signal, rate_hz, hits.loud_begins if hits.loud.any() else hits.begins)
    bodies = _bodies(signal, rate_hz, hits, hits.loud, attack)
    softer = _bodies(signal, rate_hz, hits, ~hits.loud, attack)
    apart = [*softer, *_before(signal, rate_hz, hits, bodies)]
    background, bin_hz = _body_spectra(apart, rate_hz)
    ends = int(LOWEST_HZ / bin_hz), int(HIGHEST_DRUM_HZ / bin_hz)
    beside = _peaks(background, *ends, bin_hz)
    if len(bodies) < HITS_NEEDED:
        no_peak = Drum(float("nan"), 0, 0.0, True, beside, *_softness(hits))
        return no_peak if len(softer) >= HITS_NEEDED and not hits.loud.any() else None
    own = _without(_body_spectra(bodies, rate_hz)[0], background)
    common = np.median(own[:, ends[0] : ends[1]], axis=0)
    top = ends[0] + int(np.argmax(common))
    if top in (ends[0], ends[1] - 1):
        return None
    peaks = _peaks(own, *ends, bin_hz)
    near = _near(peaks, top * bin_hz)
    if near.mean() < PERSISTENT_SHARE:
        return None
    beside = beside[~np.array([_near(peaks, peak).any() for peak in beside], dtype=bool)]
    peak_hz, falls = float(np.median(peaks[near])), _falls(signal, rate_hz, hits)
    return Drum(peak_hz, len(bodies), float(near.mean()), falls, beside, *_softness(hits))


def _softness(hits: Hits) -> tuple[int, float]:
    """How many hits are soft, and their level against the loud ones; NaN without any."""
    soft = hits.level_db[~hits.loud]
    return len(soft), float(np.median(soft)) if len(soft) else float("nan")


def _peaks(spectra: FloatArray, first: int, last: int, bin_hz: float) -> FloatArray:
    """Frequency of the strongest peak of each spectrum between two bins."""
    return np.array([bin_hz * top_of_peak(row, first + int(np.argmax(row[first:last]))) for row in spectra])


def _near(peaks_hz: FloatArray, frequency_hz: float) -> NDArray[Any]:
    """Which lie within a semitone."""
    return np.asarray((peaks_hz > frequency_hz / SEMITONE) & (peaks_hz < frequency_hz * SEMITONE))


def _without(spectra: FloatArray, background: FloatArray) -> FloatArray:
    """Power spectra of hits less what also sounds apart from them, each scaled to a strongest bin of 1."""
    if not len(background):
        background = np.zeros((1, spectra.shape[1]))
    usual = BACKGROUND_MARGIN * np.percentile(background, 90, axis=0)
    own = np.maximum(spectra - usual, LEAST_LEFT * spectra)
    return np.asarray(own / np.maximum(own.max(axis=1, keepdims=True), 1e-30))


def _bodies(
    signal: FloatArray, rate_hz: float, hits: Hits, wanted: NDArray[Any], attack_seconds: float
) -> list[FloatArray]:
    """What follows the attack of each wanted hit, up to the next; hits too close to the next are left out."""
    longest = round(BODY_SECONDS * rate_hz)
    ends = [*(hits.begins[1:] - round(min(ATTACKS_SECONDS) * rate_hz)), len(signal)]
    bodies = []
    for number in _some(np.flatnonzero(wanted)):
        first = int(hits.begins[number]) + round(attack_seconds * rate_hz)
        last = min(first + longest, int(ends[number]))
        if last - first >= SHORTEST_BODY_SECONDS * rate_hz:
            bodies.append(signal[first:last])
    return bodies


def _before(signal: FloatArray, rate_hz: float, hits: Hits, bodies: list[FloatArray]) -> list[FloatArray]:
    """What lies just before each loud hit, back to halfway to the hit before, where it is much softer than a body."""
    margin = round(min(ATTACKS_SECONDS) * rate_hz)
    longest = round(BODY_SECONDS * rate_hz)
    halfway = np.concatenate([[0], (hits.begins[:-1] + hits.begins[1:]) // 2])
    most = float(np.median([(body**2).mean() for body in bodies])) * db_to_power(-PAUSE_DB) if bodies else 0.0
    pieces = []
    for number in _some(np.flatnonzero(hits.loud)):
        last = int(hits.begins[number]) - margin
        first = max(last - longest, int(halfway[number]))
        piece = signal[first : max(first, last)]
        if len(piece) >= SHORTEST_BODY_SECONDS * rate_hz and (piece**2).mean() <= most:
            pieces.append(piece)
    return pieces


def _some(numbers: NDArray[Any]) -> NDArray[Any]:
    """At most ``MOST_HITS``, evenly picked."""
    if not len(numbers):
        return numbers
    return np.asarray(numbers[np.unique(np.linspace(0, len(numbers) - 1, MOST_HITS).astype(int))])


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
    """Power spectra ``(hits, bins)`` up to ``HIGHEST_DRUM_HZ``, and the width of a bin."""
    size = 8 * 2 ** round(np.log2(BODY_SECONDS * rate_hz))
    # The rest of a spectrum only counts where the strongest bin lies in it.
    bins = int(HIGHEST_DRUM_HZ * size / rate_hz) + 2
    spectra = [np.empty((0, bins))]
    for first in range(0, len(bodies), BODIES_AT_ONCE):
        some = bodies[first : first + BODIES_AT_ONCE]
        padded = np.zeros((len(some), max(len(body) for body in some), bodies[0].shape[1]))
        for body, place in zip(some, padded, strict=True):
            window = _body_window(len(body), round(FADE_IN_SECONDS * rate_hz))[:, None]
            np.multiply(body - body.mean(axis=0), window, out=place[: len(body)])
        spectra.append(added_power(rfft(padded, size, axis=1))[:, :bins])
    return np.concatenate(spectra), rate_hz / size


@lru_cache(maxsize=32)
def _body_window(length: int, fade_in: int) -> FloatArray:
    """A short rise and a long fall: a dead drum has most of its body right after the attack."""
    fade_in = min(fade_in, length // 2)
    return np.concatenate(
        [get_window("hann", 2 * fade_in)[:fade_in], get_window("hann", 2 * (length - fade_in))[length - fade_in :]]
    )


def _falls(signal: FloatArray, rate_hz: float, hits: Hits) -> bool:
    """Whether most loud hits fall from the start, and by enough before the next."""
    span = round(0.05 * rate_hz)
    power = uniform_filter1d(frame_power(signal), span, mode="constant")
    longest = round(FALL_WITHIN_SECONDS * rate_hz)
    fallen = []
    for number in np.flatnonzero(hits.loud):
        hit, following = hits.begins[number], np.append(hits.begins, len(power))[number + 1]
        after = power[hit : min(int(following) - span, int(hit) + longest)]
        if len(after) < 4 * span:
            continue
        first = float(after[: 2 * span].max())
        half, last = (
            max(float(after[place - span : place].mean()), 1e-30) for place in (len(after) // 2, len(after))
        )
        fallen.append(power_to_db(first / half) >= HALF_FALL_DB and power_to_db(first / last) >= FALL_DB)
    return bool(fallen) and float(np.mean(fallen)) >= 0.5


def share_apart(signal: FloatArray, full_power: FloatArray, rate_hz: float, top_hz: float) -> float:
    """Share, 0 to 1, of the energy under ``top_hz`` that would be there without the attacks of loud hits.

    A hit that glides or dies away quickly spreads under its own pitch for a moment: that is no rumble.
    """
    hits = find_hits(signal, full_power, rate_hz).loud_begins
    length = round(BODY_SECONDS * rate_hz)
    if not len(hits) or len(signal) < length:
        return 1.0
    firsts = np.arange(0, len(signal) - length + 1, length // 4)
    next_hit = np.append(hits, len(signal) + length)[
        np.searchsorted(hits, firsts - round(ATTACK_OVER_SECONDS * rate_hz))
    ]
    clear = next_hit >= firsts + length
    if np.count_nonzero(clear) < CLEAR_NEEDED:
        return 1.0
    window = get_window("hann", length)[:, None]
    bin_hz = rate_hz / length
    bins = slice(max(1, round(BOTTOM_HZ / bin_hz)), max(2, int(np.ceil(top_hz / bin_hz))))
    under = np.array(
        [(np.abs(rfft(signal[first : first + length] * window, axis=0)[bins]) ** 2).sum() for first in firsts]
    )
    return float(min(1.0, under[clear].mean() / max(under.mean(), 1e-30)))

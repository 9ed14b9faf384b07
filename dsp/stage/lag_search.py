"""Finds the lag of a pair that is followed live, and checks that a piece still has it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from dsp.core.lag import SURE_CORRELATION
from dsp.core.types import FloatArray
from dsp.stage.alignment import CLEAR_CORRELATION, NOT_RELATED, Alignment, line_up, overlapping

Sound = NDArray[np.float32]

COARSE_HZ = 6000
FINE_SECONDS = 2.0
NEAR_COARSE = 8
"""The lag is looked for again at full rate within so many coarse frames."""
SURE_AT_ONCE = 0.8
"""Correlation that a lag needs while more sound is to come (judgement)."""
AS_WELL, MOST_OF_STRETCH = 0.97, 0.6
"""Lags that correlate nearly as well are rivals; a lag is compared over 40 % of the stretch or more (judgement)."""
TINY = 1e-30
TELLS = 0.3
"""Correlation from which a channel tells its polarity (judgement)."""
STILL, NEIGHBOUR = 0.9, 2
"""A piece keeps its lag without a search while its correlation there is at least 0.9 times the usual one, and lower
two frames to either side (judgement)."""
FLAT_FROM_HZ = 4000.0
"""Up to here differences from frame to frame are compared: in the lows, where most power is, a lag shows least."""


@dataclass(frozen=True)
class CoarseLag:
    """A lag in frames of the low rate, with the correlation there, 0 to 1. ``alone`` where no other fits as well."""

    frames: int
    correlation: float
    alone: bool


def search(before: FloatArray, after: FloatArray, rate_hz: int, longest: int, *, last: bool = True) -> Alignment:
    """The alignment of two stretches ``(frames, channels)``: first at a low rate, then to a fraction of a frame.

    Where a longer stretch may come, ``last`` is False: then the lag must correlate better, and be the only one. Of
    several that fit as well, as a beat or a note has, the shortest is taken at last.
    """
    factor = max(1, rate_hz // COARSE_HZ)
    best = _coarse(before, after, factor, longest)
    if best.correlation < SURE_CORRELATION or not (last or (best.alone and best.correlation >= SURE_AT_ONCE)):
        return NOT_RELATED
    whole = best.frames * factor
    first, second = overlapping(before, after, whole)
    newest = slice(-round(FINE_SECONDS * rate_hz), None)
    near = min(NEAR_COARSE * factor, len(first) - 1)
    found = line_up(first[newest], second[newest], near)
    if not found.related:
        return NOT_RELATED
    return Alignment(whole + found.lag_frames, found.correlation, found.inverted, related=True)


def lag_of_lows(before: FloatArray, after: FloatArray, rate_hz: int, longest: int) -> tuple[int, float]:
    """The best lag of a channel at a low rate, up to ``longest`` frames either way, and the correlation, 0 to 1."""
    factor = max(1, rate_hz // COARSE_HZ)
    lag = _coarse(before, after, factor, longest)
    return lag.frames * factor, lag.correlation


def _coarse(before: FloatArray, after: FloatArray, factor: int, longest: int) -> CoarseLag:
    """The lag of the channel that correlates best; by differences too, as ``line_up``."""
    slow = [_decimated(side, factor) for side in (before, after)]
    plain = _best(slow[0], slow[1], longest // factor)
    if plain.alone and plain.correlation >= CLEAR_CORRELATION:
        return plain
    steep = _best(np.diff(slow[0], axis=0), np.diff(slow[1], axis=0), longest // factor)
    sure = [lag for lag in (plain, steep) if lag.alone and lag.correlation >= SURE_CORRELATION]
    return max(sure or [plain, steep], key=lambda lag: lag.correlation)


def _best(before: FloatArray, after: FloatArray, longest: int) -> CoarseLag:
    lags = [_of_channel(before[:, c], after[:, c], longest) for c in range(before.shape[1])]
    return max(lags, key=lambda lag: lag.correlation)


def _of_channel(first: FloatArray, second: FloatArray, longest: int) -> CoarseLag:
    """Of one channel ``(frames,)``. Each lag is compared over what overlaps, or a long one would seem worse."""
    energy = float(np.sqrt((first @ first) * (second @ second)))
    longest = min(longest, int(MOST_OF_STRETCH * len(first)))
    if not energy > 0.0:
        return CoarseLag(0, 0.0, alone=False)
    size = next_fast_len(len(first) + longest + 1, real=True)
    circular = irfft(np.conj(rfft(first, size)) * rfft(second, size), size)
    values = np.abs(np.concatenate([circular[size - longest :], circular[: longest + 1]])) / energy
    lags = np.arange(-longest, longest + 1)
    values /= 1.0 - np.abs(lags) / len(first)
    rivals = lags[values >= AS_WELL * values.max()]
    alone = int(rivals[-1] - rivals[0]) <= 2 * NEAR_COARSE
    shortest = rivals[np.argmin(np.abs(rivals))] + longest
    begin = 0 if alone else max(0, shortest - NEAR_COARSE)
    end = len(values) if alone else shortest + NEAR_COARSE + 1
    best = begin + int(np.argmax(values[begin:end]))
    return CoarseLag(int(lags[best]), min(1.0, float(values[best])), alone)


def _decimated(sound: FloatArray, factor: int) -> FloatArray:
    """Means of ``factor`` frames each; aliases are alike on both sides."""
    whole = len(sound) // factor * factor
    return np.asarray(sound[:whole].reshape(-1, factor, sound.shape[1]).mean(axis=1))


@dataclass(frozen=True)
class Fit:
    """How a lined-up piece fits: correlation ``here``, at the lag it should have, and ``best`` at ``offset`` frames.

    ``inverted`` is the polarity of each channel, that of ``usual`` where a channel does not tell.
    """

    here: float
    best: float
    offset: int
    inverted: tuple[bool, ...]


class PieceCheck:
    """Checks pieces of ``frames`` frames for lags up to ``longest`` either way."""

    def __init__(self, rate_hz: int, frames: int, longest: int) -> None:
        self._longest = longest
        self._size = next_fast_len(frames + longest, real=True)
        weights = FLAT_FROM_HZ / np.maximum(rfftfreq(self._size, 1.0 / rate_hz), FLAT_FROM_HZ)
        self._weights = (weights**2).astype(np.float32)
        self._usual = 1.0

    def fit(self, first: Sound, second: Sound, usual: tuple[bool, ...], home: int) -> Fit:
        """Of a piece ``(channels, frames)`` each, whose best lag is usually at ``home`` frames."""
        # Differences before the piece is cut out: weighted afterwards, its ends would outweigh the sound.
        one, other = np.diff(first), np.diff(second)
        powers = np.einsum("cf,cf->c", one, one) * np.einsum("cf,cf->c", other, other)
        channel, room = int(np.argmax(powers)), abs(home) + NEIGHBOUR
        inside, late = one[:, room:-room], other[:, room + home : other.shape[1] - room + home]
        tells = np.einsum("cf,cf->c", inside, late) / np.sqrt(np.maximum(powers, TINY))
        inverted = tuple(
            bool(tell < 0.0) if abs(tell) > TELLS else was for tell, was in zip(tells, usual, strict=True)
        )
        here = _at_home(one[channel], other[channel], home)
        if here >= STILL * self._usual:
            return Fit(here, here, home, inverted)
        found = self._whole(one[channel], other[channel], home)
        if found.best == found.here:
            self._usual = here if here > 0.0 else self._usual
        return Fit(found.here, found.best, found.offset, inverted)

    def _whole(self, first: Sound, second: Sound, home: int) -> Fit:
        """By the correlation at every lag."""
        spectra = rfft(np.stack([first, second]), self._size)
        powers = (np.square(np.abs(spectra)) @ self._weights) * (2.0 / self._size)
        correlation = irfft(np.conj(spectra[0]) * spectra[1] * self._weights, self._size)
        correlation = np.concatenate([correlation[-self._longest :], correlation[: self._longest + 1]])
        values = np.abs(correlation) / np.sqrt(max(float(powers[0] * powers[1]), TINY))
        best, here = int(np.argmax(values)), home + self._longest
        near = float(values[max(0, here - 1) : here + 2].max())
        return Fit(near, float(values[best]), best - self._longest, ())


def _at_home(one: Sound, other: Sound, home: int) -> float:
    """Correlation at the usual lag; 0 where it is higher a few frames away."""
    room = abs(home) + NEIGHBOUR
    one = one[room:-room]
    sides = [other[room + home + near :][: len(one)] for near in (-NEIGHBOUR, 0, NEIGHBOUR)]
    before, here, after = (abs(float(one @ side)) for side in sides)
    if here < max(before, after):
        return 0.0
    return here / float(np.sqrt(max(float(one @ one) * float(sides[1] @ sides[1]), TINY)))

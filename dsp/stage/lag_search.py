"""Finds the lag of a pair that is followed live, and checks that a piece still has it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from dsp.core.lag import Lag, find_lag
from dsp.core.types import FloatArray
from dsp.stage.alignment import CLEAR_CORRELATION, NOT_RELATED, Alignment, line_up, overlapping

Sound = NDArray[np.float32]

COARSE_HZ = 6000
FINE_SECONDS = 2.0
NEAR_COARSE = 8
"""The lag is looked for again at full rate within so many coarse frames."""
SURE_WITHIN_SECONDS = 2.0
SURE_AT_ONCE = 0.8
"""Correlation that a lag needs over a shorter stretch: a beat that repeats fits at several (judgement)."""
TINY = 1e-30
TELLS = 0.3
"""Correlation from which a channel tells its polarity (judgement)."""
STILL, NEIGHBOUR = 0.9, 2
"""A piece that still has so much of the usual correlation, and less two frames to either side, needs no search."""
FLAT_FROM_HZ = 4000.0
"""Below, cross-spectra are weighted by frequency: music has most power in the lows, where a lag shows least."""


def search(before: FloatArray, after: FloatArray, rate_hz: int, longest: int) -> Alignment:
    """The alignment of two stretches ``(frames, channels)``: first at a low rate, then to a fraction of a frame.

    A stretch of less than two seconds must correlate better.
    """
    factor = max(1, rate_hz // COARSE_HZ)
    best = _coarse(before, after, factor, longest)
    least = 0.0 if len(before) >= SURE_WITHIN_SECONDS * rate_hz else SURE_AT_ONCE
    if not best.sure or abs(best.correlation) < least:
        return NOT_RELATED
    whole = round(best.frames * factor)
    first, second = overlapping(before, after, whole)
    newest = slice(-round(FINE_SECONDS * rate_hz), None)
    near = min(NEAR_COARSE * factor, len(first) - 1)
    found = line_up(first[newest], second[newest], near)
    if not found.related:
        return NOT_RELATED
    return Alignment(whole + found.lag_frames, found.correlation, found.inverted, related=True)


def nearest(before: FloatArray, after: FloatArray, rate_hz: int, longest: int) -> float:
    """Highest correlation of a channel at a low rate, at any lag up to ``longest`` frames either way, 0 to 1."""
    return abs(_coarse(before, after, max(1, rate_hz // COARSE_HZ), longest).correlation)


def _coarse(before: FloatArray, after: FloatArray, factor: int, longest: int) -> Lag:
    """The lag of the channel that correlates best, in frames of the low rate; by differences too, as ``line_up``."""
    slow = [_decimated(side, factor) for side in (before, after)]
    plain = _best(slow[0], slow[1], longest // factor)
    if abs(plain.correlation) >= CLEAR_CORRELATION:
        return plain
    steep = _best(np.diff(slow[0], axis=0), np.diff(slow[1], axis=0), longest // factor)
    return max(plain, steep, key=lambda lag: abs(lag.correlation))


def _best(before: FloatArray, after: FloatArray, longest: int) -> Lag:
    lags = [find_lag(before[:, [c]], after[:, [c]], longest) for c in range(before.shape[1])]
    return max(lags, key=lambda lag: abs(lag.correlation))


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
        weights = np.minimum(rfftfreq(self._size, 1.0 / rate_hz), FLAT_FROM_HZ) / FLAT_FROM_HZ
        self._weights = (weights**2).astype(np.float32)
        self._usual = 1.0

    def fit(self, first: Sound, second: Sound, usual: tuple[bool, ...], home: int) -> Fit:
        """Of a piece ``(channels, frames)`` each, whose best lag is usually at ``home`` frames."""
        powers = np.stack([np.einsum("cf,cf->c", side, side) for side in (first, second)])
        tells = np.einsum("cf,cf->c", first, second) / np.sqrt(np.maximum(powers[0] * powers[1], TINY))
        inverted = tuple(
            bool(tell < 0.0) if abs(tell) > TELLS else was for tell, was in zip(tells, usual, strict=True)
        )
        channel = int(np.argmax(powers[0] * powers[1]))
        here = _at_home(first[channel], second[channel], home)
        if here >= STILL * self._usual:
            return Fit(here, here, home, inverted)
        found = self._whole(first[channel], second[channel], home)
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


def _at_home(first: Sound, second: Sound, home: int) -> float:
    """Correlation of what changes from frame to frame at the usual lag; 0 where it is higher a few frames away."""
    room = abs(home) + NEIGHBOUR
    one, other = np.diff(first[room:-room]), np.diff(second)
    places = [room + home + near for near in (-NEIGHBOUR, 0, NEIGHBOUR)]
    before, here, after = (abs(float(one @ other[place : place + len(one)])) for place in places)
    if here < max(before, after):
        return 0.0
    same = other[places[1] : places[1] + len(one)]
    return here / float(np.sqrt(max(float(one @ one) * float(same @ same), TINY)))

"""Lag, polarity and order of the sound before and after a stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from dsp.core.lag import find_lag
from dsp.core.types import FloatArray

Sound = TypeVar("Sound", FloatArray, NDArray[np.float32])

CLEAR_CORRELATION = 0.9
"""From here on the sound as it is tells the lag (judgement)."""
FINE_STEPS = 16
"""Points between two frames at which the cross-correlation is worked out."""
NEAR_FRAMES = 4
"""The lag of the highs may lie so far from that of all the sound, within the phase of a filter."""


@dataclass(frozen=True)
class Alignment:
    """``lag_frames`` (with a fraction) is positive when the second signal is late.

    ``correlation`` is that of the best channel at this lag, 0 to 1. ``inverted`` says for each channel whether its
    polarity is opposite. The two are not ``related`` where no channel correlates.
    """

    lag_frames: float
    correlation: float
    inverted: tuple[bool, ...]
    related: bool


NOT_RELATED = Alignment(0.0, 0.0, (), related=False)


def line_up(before: FloatArray, after: FloatArray, longest: int) -> Alignment:
    """The lag of ``after`` against ``before``, two signals ``(frames, channels)`` of one shape.

    Lags up to ``longest`` frames either way are tried, each channel by itself: one with opposite polarity would
    cancel the others. Where the sound as it is does not correlate clearly, its differences from frame to frame are
    tried as well: a high-pass takes the lows, most of the power, and turns their phase. Raises ValueError for unequal
    shapes.
    """
    plain = _line_up(before, after, longest)
    if plain.correlation >= CLEAR_CORRELATION or len(before) < 2:
        return plain
    steep = _line_up(np.diff(before, axis=0), np.diff(after, axis=0), longest)
    return max(plain, steep, key=lambda found: found.correlation)


def _line_up(before: FloatArray, after: FloatArray, longest: int) -> Alignment:
    lags = [find_lag(before[:, [column]], after[:, [column]], longest) for column in range(before.shape[1])]
    best = max(range(len(lags)), key=lambda column: abs(lags[column].correlation))
    if not lags[best].sure:
        return NOT_RELATED
    whole = round(lags[best].frames)
    first, second = overlapping(before, after, whole)
    gains = np.einsum("fc,fc->c", first, second)
    return Alignment(
        whole + _fraction(first[:, best], second[:, best]),
        abs(lags[best].correlation),
        tuple(bool(gain < 0.0) for gain in gains),
        related=True,
    )


def overlapping(before: Sound, after: Sound, lag_frames: int) -> tuple[Sound, Sound]:
    """The frames of both that belong together when ``after`` is so many frames late; views of equal length."""
    first, second = before[max(0, -lag_frames) :], after[max(0, lag_frames) :]
    frames = min(len(first), len(second))
    return first[:frames], second[:frames]


def _fraction(first: FloatArray, second: FloatArray) -> float:
    """Where the band-limited cross-correlation is highest, within a few frames of a lag of 0.

    Of differences from frame to frame: in the lows, most of the power, a filter's phase is worth more than a frame.
    """
    size = next_fast_len(2 * len(first), real=True)
    radians = 2.0 * np.pi * rfftfreq(size)
    product = np.conj(rfft(first, size)) * rfft(second, size) * (2.0 - 2.0 * np.cos(radians))
    near = irfft(product, size)[np.arange(-NEAR_FRAMES, NEAR_FRAMES + 1)]
    whole = int(np.argmax(np.abs(near))) - NEAR_FRAMES
    offsets = np.arange(-FINE_STEPS, FINE_STEPS + 1) / FINE_STEPS
    turned, turn = product * np.exp(1j * radians * (whole + offsets[0])), np.exp(1j * radians / FINE_STEPS)
    values = np.empty(len(offsets))
    for number in range(len(offsets)):
        values[number] = abs(float(turned.real.sum()))
        turned *= turn
    top = int(np.clip(np.argmax(values), 1, len(values) - 2))
    before, here, after = values[top - 1 : top + 2]
    bend = before - 2.0 * here + after
    return whole + float(offsets[top] + (0.5 * (before - after) / bend if bend else 0.0) / FINE_STEPS)

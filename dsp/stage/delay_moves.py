"""Where in two lined-up recordings the delay is another one, for a time or all the time.

Judged in pieces of a quarter of a second, by what changes from frame to frame: music has most of its power in the
lows, where a delay shows least. All thresholds are judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from dsp.core.types import FloatArray

Sound = NDArray[np.float32] | FloatArray

PIECE_SECONDS = 0.25
LONGEST_SECONDS = 0.5
USUAL_PERCENTILE = 90.0
SUSPECT = 0.8
"""A piece with less of the usual correlation may have another delay."""
LEAST_CORRELATION, BETTER = 0.5, 1.25
"""Of its own delay, and how much better than the usual one that must fit."""
SAME_FRAMES = 1.5
"""Two pieces must have the same delay: one alone is a coincidence."""
SECOND_PATH = 0.2
"""So much more correlation at another delay than the sound's own likeness explains is a second path, always there."""
WANDER_PIECE_SECONDS, WANDER_SECONDS = 0.02, 0.02
WANDER_PIECES, WANDER_DELAYS = 48, 3
"""Of short pieces: so many different delays within 20 ms, of a sound that does not fit well, wander."""
NEAR_SECONDS, LEAST_PIECES = 0.1, 3
"""How far the delay that most pieces have may lie from that of all together, and how many must have it."""
QUIET, LEAST_POWER = 1e-10, 1e-3


@dataclass(frozen=True)
class DelayMoves:
    """Frames by which each piece is later than usual, ``(pieces,)``, 0 for most; ``left_out`` adds their neighbours.

    ``piece`` is the length of one in frames. With ``wanders`` nothing is left out.
    """

    piece: int
    frames: NDArray[np.intp]
    left_out: NDArray[np.bool_]
    wanders: bool


def delay_moves(before: Sound, after: Sound, rate_hz: int) -> DelayMoves:
    """Of two recordings ``(frames, channels)`` of one shape, lined up to a frame."""
    piece = round(PIECE_SECONDS * rate_hz)
    starts = np.arange(0, len(before), piece)
    fits = np.array([_fit(before[s : s + piece], after[s : s + piece]) for s in starts])
    usual = float(np.percentile(fits[np.isfinite(fits)], USUAL_PERCENTILE)) if np.isfinite(fits).any() else 0.0
    frames = np.zeros(len(starts), dtype=np.intp)
    if usual < SUSPECT and _wanders(before, after, rate_hz):
        return DelayMoves(piece, frames, np.zeros(len(starts), dtype=bool), wanders=True)
    reach = round(LONGEST_SECONDS * rate_hz)
    for number in np.flatnonzero(fits < SUSPECT * usual):
        best, likeness = _own_delay(before, after, int(starts[number]), piece, reach)
        if likeness >= max(LEAST_CORRELATION, BETTER * fits[number]) and abs(best) > SAME_FRAMES:
            frames[number] = best
    fitting = starts[fits >= SUSPECT * usual]
    for delay in _different(frames[frames != 0]):
        alone = (np.abs(frames - delay) <= SAME_FRAMES).sum() < 2
        if alone or _is_second_path(before, after, fitting, piece, delay):
            frames[np.abs(frames - delay) <= SAME_FRAMES] = 0
    if len(_different(frames[np.abs(frames) <= WANDER_SECONDS * rate_hz])) > WANDER_DELAYS:
        return DelayMoves(piece, 0 * frames, np.zeros(len(starts), dtype=bool), wanders=True)
    # Half of a neighbour may have the other delay.
    near = np.convolve(frames != 0, np.ones(3), mode="same") > 0.5
    return DelayMoves(piece, frames, near, wanders=False)


def usual_run(before: Sound, after: Sound, rate_hz: int) -> tuple[int, slice]:
    """The delay that most pieces have, and the frames before of the longest run of them, roughly lined up already.

    The delay is 0 and the run is everything where too few pieces tell.
    """
    piece, reach = round(PIECE_SECONDS * rate_hz), round(NEAR_SECONDS * rate_hz)
    starts = range(0, len(before) - piece + 1, piece)
    found = [_own_delay(before, after, start, piece, reach) for start in starts]
    sure = np.array([delay for delay, likeness in found if likeness >= LEAST_CORRELATION], dtype=np.intp)
    groups = [(int((np.abs(sure - delay) <= SAME_FRAMES).sum()), delay) for delay in _different(sure)]
    count, usual = max(groups, default=(0, 0))
    if count < LEAST_PIECES:
        return 0, slice(0, len(before))
    same = [abs(delay - usual) <= SAME_FRAMES and likeness >= LEAST_CORRELATION for delay, likeness in found]
    runs = [list(numbers) for fits, numbers in groupby(range(len(same)), key=same.__getitem__) if fits]
    longest = max(runs, key=len)
    # A part of the first and of the last piece may have another delay.
    longest = longest[1:-1] or longest
    return usual, slice(longest[0] * piece, (longest[-1] + 1) * piece)


def _fit(one: Sound, other: Sound, shift: int = 0) -> float:
    """Correlation of the best channel at a delay of ``shift`` frames, 0 to 1; NaN without sound on both sides."""
    if shift:
        one, other = (one[:-shift], other[shift:]) if shift > 0 else (one[-shift:], other[:shift])
    if len(one) < 2:
        return float("nan")
    one, other = np.diff(one, axis=0), np.diff(other, axis=0)
    powers = np.einsum("fc,fc->c", one, one) * np.einsum("fc,fc->c", other, other)
    heard = powers > QUIET**2
    if not heard.any():
        return float("nan")
    return float((np.abs(np.einsum("fc,fc->c", one, other))[heard] / np.sqrt(powers[heard])).max())


def _own_delay(before: Sound, after: Sound, start: int, piece: int, reach: int) -> tuple[int, float]:
    """The best delay of a piece within ``reach`` frames either way, and the correlation there."""
    first = max(0, start - reach)
    one = np.diff(before[start : start + piece], axis=0)
    other = np.diff(after[first : start + piece + reach], axis=0)
    channel = int(np.argmax(np.einsum("fc,fc->c", one, one)))
    one, other = one[:, channel], other[:, channel]
    if len(other) < len(one) or len(one) < 2:
        return 0, 0.0
    size = next_fast_len(len(other), real=True)
    places = len(other) - len(one) + 1
    products = irfft(np.conj(rfft(one, size)) * rfft(other, size), size)[:places]
    total = np.concatenate([[0.0], np.cumsum(np.square(other, dtype=np.float64))])
    # What is all but silent, as behind a gate, is like anything.
    powers = np.maximum(total[len(one) :] - total[:places], total[-1] * LEAST_POWER + QUIET)
    likeness = np.abs(products) / np.sqrt(powers * max(QUIET, float(np.square(one, dtype=np.float64).sum())))
    best = int(np.argmax(likeness))
    return best + first - start, float(likeness[best])


def _different(frames: NDArray[np.intp]) -> list[int]:
    """One of each group of delays that are the same."""
    found: list[int] = []
    for delay in np.sort(frames):
        if not found or delay - found[-1] > SAME_FRAMES:
            found.append(int(delay))
    return found


def _is_second_path(before: Sound, after: Sound, starts: NDArray[np.intp], piece: int, delay: int) -> bool:
    """Whether pieces with the usual delay also hold a copy at ``delay``."""
    if abs(delay) >= piece - 1:
        return False
    more = []
    for start in starts[:: max(1, len(starts) // WANDER_PIECES)]:
        one, other = before[start : start + piece], after[start : start + piece]
        if len(one) == piece:
            more.append(_fit(one, other, delay) - _fit(one, other) * _fit(one, one, delay))
    return bool(more) and float(np.nanmedian(more)) > SECOND_PATH


def _wanders(before: Sound, after: Sound, rate_hz: int) -> bool:
    """Whether short pieces have many delays near the usual one."""
    piece, reach = round(WANDER_PIECE_SECONDS * rate_hz), round(WANDER_SECONDS * rate_hz)
    starts = np.linspace(0, max(0, len(before) - piece), WANDER_PIECES).astype(int)
    found = [_own_delay(before, after, int(start), piece, reach) for start in starts]
    sure = np.array([delay for delay, likeness in found if likeness >= LEAST_CORRELATION], dtype=np.intp)
    return len(_different(sure)) >= WANDER_DELAYS and len(sure) >= WANDER_PIECES // 4

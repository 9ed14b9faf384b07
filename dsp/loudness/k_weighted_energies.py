"""K-weighted energy of 10 ms ticks: by the filter for few ticks, from their spectrum for many.

Only energies are needed, not filtered sound. The filtered energy of a periodically repeated tick is a sum over its
spectrum (Parseval's theorem). The actual signal differs only in the filter state at the start of the tick. The
difference is a free response, a sum of four known modes, so its energy and its product with the repeated tick come
from a small matrix. The result is exact and a third faster than filtering.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dsp.core.scipy_signal import sosfilt, sosfreqz
from dsp.core.types import TICKS_PER_SECOND, FloatArray
from dsp.core.windows import TickEnergies
from dsp.loudness.k_weighting import KWeighting, k_weighting_sos

ORDER = 4

FEWEST_TICKS = 100
"""Above about this many ticks the spectrum is faster; for single ticks, as live, the filter is."""

VALUES_AT_ONCE = 48_000
"""Work on this many samples stays in cache."""

REMEMBERED_TICKS = 16
DOUBLINGS = (1, 2, 4, 8)
"""The slower poles fall to 0.09 within a tick, at any rate: a state of 16 ticks ago is below 1e-16 of itself."""


class KWeightedEnergies:
    """Sums over each tick of the squared K-weighted channels, all together: ``(ticks, 1)``, as ``TickEnergies``.

    ``push`` takes ``(frames, channels)``; channel weights are gains on what comes in.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._filter = KWeighting(rate_hz, channels)
        self._sums = TickEnergies(rate_hz)

    @property
    def ticks(self) -> int:
        """Ticks completed so far, lost ones included."""
        return self._sums.ticks

    def reset(self) -> None:
        """Forget the signal and start at frame 0."""
        self._filter.reset()
        self._sums.reset()

    def restart_filter(self) -> None:
        """Reset the filter state; the grid of ticks continues."""
        self._filter.reset()

    def start_at(self, frame: int) -> None:
        """Continue at a frame of an earlier stream with an empty filter state."""
        self._sums.start_at(frame)

    def prime(self, block: FloatArray) -> None:
        """Run the filter over frames that are not counted; ``skip`` the same frames."""
        self._filter.process(block)

    def skip(self, frames: int) -> FloatArray:
        """Account for ``frames`` lost frames; returns the ticks they complete, all NaN."""
        return self._sums.skip(frames)

    def push(self, block: FloatArray) -> FloatArray:
        """Energies of the ticks that end in this block; may be empty."""
        width, rest = divmod(self._rate_hz, TICKS_PER_SECOND)
        first = self._sums.frames_to_edge
        ticks = (len(block) - first) // width
        if rest or ticks < FEWEST_TICKS:
            return self._sums.push(self._filter.process(block))
        last = first + ticks * width
        before = self._sums.push(self._filter.process(block[:first]))
        body = self._sums.take(self._of_ticks(block[first:last], ticks))
        self._sums.push(self._filter.process(block[last:]))
        return np.concatenate([before, body])

    def _of_ticks(self, block: FloatArray, ticks: int) -> FloatArray:
        """Energies ``(ticks, 1)`` of a block of whole ticks, two channels at a time as one complex signal."""
        width = len(block) // ticks
        ringing = self._filter.ringing(width)
        energies = np.zeros(ticks)
        for channel in range(0, block.shape[1], 2):
            some = slice(channel, channel + 2)
            lanes = np.ascontiguousarray(block[:, some])
            response = tick_response(self._rate_hz, lanes.shape[1])
            energies += response.energies(lanes.reshape(ticks, -1), response.shapes.T @ ringing[:, some])
        self._filter.reset()
        self._filter.process(block[-REMEMBERED_TICKS * width :])
        return energies[:, None]


@dataclass(frozen=True)
class TickResponse:
    """Matrices that K-weight whole ticks of ``n`` interleaved channels, 1 or 2, at one rate.

    The filter's state is four numbers for each channel. Its free response over a tick is ``shapes`` ``(frames, 4)``,
    orthonormal, times these. ``products`` ``(frames * n, 8 * n)`` map a tick to the state after it and to the
    products of the tick, repeated and filtered, with the shapes. ``if_repeated`` maps the state after one tick to
    the state after endless repeats; ``rung_down`` are states after 1, 2, 4… ticks of silence. ``powers`` are the
    energies of the real and imaginary part of each bin.
    """

    shapes: FloatArray
    products: FloatArray
    if_repeated: FloatArray
    rung_down: tuple[FloatArray, ...]
    powers: FloatArray

    def energies(self, lanes: FloatArray, states: FloatArray) -> FloatArray:
        """Energies of ticks ``(ticks, frames * n)`` that follow ``states`` ``(4, n)``."""
        at_once = max(1, VALUES_AT_ONCE // lanes.shape[1])
        state = states.reshape(1, -1)
        energies = []
        for start in range(0, len(lanes), at_once):
            some, state = self._energies(lanes[start : start + at_once], state)
            energies.append(some)
        return np.concatenate(energies)

    def _energies(self, lanes: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Energies of some of the ticks, and the state after them in one row."""
        left, overlap = np.split(lanes @ self.products, 2, axis=1)
        run = np.concatenate([state, left])
        for doubling, matrix in enumerate(self.rung_down):
            run[1 << doubling :] += run[: -(1 << doubling)] @ matrix
        ringing = run[:-1] - left @ self.if_repeated
        bins = np.fft.fft(lanes.view(np.complex128)) if state.size > ORDER else np.fft.rfft(lanes)
        values = bins.view(np.float64)
        repeated = np.square(values, out=values) @ self.powers
        energies = repeated + np.vecdot(ringing, ringing + 2.0 * overlap)
        # The terms may almost cancel, and rounding can then make the sum negative.
        return np.maximum(energies, 0.0), run[-1:]


@lru_cache(maxsize=8)
def tick_response(rate_hz: int, channels: int) -> TickResponse:
    """Return the response at a rate that is a whole multiple of 100 Hz, for 1 channel or 2."""
    width = rate_hz // TICKS_PER_SECOND
    sos = k_weighting_sos(rate_hz)
    shapes, triangle = np.linalg.qr(_modes(sos, np.arange(width)))
    impulse = sosfilt(sos, np.eye(1, width)[0])
    in_modes = np.linalg.lstsq(_modes(sos, np.arange(1, width)), impulse[1:])[0]
    left = triangle @ _moved_on(sos, width - np.arange(width)) @ in_modes
    over_a_tick = triangle @ _moved_on(sos, np.array([width]))[0] @ np.linalg.inv(triangle)
    response = sosfreqz(sos, worN=np.arange(width // 2 + 1) * 2.0 * np.pi / width)[1]
    overlap = np.fft.irfft(np.fft.rfft(shapes, axis=0) * response.conj()[:, None], width, axis=0)
    if_repeated = np.linalg.inv(np.eye(ORDER) - over_a_tick)
    each = np.eye(channels)
    return TickResponse(
        shapes,
        np.kron(np.concatenate([left, overlap], axis=1), each),
        np.asarray(np.kron(if_repeated.T, each), dtype=np.float64),
        tuple(np.kron(np.linalg.matrix_power(over_a_tick, age).T, each) for age in DOUBLINGS),
        _powers(np.abs(response) ** 2 / width, width, channels),
    )


def _powers(power: FloatArray, width: int, channels: int) -> FloatArray:
    """``power`` of each bin's real and imaginary part, for a real (1 channel) or a complex transform (2)."""
    mirrored = slice(1, (width + 1) // 2)
    if channels == 2:
        return np.repeat(np.concatenate([power, power[mirrored][::-1]]), 2)
    both = power.copy()
    both[mirrored] *= 2.0
    return np.repeat(both, 2)


def _modes(sos: FloatArray, frames: NDArray[np.intp]) -> FloatArray:
    """Free responses ``(frames, 4)``: for each pair of poles a cosine and a sine over its angle, both decaying."""
    columns = []
    for radius, angle in map(_poles, sos):
        decay = radius**frames
        columns += [decay * np.cos(angle * frames), decay * np.sin(angle * frames) / angle]
    return np.stack(columns, axis=1)


def _moved_on(sos: FloatArray, frames: NDArray[np.intp]) -> FloatArray:
    """Matrices ``(frames, 4, 4)`` that advance a sum of the modes by 0, 1, 2… frames."""
    matrices = np.zeros((len(frames), ORDER, ORDER))
    for first, (radius, angle) in zip((0, 2), map(_poles, sos), strict=True):
        decay, turn = radius**frames, angle * frames
        matrices[:, first, first] = matrices[:, first + 1, first + 1] = decay * np.cos(turn)
        matrices[:, first, first + 1] = decay * np.sin(turn) / angle
        matrices[:, first + 1, first] = -decay * np.sin(turn) * angle
    return matrices


def _poles(section: FloatArray) -> tuple[float, float]:
    """Radius and angle of a section's poles; both pairs of K-weighting are complex, the second barely."""
    a1, a2 = section[4:]
    return math.sqrt(a2), math.atan2(math.sqrt(a2 - a1**2 / 4.0), -a1 / 2.0)

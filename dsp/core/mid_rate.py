"""Decimation to about 4 kHz, or another rate, for pitch, onsets, the low spectrum and what is compared over minutes.

Content to ``PASS_SHARE`` of the lower rate (1.5 kHz) passes within 0.01 dB; aliases below that are attenuated by
about 80 dB. The filter has linear phase: every frequency is delayed by ``delay_seconds``.
"""

from __future__ import annotations

import numpy as np

from dsp.core.scipy_signal import firwin, kaiser_beta
from dsp.core.types import FloatArray, check_block

TARGET_HZ = 4000.0
PASS_SHARE = 0.375
"""End of the pass band as a share of the lower rate (1.5 kHz of 4 kHz); aliases reach down to it."""
STOP_DB = 80.0
LONGEST_GAP_SECONDS = 60.0
"""A longer gap acts as a reset, since the filter memory is shorter."""


class MidRate:
    """Decimate a stream by a whole number.

    ``push`` takes ``(frames, channels)`` and returns ``(samples, power)`` at ``rate_hz``: the decimated audio
    ``(n, channels)`` and the mean square of the *full-band* input over the same stretch and all channels ``(n,)``.
    Both are NaN where frames were lost.
    """

    def __init__(self, rate_hz: int, channels: int, target_hz: float = TARGET_HZ) -> None:
        self.factor = max(1, round(rate_hz / target_hz))
        self.rate_hz = rate_hz / self.factor
        self._channels = channels
        self._taps = _polyphase(self.factor)
        self._blocks = len(self._taps)
        self.delay_seconds = (self._taps.size - 1) / 2.0 / rate_hz
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._pending = np.empty((0, self._channels))
        self._before = np.zeros((self._blocks - 1, self._channels, self.factor))

    def push(self, block: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Decimate one block; see the class."""
        check_block(block, self._channels)
        joined = np.concatenate([self._pending, block]) if len(self._pending) else block
        whole = len(joined) // self.factor
        self._pending = joined[whole * self.factor :].copy()
        if not whole:
            return np.empty((0, self._channels)), np.empty(0)
        shaped = joined[: whole * self.factor].reshape(whole, self.factor, self._channels).transpose(0, 2, 1)
        blocks = np.concatenate([self._before, shaped])
        flat = blocks[self._blocks - 1 :].reshape(whole, -1)
        power = np.einsum("nd,nd->n", flat, flat) / flat.shape[1]
        return self._filter(blocks), power

    def skip(self, frames: int) -> tuple[FloatArray, FloatArray]:
        """Account for lost frames: outputs that they touch are NaN, here and in the next ``push``."""
        longest = round(LONGEST_GAP_SECONDS * self.rate_hz) * self.factor
        lost = min(frames, longest + (frames - longest) % self.factor) if frames > longest else frames
        return self.push(np.full((lost, self._channels), np.nan))

    def _filter(self, blocks: FloatArray) -> FloatArray:
        """Blocks ``(n + taps - 1, channels, factor)`` to ``(n, channels)``: one product, then a skewed sum."""
        self._before = blocks[len(blocks) - (self._blocks - 1) :].copy()
        products = self._taps @ blocks.reshape(-1, self.factor).T
        count = len(blocks) - (self._blocks - 1)
        samples = np.zeros(count * self._channels)
        for late in range(self._blocks):
            start = (self._blocks - 1 - late) * self._channels
            samples += products[late, start : start + len(samples)]
        return samples.reshape(count, self._channels)


def _polyphase(factor: int) -> FloatArray:
    """Low-pass taps as ``(blocks, factor)``: row ``k`` weighs the samples of the block ``k`` before the newest."""
    if factor == 1:
        return np.ones((1, 1))
    width = 2.0 * (1.0 - 2.0 * PASS_SHARE) / factor
    count = (STOP_DB - 8.0) / (2.285 * np.pi * width) + 1.0
    blocks = int(np.ceil(count / factor))
    taps = firwin(blocks * factor, 1.0 / factor, window=("kaiser", kaiser_beta(STOP_DB)))
    return np.ascontiguousarray(taps.reshape(blocks, factor)[:, ::-1])

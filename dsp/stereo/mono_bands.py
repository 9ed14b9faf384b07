"""Loss in mono of two channels, in six bands over the whole range.

Mid and side power from Hann-windowed spectra of 4,096 frames, end to end, since reset or with an exponential mean;
the loss of a band is 10 log10 of mid over mid and side power, as in ``shares``. Band edges are common practice of
mixing (no source): lows, low mids, mids, upper mids, presence, air.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.fft import rfft

from dsp.core.saved_state import SavedState
from dsp.core.scipy_signal import get_window
from dsp.core.types import FloatArray, check_block
from dsp.core.units import db_to_power
from dsp.lowend.shares import mono_loss_db

MONO_BANDS_HZ = (
    (20.0, 120.0),
    (120.0, 350.0),
    (350.0, 1000.0),
    (1000.0, 3000.0),
    (3000.0, 8000.0),
    (8000.0, 20000.0),
)
FRAME = 4096
VOTE_RANGE_DB = 30.0
"""A band this far below the strongest has no figure: its loss is inaudible (our choice, no source)."""


class MonoBands:
    """Mid and side power of a stream of pairs ``(frames, 2)``.

    Summed since reset, or averaged exponentially with a time constant of ``seconds``.
    """

    def __init__(self, rate_hz: int, seconds: float = math.inf) -> None:
        self._keep = math.exp(-FRAME / rate_hz / seconds)
        frequency_hz = np.arange(FRAME // 2 + 1) * rate_hz / FRAME
        edges = np.array(MONO_BANDS_HZ)
        self._inside = (frequency_hz >= edges[:, :1]) & (frequency_hz < edges[:, 1:])
        self._window = get_window("hann", FRAME).astype(np.float32)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        self._rest = np.empty((2, 0), dtype=np.float32)
        self._mid = np.zeros(len(MONO_BANDS_HZ))
        self._side = np.zeros(len(MONO_BANDS_HZ))

    def save_state(self) -> SavedState:
        """The sums since reset."""
        return {"mid": self._mid.copy(), "side": self._side.copy()}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self._mid[:] = kept["mid"]
        self._side[:] = kept["side"]

    def process(self, pair: FloatArray) -> None:
        """Take left and right; spectra with lost (NaN) audio are left out."""
        check_block(pair, 2)
        whole, rest = divmod(self._rest.shape[1] + len(pair), FRAME)
        # Single precision halves the cost; its error near -140 dB is far below any loss shown.
        halves = np.empty((2, whole * FRAME + rest), dtype=np.float32)
        begin = self._rest.shape[1]
        halves[:, :begin] = self._rest
        with np.errstate(over="ignore"):
            np.add(pair[:, 0], pair[:, 1], out=halves[0, begin:], casting="same_kind")
            np.subtract(pair[:, 0], pair[:, 1], out=halves[1, begin:], casting="same_kind")
        self._rest = halves[:, whole * FRAME :].copy()
        if not whole:
            return
        with np.errstate(over="ignore", invalid="ignore"):  # far above full scale single precision has no square
            spectra = rfft(halves[:, : whole * FRAME].reshape(2, whole, FRAME) * self._window, axis=2)
            power = spectra.real**2 + spectra.imag**2
        power = power[:, np.isfinite(power).all(axis=(0, 2))]
        if self._keep == 1.0:
            mid, side = power.sum(axis=1, dtype=np.float64) @ self._inside.T
        else:
            weights = self._keep ** np.arange(power.shape[1] - 1.0, -1.0, -1.0)
            mid, side = np.einsum("msf,s->mf", power, weights, dtype=np.float64) @ self._inside.T
            self._fade(power.shape[1])
        self._mid += mid
        self._side += side

    def skip(self, frames: int) -> None:
        """Account for lost frames: the spectrum that is open begins again, and an average fades."""
        self._rest = np.empty((2, 0), dtype=np.float32)
        self._fade(frames / FRAME)

    def _fade(self, spectra: float) -> None:
        if self._keep < 1.0:
            self._mid *= self._keep**spectra
            self._side *= self._keep**spectra

    def loss_db(self) -> FloatArray:
        """Loss per band in dB, ``(6,)``, 0 or negative; NaN where the band is silent or too weak."""
        power = self._mid + self._side
        votes = (power > 0.0) & (power >= power.max() * db_to_power(-VOTE_RANGE_DB))
        return np.asarray(np.where(votes, mono_loss_db(self._mid, self._side), np.nan))

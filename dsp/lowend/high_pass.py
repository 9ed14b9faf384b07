"""The price of a high-pass: what a maximally flat (Butterworth) filter takes from a part's lowest note.

Closed forms of the analogue prototype, from the pole positions of S. Butterworth, "On the theory of filter
amplifiers", 1930. A bilinear design with pre-warping meets them within 0.05 dB below a tenth of the rate.
Frequencies are in hertz. ``order`` 1 to 4 is 6, 12, 18 or 24 dB per octave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.core.scipy_signal import butter, sosfilt, sosfilt_zi
from dsp.core.types import FloatArray

DB_PER_OCTAVE_PER_ORDER = 6
SLOPES_DB_PER_OCTAVE = (6, 12, 18, 24)
AFFORDABLE_LOSS_DB = 0.5
"""Half a decibel at the lowest note: about what a listener takes for an improvement or a loss (judgement)."""


@dataclass(frozen=True)
class Price:
    """What one cut-off costs at the floor. Losses are positive; ``delay_cycles`` counts periods of the floor.

    ``rumble_removed_percent`` is the share of the energy under the floor that goes, NaN where there is none.
    """

    slope_db_per_octave: int
    cutoff_hz: float
    loss_at_floor_db: float
    phase_lead_degrees: float
    delay_cycles: float
    rumble_removed_percent: float


def order_of(slope_db_per_octave: int) -> int:
    """Filter order of a slope. Raises ValueError for any but 6, 12, 18 and 24 dB per octave."""
    if slope_db_per_octave not in SLOPES_DB_PER_OCTAVE:
        raise ValueError(f"A slope of {slope_db_per_octave} dB per octave is not offered; take 6, 12, 18 or 24.")
    return slope_db_per_octave // DB_PER_OCTAVE_PER_ORDER


def power_gain(frequency_hz: FloatArray, cutoff_hz: float, order: int) -> FloatArray:
    """Power that passes, 0 to 1, at each frequency; nothing passes at 0 Hz."""
    with np.errstate(divide="ignore", over="ignore"):
        ratio = np.divide(cutoff_hz, np.asarray(frequency_hz, dtype=np.float64))
        return np.asarray(1.0 / (1.0 + ratio ** (2 * order)))


def loss_db(frequency_hz: float, cutoff_hz: float, order: int) -> float:
    """Decibels lost at one frequency above 0."""
    return float(10.0 * np.log10(1.0 + (cutoff_hz / frequency_hz) ** (2 * order)))


def _poles(order: int) -> FloatArray:
    """Prototype poles as ``(order, 2)``: distance left of the imaginary axis, and height on it."""
    angles = np.pi * (2 * np.arange(order) + 1 - order) / (2 * order)
    return np.column_stack([np.cos(angles), np.sin(angles)])


def phase_lead_degrees(frequency_hz: float, cutoff_hz: float, order: int) -> float:
    """How far the filter advances a steady tone, in degrees of that tone; 45 per 6 dB/oct at the cut-off."""
    left, height = _poles(order).T
    return float(np.degrees(np.arctan2(cutoff_hz / frequency_hz - height, left).sum()))


def delay_cycles(frequency_hz: float, cutoff_hz: float, order: int) -> float:
    """Group delay at one frequency, in cycles of that frequency."""
    ratio = cutoff_hz / frequency_hz
    left, height = _poles(order).T
    normalised = float((left / (left**2 + (ratio - height) ** 2)).sum())
    return normalised * ratio / (2.0 * np.pi)


def highest_cutoff_hz(floor_hz: float, order: int, affordable_db: float = AFFORDABLE_LOSS_DB) -> float:
    """The highest cut-off that loses at most ``affordable_db`` at ``floor_hz``."""
    return float(floor_hz * (10.0 ** (affordable_db / 10.0) - 1.0) ** (1.0 / (2 * order)))


def removed_percent(power: FloatArray, frequency_hz: FloatArray, cutoff_hz: float, order: int) -> float:
    """Per cent of a power spectrum that the filter takes; NaN when there is no power."""
    total = float(power.sum())
    if not total > 0.0:
        return float("nan")
    return 100.0 * (1.0 - float((power * power_gain(frequency_hz, cutoff_hz, order)).sum()) / total)


def price(
    floor_hz: float,
    slope_db_per_octave: int,
    cutoff_hz: float | None = None,
    rumble_power: FloatArray | None = None,
    rumble_hz: FloatArray | None = None,
) -> Price:
    """What ``cutoff_hz`` costs at ``floor_hz``; without a cut-off, the highest affordable one.

    ``rumble_power`` over ``rumble_hz`` is the part's power spectrum under its floor.
    Raises ValueError for a floor or cut-off that is not a positive number, or an unknown slope.
    """
    order = order_of(slope_db_per_octave)
    if not (np.isfinite(floor_hz) and floor_hz > 0.0):
        raise ValueError("A high-pass has no price before the lowest note is known.")
    cutoff = highest_cutoff_hz(floor_hz, order) if cutoff_hz is None else cutoff_hz
    if not (np.isfinite(cutoff) and cutoff > 0.0):
        raise ValueError(f"A cut-off of {cutoff} Hz cannot be tried; take one above 0 Hz.")
    removed = float("nan")
    if rumble_power is not None and rumble_hz is not None:
        removed = removed_percent(rumble_power, rumble_hz, cutoff, order)
    return Price(
        slope_db_per_octave,
        cutoff,
        loss_db(floor_hz, cutoff, order),
        phase_lead_degrees(floor_hz, cutoff, order),
        delay_cycles(floor_hz, cutoff, order),
        removed,
    )


def apply(signal: FloatArray, rate_hz: float, cutoff_hz: float, order: int) -> FloatArray:
    """The filtered signal, ``(frames, channels)``, as if the first frame had always stood.

    Raises ValueError when the cut-off does not lie under half the rate.
    """
    if not 0.0 < cutoff_hz < rate_hz / 2.0:
        raise ValueError(f"A cut-off of {cutoff_hz:g} Hz does not fit a rate of {rate_hz:g} Hz.")
    sos = butter(order, cutoff_hz, btype="highpass", fs=rate_hz, output="sos")
    if not len(signal):
        return signal
    start = sosfilt_zi(sos)[:, :, None] * signal[0]
    filtered, _ = sosfilt(sos, signal, axis=0, zi=start)
    return np.asarray(filtered)

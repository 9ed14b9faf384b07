"""Published checks of high-passes and decays: Butterworth losses and delays, the filter in time, resonators."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from dsp.core.signals import silence, tone
from dsp.level.level import Level
from dsp.lowend.decay import decay, half_beat_ms
from dsp.lowend.high_pass import apply, delay_cycles, loss_db, price, removed_percent
from meter.selftest.checks import CLOSED_FORM, Check, Source

RATE_HZ = 48_000
LOW_RATE_HZ = 2000.0
CUTOFF_HZ = 100.0

LOSS = Source("closed form of S. Butterworth 1930: 10 lg(1 + (fc / f)^2n)", CLOSED_FORM)
DELAY = Source("closed form of the Butterworth poles, group delay times 2 pi fc", CLOSED_FORM)
AFFORD = Source("closed form of S. Butterworth 1930: cut-off that loses 0.5 dB, and its phase and delay", CLOSED_FORM)
RESONATOR = Source("closed form of a resonator: T60 = 2.19881 Q / f0, a third of it for 20 dB", CLOSED_FORM)
TEMPO = Source("30,000 / beats per minute, closed form", CLOSED_FORM)

LOSSES_DB = {
    1 / 8: (18.129, 36.125, 54.185, 72.247), 1 / 4: (12.304, 24.099, 36.125, 48.165),
    1 / 2: (6.990, 12.304, 18.129, 24.099), 1.0: (3.010, 3.010, 3.010, 3.010),
    2.0: (0.969, 0.263, 0.067, 0.017), 4.0: (0.263, 0.017, 0.001, 0.000),
}  # fmt: skip
"""Frequency over cut-off; decibels lost with 6, 12, 18 and 24 dB per octave."""

DELAYS = (0.5, 1.4142, 2.5, 3.6955)

AFFORDABLE = {6: (0.35, 19.0, 0.05), 12: (0.59, 52.0, 0.16), 18: (0.70, 90.0, 0.30), 24: (0.77, 129.0, 0.45)}
"""Slope; cut-off over lowest note, phase lead in degrees, delay in cycles, all at the lowest note."""

RESONATORS = ((10.0, 100.0, 219.9), (30.0, 100.0, 659.6), (30.0, 50.0, 1319.3))
"""Q, hertz, T60 in milliseconds."""


def measured_loss_db(ratio: float, order: int) -> float:
    """What the running filter takes from a settled sine at ``ratio`` times the cut-off."""
    signal = tone(ratio * CUTOFF_HZ, 0.0, 2.0, RATE_HZ)
    before, after = Level(1), Level(1)
    before.process(signal[RATE_HZ:])
    after.process(apply(signal, RATE_HZ, CUTOFF_HZ, order)[RATE_HZ:])
    return float(before.rms_db[0] - after.rms_db[0])


def delay_at_cutoff(order: int) -> float:
    """Group delay at the cut-off times 2 pi fc."""
    return 2.0 * math.pi * delay_cycles(CUTOFF_HZ, CUTOFF_HZ, order)


def affordable(slope: int, name: str) -> float:
    """One figure of the highest affordable cut-off for a lowest note of 80 Hz; the cut-off as a share of it."""
    found = price(80.0, slope)
    return float(getattr(found, name)) / (80.0 if name == "cutoff_hz" else 1.0)


def ring_ms(quality: float, frequency_hz: float) -> float:
    """Time to -20 dB of twelve struck resonators, far enough apart to die away."""
    gap = math.ceil(2.5 * 2.2 * quality / frequency_hz)
    times = np.arange(round(gap * LOW_RATE_HZ)) / LOW_RATE_HZ
    turns = math.pi * frequency_hz * times
    struck = 0.5 * np.sin(2.0 * turns) * np.exp(-turns / quality)
    lead = silence(0.1, round(LOW_RATE_HZ))
    return decay(np.concatenate([lead, *[struck[:, None]] * 12]), LOW_RATE_HZ, frequency_hz).to_minus_20_ms


def _losses() -> list[Check]:
    checks = []
    for ratio, losses in LOSSES_DB.items():
        for order, lost in enumerate(losses, start=1):
            name = f"{6 * order} dB per octave at {ratio:g} of the cut-off"
            stated = partial(loss_db, ratio * CUTOFF_HZ, CUTOFF_HZ, order)
            heard = partial(measured_loss_db, ratio, order)
            checks += [
                Check(name, LOSS, lost, "dB", 0.0006, 0.0006, stated),
                # A bilinear design with pre-warping is a little steeper.
                Check(f"{name}, a sine through it", LOSS, lost, "dB", 0.05, 0.05, heard),
            ]
    return checks


def _delays() -> list[Check]:
    checks = [
        Check(f"{6 * order} dB per octave, delay at the cut-off", DELAY, delay, "", 6e-5, 6e-5,
              partial(delay_at_cutoff, order)) for order, delay in enumerate(DELAYS, start=1)
    ]  # fmt: skip
    figures = (
        ("cutoff_hz", "of the note", 0.0055),
        ("phase_lead_degrees", "°", 0.55),
        ("delay_cycles", "cycles", 0.0055),
    )
    for slope, values in AFFORDABLE.items():
        for (name, unit, room), value in zip(figures, values, strict=True):
            title = f"half a decibel at {slope} dB per octave: {name.rpartition('_')[0].replace('_', ' ')}"
            checks.append(Check(title, AFFORD, value, unit, room, room, partial(affordable, slope, name)))
    return checks


def removed_of_a_line(ratio: float, order: int) -> float:
    """Per cent that the filter takes from power at one frequency alone."""
    return removed_percent(np.array([1.0]), np.array([ratio * CUTOFF_HZ]), CUTOFF_HZ, order)


def _removed() -> list[Check]:
    taken = {1 / 2: (80.0, 94.1176, 98.4615, 99.6109), 1.0: (50.0,) * 4}
    return [
        Check(f"{6 * order} dB per octave, power taken at {ratio:g} of the cut-off", LOSS, percent, "%", 6e-5, 6e-5,
              partial(removed_of_a_line, ratio, order))
        for ratio, values in taken.items() for order, percent in enumerate(values, start=1)
    ]  # fmt: skip


def _rings() -> list[Check]:
    rings = [
        Check(f"Q {quality:g} at {hz:g} Hz, time to -20 dB", RESONATOR, t60 / 3.0, "ms", 0.005 * t60 / 3.0,
              0.005 * t60 / 3.0, partial(ring_ms, quality, hz)) for quality, hz, t60 in RESONATORS
    ]  # fmt: skip
    beats = [
        Check(f"half a beat at {tempo:g} per minute", TEMPO, value, "ms", 0.5, 0.5, partial(half_beat_ms, tempo))
        for tempo, value in ((120.0, 250.0), (140.0, 214.0))
    ]
    return rings + beats


CHECKS: list[Check] = [*_losses(), *_removed(), *_delays(), *_rings()]

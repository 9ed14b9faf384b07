"""Published checks of two channels: correlation, folding to mono, side, delays and sums, all closed forms.

No standard prints them; each row names its identity. All are measured by the streaming correlation.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from math import cos, inf, log10, radians

import numpy as np

from dsp.core.signals import white_noise
from dsp.core.types import FloatArray
from dsp.core.units import db_to_power
from dsp.lowend.fold_down import fold_down_loss_db
from dsp.stereo.correlation import Correlation, balance_db, correlation, covariances
from meter.selftest.checks import CLOSED_FORM, Check, Source

RATE_HZ = 48_000
SINE_HZ = 1000.0
SECONDS = 10.0

PHASE = Source("closed form: correlation of sines = cos a, sum = 2 |cos(a / 2)|", CLOSED_FORM)
EQUAL_POWER = Source("closed form: (1 + r) / 2 of the power stays in mono, (1 - r) / 2 in the side", CLOSED_FORM)
ADDITION = Source("closed form: |1 + g|^2 coherent, 1 + g^2 incoherent", CLOSED_FORM)
COMB = Source("closed form: notches of a delay d at (2k + 1) / 2d, peaks at k / d", CLOSED_FORM)
MID_SIDE = Source("identity: M^2 + S^2 = (L^2 + R^2) / 2", CLOSED_FORM)

Maker = Callable[[], FloatArray]
"""Makes ``(frames, 2)`` when a check is run."""


def sums(pair: FloatArray) -> FloatArray:
    """Pair sums of a whole signal through the stream, in uneven blocks."""
    meter = Correlation(RATE_HZ)
    for start in range(0, len(pair), 7001):
        meter.process(pair[start : start + 7001])
    return meter.since_reset_sums()


def sines(phase_degrees: float, frequency_hz: float = SINE_HZ, right_gain: float = 1.0) -> FloatArray:
    """A second of two sines, the right one ahead by a phase."""
    turns = 2.0 * np.pi * frequency_hz * np.arange(RATE_HZ) / RATE_HZ
    return 0.5 * np.stack([np.sin(turns), right_gain * np.sin(turns + radians(phase_degrees))], axis=1)


@cache
def noises() -> FloatArray:
    """Two independent noises of equal power, 10 s."""
    return white_noise(np.random.default_rng(3), -20.0, SECONDS, RATE_HZ, channels=2)


def correlated(r: float) -> FloatArray:
    """Two noises of equal power whose correlation is exactly ``r`` over their length."""
    first, second = noises().T
    first = first - first.mean()
    second = second - second.mean()
    second = second - first * (first @ second) / (first @ first)
    second *= np.sqrt((first @ first) / (second @ second))
    return np.stack([first, r * first + np.sqrt(1.0 - r * r) * second], axis=1)


def read_correlation(make: Maker) -> float:
    """Correlation since reset."""
    return float(correlation(sums(make())))


def read_mono(make: Maker) -> float:
    """(L + R) / 2 against the mean power of both channels."""
    return float(fold_down_loss_db(sums(make())))


def read_side(make: Maker) -> float:
    """(L - R) / 2 against the mean power of both channels."""
    return read_mono(lambda: make() * [1.0, -1.0])


def read_sum(make: Maker) -> float:
    """L + R against L, in decibels; minus infinity if it vanishes."""
    left, right, _ = covariances(sums(make()))
    return float(read_mono(make) + 10.0 * log10(2.0 * (left + right) / left))


def read_balance(make: Maker) -> float:
    """Left over right."""
    return float(balance_db(sums(make())))


def left_only() -> FloatArray:
    """A sine on the left alone."""
    return sines(0.0, right_gain=0.0)


def inverted() -> FloatArray:
    """A noise and its opposite."""
    return noises()[:, :1] * [1.0, -1.0]


def unrelated(right_gain: float) -> FloatArray:
    """Two noises without any correlation, the right one scaled."""
    return correlated(0.0) * [1.0, right_gain]


def delayed(milliseconds: float, frequency_hz: float) -> FloatArray:
    """A sine and itself later."""
    return sines(-360.0 * frequency_hz * milliseconds / 1000.0, frequency_hz)


def energy_ratio() -> float:
    """M^2 + S^2 over (L^2 + R^2) / 2 of noise."""
    return db_to_power(read_mono(noises)) + db_to_power(read_side(noises))


def _row(
    name: str, source: Source, make: Maker, wanted: tuple[float, ...], slack: float, r_slack: float
) -> list[Check]:
    """One row of the table: correlation, L + R re one channel, (L + R) / 2 and (L - R) / 2 re mean power."""
    reads = (read_correlation, read_sum, read_mono, read_side)
    labels = ("correlation", "L + R", "(L + R) / 2", "(L - R) / 2")
    slacks = (r_slack, slack, slack, slack)
    units = ("", "dB", "dB", "dB")
    return [
        Check(f"{name}: {label}", source, value, unit, room, room, partial(read, make))
        for label, value, unit, room, read in zip(labels, wanted, units, slacks, reads, strict=True)
    ]


def _pairs() -> list[Check]:
    return [
        *_row("identical", PHASE, partial(sines, 0.0), (1.0, 6.0206, 0.0, -inf), 1e-4, 1e-9),
        *_row("inverted", PHASE, inverted, (-1.0, -inf, -inf, 0.0), 1e-4, 1e-9),
        *_row("independent noises", EQUAL_POWER, noises, (0.0, 3.0103, -3.0103, -3.0103), 0.05, 0.01),
        *_row("quadrature sines", PHASE, partial(sines, 90.0), (0.0, 3.0103, -3.0103, -3.0103), 1e-4, 1e-6),
    ]


def _phases() -> list[Check]:
    checks = []
    printed = {
        30: (0.8660, 5.719),
        60: (0.5, 4.771),
        120: (-0.5, 0.0),
        150: (-0.8660, -5.719),
        170: (-0.9848, -15.173),
    }
    for angle, (r, summed) in printed.items():
        name = f"sines {angle} degrees apart"
        side = 10.0 * log10((1.0 - cos(radians(angle))) / 2.0)
        checks += _row(name, PHASE, partial(sines, angle), (r, summed, summed - 6.0206, side), 6e-4, 6e-5)
    return checks


def _equal_power() -> list[Check]:
    checks = []
    for r, mono, side in ((0.5, -1.249, -6.021), (-0.5, -6.021, -1.249), (-0.9, -13.010, -0.223)):
        pair = partial(correlated, r)
        checks += [
            Check(
                f"noises with correlation {r:g}: correlation",
                EQUAL_POWER,
                r,
                "",
                1e-6,
                1e-6,
                partial(read_correlation, pair),
            ),
            Check(
                f"noises with correlation {r:g}: mono", EQUAL_POWER, mono, "dB", 6e-4, 6e-4, partial(read_mono, pair)
            ),
            Check(
                f"noises with correlation {r:g}: side", EQUAL_POWER, side, "dB", 6e-4, 6e-4, partial(read_side, pair)
            ),
        ]
    return checks


def _one_sided() -> list[Check]:
    pair = left_only
    return [
        Check("left only: L + R", ADDITION, 0.0, "dB", 1e-6, 1e-6, partial(read_sum, pair)),
        Check(
            "left only: (L + R) / 2 re the left",
            ADDITION,
            -6.0206,
            "dB",
            1e-4,
            1e-4,
            lambda: read_sum(pair) - 20.0 * log10(2.0),
        ),
        Check(
            "left only: (L + R) / 2 re the mean power", ADDITION, -3.0103, "dB", 1e-4, 1e-4, partial(read_mono, pair)
        ),
        Check(
            "left only: (L - R) / 2 re the mean power", ADDITION, -3.0103, "dB", 1e-4, 1e-4, partial(read_side, pair)
        ),
        Check(
            "left only: balance",
            Source("a ratio to nothing", CLOSED_FORM),
            inf,
            "dB",
            0.0,
            0.0,
            partial(read_balance, pair),
        ),
    ]


def _invariances() -> list[Check]:
    return [
        Check("mid and side hold the power", MID_SIDE, 1.0, "", 1e-9, 1e-9, energy_ratio),
        Check(
            "gain does not change correlation",
            Source("correlation is a ratio", CLOSED_FORM),
            0.5,
            "",
            1e-6,
            1e-6,
            lambda: read_correlation(lambda: correlated(0.5) * [0.1, 3.0]),
        ),
        Check(
            "an offset does not change correlation",
            Source("means are removed", CLOSED_FORM),
            0.5,
            "",
            1e-6,
            1e-6,
            lambda: read_correlation(lambda: correlated(0.5) + np.array([0.2, -0.3])),
        ),
        Check(
            "right 6 dB lower: balance",
            Source("20 lg 2", CLOSED_FORM),
            6.0206,
            "dB",
            1e-4,
            1e-4,
            lambda: read_balance(partial(sines, 0.0, right_gain=0.5)),
        ),
    ]


def _delays() -> list[Check]:
    checks = []
    notches = {
        1.0: (500.0, 1500.0, 2500.0),
        0.5: (1000.0, 3000.0, 5000.0),
        2.0: (250.0, 750.0, 1250.0),
        5.0: (100.0, 300.0, 500.0),
    }
    for milliseconds, found in notches.items():
        for frequency_hz in found:
            name = f"{milliseconds:g} ms late at {frequency_hz:g} Hz: notch"
            pair = partial(delayed, milliseconds, frequency_hz)
            checks.append(Check(name, COMB, -100.0, "dB", inf, 0.0, partial(read_mono, pair)))
        for order in (1, 2, 3):
            frequency_hz = order * 1000.0 / milliseconds
            name = f"{milliseconds:g} ms late at {frequency_hz:g} Hz: peak"
            checks.append(
                Check(
                    name,
                    COMB,
                    6.0206,
                    "dB",
                    1e-3,
                    1e-3,
                    partial(read_sum, partial(delayed, milliseconds, frequency_hz)),
                )
            )
    return checks


def _additions() -> list[Check]:
    checks = []
    printed = {3: (4.649, 1.764), 6: (3.529, 0.973), 10: (2.387, 0.414), 20: (0.828, 0.043)}
    for lower, (coherent, incoherent) in printed.items():
        gain = 10.0 ** (-lower / 20.0)
        pair = partial(sines, 0.0, right_gain=gain)
        apart = partial(unrelated, gain)
        checks += [
            Check(f"plus a copy {lower} dB lower", ADDITION, coherent, "dB", 6e-4, 6e-4, partial(read_sum, pair)),
            Check(
                f"plus another noise {lower} dB lower",
                ADDITION,
                incoherent,
                "dB",
                6e-4,
                6e-4,
                partial(read_sum, apart),
            ),
        ]
    return checks


CHECKS: list[Check] = [
    *_pairs(),
    *_phases(),
    *_equal_power(),
    *_one_sided(),
    *_invariances(),
    *_delays(),
    *_additions(),
]

"""Published checks of octave and third-octave bands: IEC 61260-1:2014 (not the 1995 edition, whose limits differ).

Attenuations are those of the whole chain of filter and rate changes for a steady sine, in closed form; a few
are measured with sines in time as well.
"""

from __future__ import annotations

from functools import cache, partial
from math import inf, log10

import numpy as np

from dsp.core.signals import tone
from dsp.core.types import FloatArray
from dsp.spectrum.filter_bank import BandBank, BandPower, usable
from dsp.spectrum.fractional_octaves import (
    OCTAVE_RATIO,
    Band,
    band,
    bands_between,
    class_1_frequency_ratio,
    class_1_limits,
    mid_band,
    nominal,
)
from meter.selftest.checks import CLOSED_FORM, FROM_MEMORY, PRINTED, Check, Source

STANDARD = Source("IEC 61260-1:2014", PRINTED, "two transcriptions in acoustics libraries")
NOMINALS = Source("ISO 266; IEC 61260-1:2014 Annex E", PRINTED, STANDARD.read_in)
PRINTED_FIGURES = ("Formula 1", "Annex E.3")
"""Clauses that print the figure; the others print its formula."""

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
RANGES = {1: (31.5, 16_000.0, "octaves"), 3: (20.0, 20_000.0, "third octaves")}
EDGE_SLACK = 1e-9
"""Table 1 has the edge twice; this offset to either side selects one."""

# Table 1, class 1, typed a second time, so that an error in the program's own table does not move the limit.
CLASS_1_STEPS = (0.0, 1 / 8, 1 / 4, 3 / 8, 1 / 2, 1 / 2, 1.0, 2.0, 3.0, 4.0)
CLASS_1_LEAST_DB = (-0.4, -0.4, -0.4, -0.4, -0.4, 1.2, 16.6, 40.5, 60.0, 70.0)
CLASS_1_MOST_DB = (0.4, 0.5, 0.7, 1.4, 5.3, inf, inf, inf, inf, inf)

LISTED_OCTAVES_HZ = (31.62, 63.10, 125.89, 251.19, 501.19, 1000.0, 1995.26, 3981.07, 7943.28, 15848.93)
LISTED_THIRD_RATIOS = {
    1 / 8: 1.02667, 1 / 4: 1.05575, 3 / 8: 1.08746, 1 / 2: 1.12202,
    1.0: 1.29437, 2.0: 1.88173, 3.0: 3.05365, 4.0: 5.39195,
}  # fmt: skip
NOMINAL_THIRDS_HZ = (
    25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0,
    1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
NOMINAL_OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)


@cache
def bank(rate_hz: int, bands_per_octave: int) -> BandBank:
    """All bands of a range that a rate can hold: at 44.1 kHz the highest of each range is missing."""
    low_hz, high_hz, _ = RANGES[bands_per_octave]
    bands = bands_between(low_hz, high_hz, bands_per_octave)
    return BandBank(rate_hz, 1, [item for item in bands if usable(item, rate_hz)])


def attenuation_db(filters: BandBank, index: int, frequencies_hz: FloatArray) -> FloatArray:
    """Relative attenuation of one band (reference attenuation 0 dB)."""
    power = filters.power_response(index, frequencies_hz)
    return np.asarray(-10.0 * np.log10(np.maximum(power, 1e-300)))


@cache
def at_breakpoint_db(rate_hz: int, bands_per_octave: int, row: int) -> FloatArray:
    """Attenuation of every band at one breakpoint of Table 1, on both sides of mid-band where the rate allows."""
    filters = bank(rate_hz, bands_per_octave)
    ratio = class_1_frequency_ratio(CLASS_1_STEPS[row], bands_per_octave)
    if CLASS_1_STEPS[row] == 0.5:
        ratio *= 1.0 + (EDGE_SLACK if CLASS_1_LEAST_DB[row] > 0.0 else -EDGE_SLACK)
    found = []
    for index, item in enumerate(filters.bands):
        sides_hz = np.array([item.mid_hz * ratio, item.mid_hz / ratio])
        found.append(attenuation_db(filters, index, sides_hz[sides_hz < rate_hz / 2]))
    return np.concatenate(found)


def least_at(rate_hz: int, bands_per_octave: int, row: int) -> float:
    """Smallest attenuation of any band at a breakpoint."""
    return float(at_breakpoint_db(rate_hz, bands_per_octave, row).min())


def most_at(rate_hz: int, bands_per_octave: int, row: int) -> float:
    """Largest attenuation of any band at a breakpoint."""
    return float(at_breakpoint_db(rate_hz, bands_per_octave, row).max())


def between_breakpoints_db(rate_hz: int, bands_per_octave: int) -> float:
    """How far inside the limits the worst frequency of the worst band lies; negative is outside."""
    filters = bank(rate_hz, bands_per_octave)
    margins = []
    for index, item in enumerate(filters.bands):
        frequencies_hz = np.geomspace(item.mid_hz / 20.0, min(item.mid_hz * 20.0, 0.4999 * rate_hz), 400)
        attenuation = attenuation_db(filters, index, frequencies_hz)
        least, most = class_1_limits(frequencies_hz / item.mid_hz, bands_per_octave)
        margins.append(np.minimum(attenuation - least, most - attenuation).min())
    return float(np.min(margins))


def bandwidth_deviation_db(rate_hz: int, bands_per_octave: int) -> float:
    """Effective bandwidth of the worst band against the ideal, 10 lg (Be / Br): integral over d f / f."""
    filters = bank(rate_hz, bands_per_octave)
    deviations = []
    for index, item in enumerate(filters.bands):
        frequencies_hz = np.geomspace(item.mid_hz / 8.0, min(item.mid_hz * 8.0, rate_hz / 2), 1500)
        power = filters.power_response(index, frequencies_hz)
        effective = np.trapezoid(power, np.log(frequencies_hz))
        deviations.append(10.0 * log10(effective / np.log(item.high_hz / item.low_hz)))
    return float(max(deviations, key=abs))


@cache
def summation_db(rate_hz: int, bands_per_octave: int) -> FloatArray:
    """Summed output of all bands against a sine that moves from one mid-band to the next, over the range."""
    filters = bank(rate_hz, bands_per_octave)
    frequencies_hz = np.geomspace(filters.bands[1].mid_hz, filters.bands[-2].mid_hz, 30 * len(filters.bands))
    power = sum(filters.power_response(index, frequencies_hz) for index in range(len(filters.bands)))
    return np.asarray(10.0 * np.log10(power))


def measured_db(rate_hz: int, item: Band, frequency_hz: float) -> float:
    """Attenuation measured in time: a sine of 2.5 s, its last 1.5 s read."""
    filters = BandBank(rate_hz, 1, [item])
    power = BandPower(filters, 1)
    signal = tone(frequency_hz, 0.0, 2.5, rate_hz)
    power.process(signal[:rate_hz])
    power.forget_levels()
    power.process(signal[rate_hz:])
    return float(-10.0 * np.log10(2.0 * power.mean_power()[0, 0]))


def _frequencies() -> list[Check]:
    third = band(0, 3)
    octave = band(0, 1)
    listed = [
        ("octave ratio", "Formula 1", 1.995262315, "", 5e-10, lambda: OCTAVE_RATIO),
        ("lower edge of the octave at 1 kHz", "Formula 4", 707.946, "Hz", 5e-4, lambda: octave.low_hz),
        ("upper edge of the octave at 1 kHz", "Formula 5", 1412.538, "Hz", 5e-4, lambda: octave.high_hz),
        ("lower edge of the third octave at 1 kHz", "Formula 4", 891.251, "Hz", 5e-4, lambda: third.low_hz),
        ("upper edge of the third octave at 1 kHz", "Formula 5", 1122.018, "Hz", 5e-4, lambda: third.high_hz),
        ("width of an octave", "Formulas 4, 5", 0.704592, "", 5e-7, lambda: (octave.high_hz - octave.low_hz) / 1e3),
        (
            "width of a third octave",
            "Formulas 4, 5",
            0.230768,
            "",
            5e-7,
            lambda: (third.high_hz - third.low_hz) / 1e3,
        ),
        ("rounding of 41.567 Hz, 24 a octave", "Annex E.3", 41.6, "Hz", 1e-9, lambda: nominal(41.567, 24)),
        ("rounding of 8785.2 Hz, 24 a octave", "Annex E.3", 8800.0, "Hz", 1e-9, lambda: nominal(8785.2, 24)),
        ("mid-band 0 of half octaves", "Formula 3", 1188.502, "Hz", 5e-4, lambda: mid_band(0, 2)),
    ]
    checks = [
        Check(
            name,
            STANDARD.at(f" {where}", PRINTED if where in PRINTED_FIGURES else CLOSED_FORM),
            value,
            unit,
            slack,
            slack,
            measure,
        )
        for name, where, value, unit, slack, measure in listed
    ]
    return checks + _listed_frequencies()


def _listed_frequencies() -> list[Check]:
    checks = []
    for index, listed_hz in enumerate(LISTED_OCTAVES_HZ, start=-5):
        where = STANDARD.at(" Formula 2", CLOSED_FORM)
        checks.append(Check(f"octave {index:+d}", where, listed_hz, "Hz", 5e-3, 5e-3, partial(mid_band, index, 1)))
    for step, ratio in LISTED_THIRD_RATIOS.items():
        measure = partial(class_1_frequency_ratio, step, 3)
        checks.append(
            Check(
                f"third-octave breakpoint {step:g}",
                STANDARD.at(" Table F.1, recomputed", CLOSED_FORM),
                ratio,
                "",
                5e-6,
                5e-6,
                measure,
            )
        )
    return checks


def _nominals() -> list[Check]:
    checks = []
    for bands_per_octave, first, listed in ((3, -16, NOMINAL_THIRDS_HZ), (1, -5, NOMINAL_OCTAVES_HZ)):
        for index, value in enumerate(listed, start=first):
            name = f"nominal {value:g} Hz, {RANGES[bands_per_octave][2]}"
            measure = partial(_nominal_of, index, bands_per_octave)
            checks.append(Check(name, NOMINALS, value, "Hz", 0.0, 0.0, measure))
    return checks


def limit_db(step: float, bands_per_octave: int, most: bool) -> float:
    """The program's own class 1 limit at a breakpoint of Table 1; the edge is taken a little inside."""
    inside = 1.0 - EDGE_SLACK if step == 0.5 else 1.0
    ratio = class_1_frequency_ratio(step, bands_per_octave) * inside
    limits = class_1_limits(np.array([ratio]), bands_per_octave)
    return float(limits[1 if most else 0][0])


def _own_limits() -> list[Check]:
    checks = []
    for row, step in enumerate(CLASS_1_STEPS):
        if row == 5:
            continue
        where = STANDARD.at(f" Table 1, class 1, exponent {step:g}")
        for bands_per_octave, (_, _, what) in RANGES.items():
            for most, value in ((False, CLASS_1_LEAST_DB[row]), (True, CLASS_1_MOST_DB[row])):
                name = f"{what}, {'most' if most else 'least'} allowed at exponent {step:g}"
                measure = partial(limit_db, step, bands_per_octave, most)
                checks.append(Check(name, where, value, "dB", 1e-6, 1e-6, measure))
    return checks


def _nominal_of(index: int, bands_per_octave: int) -> float:
    return band(index, bands_per_octave).nominal_hz


def _limits(rate_hz: int, bands_per_octave: int) -> list[Check]:
    what = f"{RANGES[bands_per_octave][2]} at {rate_hz / 1000:g} kHz"
    both = (rate_hz, bands_per_octave)
    checks = []
    for row, step in enumerate(CLASS_1_STEPS):
        where = STANDARD.at(f" Table 1, class 1, exponent {step:g}")
        least, most = CLASS_1_LEAST_DB[row], CLASS_1_MOST_DB[row]
        side = " beyond the edge" if step == 0.5 and least > 0.0 else ""
        name = f"{what}, exponent {step:g}{side}"
        checks.append(
            Check(f"{name}, least attenuation", where, least, "dB", 0.0, inf, partial(least_at, *both, row))
        )
        if most < inf:
            checks.append(
                Check(f"{name}, most attenuation", where, most, "dB", inf, 0.0, partial(most_at, *both, row))
            )
    return checks


def _whole_range(rate_hz: int, bands_per_octave: int) -> list[Check]:
    what = f"{RANGES[bands_per_octave][2]} at {rate_hz / 1000:g} kHz"
    both = (rate_hz, bands_per_octave)
    return [
        Check(
            f"{what}, room inside the limits between the breakpoints",
            STANDARD.at(" Table 1, class 1, linear in lg f between its points"),
            0.0,
            "dB",
            0.0,
            inf,
            partial(between_breakpoints_db, *both),
        ),
        Check(
            f"{what}, effective bandwidth",
            STANDARD.at(" 5.12.2, class 1 (limits read, integral over d f / f from memory)", FROM_MEMORY),
            0.0,
            "dB",
            0.4,
            0.4,
            partial(bandwidth_deviation_db, *both),
        ),
        *(
            Check(f"{what}, {end} sum of bands", STANDARD.at(" 5.16, class 1"), 0.0, "dB", 1.8, 0.8, measure)
            for end, measure in (
                ("highest", lambda: float(summation_db(*both).max())),
                ("lowest", lambda: float(summation_db(*both).min())),
            )
        ),
    ]


def _in_time() -> list[Check]:
    checks = []
    for rate_hz, index in ((44_100, 0), (48_000, 13), (48_000, -14), (96_000, 13)):
        item = band(index, 3)
        for row in (0, 3, 6, 7):
            ratio = class_1_frequency_ratio(CLASS_1_STEPS[row], 3)
            least, most = CLASS_1_LEAST_DB[row], CLASS_1_MOST_DB[row]
            name = f"{item.nominal_hz:g} Hz third octave at {rate_hz / 1000:g} kHz, a sine at 1/{ratio:.4f} of it"
            where = STANDARD.at(" Table 1, class 1")
            measure = partial(measured_db, rate_hz, item, item.mid_hz / ratio)
            checks.append(Check(name, where, least, "dB", 0.0, most - least, measure))
    return checks


CHECKS: list[Check] = [
    *_frequencies(),
    *_nominals(),
    *_own_limits(),
    *(check for rate_hz in RATES_HZ for kind in RANGES for check in _limits(rate_hz, kind)),
    *(check for rate_hz in RATES_HZ for kind in RANGES for check in _whole_range(rate_hz, kind)),
    *_in_time(),
]

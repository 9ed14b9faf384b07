"""Published checks of exposure arithmetic: tables and worked examples of the rules, misprints named one by one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from dsp.exposure import (
    Rule,
    daily_level_db,
    daily_level_of_exposure_db,
    equivalent_level_db,
    exposure_level_db,
    exposure_points,
    level_for_share_db,
    level_of_points_db,
    permissible_hours,
    pressure_level_db,
    share_percent,
    sound_exposure_pa2h,
    twa_db,
    weekly_level_db,
)
from meter.selftest.checks import CLOSED_FORM, FROM_MEMORY, OWN_CASE, PRINTED, Check, Source

NIOSH = Rule("NIOSH 98-126", 85.0, 8.0, "day", 3.0, 80.0)
OSHA_80 = Rule("1910.95, hearing conservation", 90.0, 8.0, "day", 5.0, 80.0)
OSHA_90 = Rule("1910.95, compliance", 90.0, 8.0, "day", 5.0, 90.0)
ADULTS = Rule("H.870, adults", 80.0, 40.0, "week")
ADULTS_HALVED = Rule("H.870, adults, as usually tabled", 80.0, 40.0, "week", 3.0)
SENSITIVE = Rule("H.870, sensitive", 75.0, 40.0, "week")

NIOSH_SOURCE = Source("NIOSH 98-126 (1998)", PRINTED, "a reference site's copy and a research note")
OSHA_SOURCE = Source("29 CFR 1910.95", PRINTED, "the regulator's page and a research note")
EU_SOURCE = Source("Directive 2003/10/EC, Article 3", PRINTED, "the English text")
H870_SOURCE = Source("ITU-T H.870 (03/2022)", CLOSED_FORM, "summaries of the ITU")
ISO_SOURCE = Source("ISO 9612:2009", PRINTED, "a transcription in an acoustics library")
L108_SOURCE = Source("British guidance L108, Appendix 3", PRINTED, "a validation note")
MANUAL = Source("technical manual III-5", PRINTED, "a validation note")
RECKONER = Source("weekly noise reckoner, 2020", PRINTED, "the regulator's sheet")
MUSIC_GUIDANCE = Source("British guidance for music, equal exposures", PRINTED, "a quotation")
IEC_61252 = Source("IEC 61252 (from memory), arithmetic", FROM_MEMORY)
OWN = Source("formulae of NIOSH 98-126, ISO 1999 and 1910.95; mixed case of our own, not printed anywhere", OWN_CASE)
PRINTED_TWA = (50, 91, 100)
"""Doses in per cent whose level the text of 1910.95 or its notes print; the other rows come from its formula."""


@dataclass(frozen=True)
class Misprint:
    """A printed value that its own document's formula contradicts; the check goes by ``correct``."""

    name: str
    source: Source
    printed: float
    correct: float
    unit: str
    plus_minus: float


# Table 1-1 as printed; 99 dB(A) is in MISPRINTS. Some rows are rounded and some cut off, hence one printed unit.
NIOSH_TABLE_1_1 = """
80 25h24m  81 20h10m  82 16h      83 12h42m  84 10h5m   85 8h      86 6h21m   87 5h2m    88 4h     89 3h10m
90 2h31m   91 2h      92 1h35m    93 1h16m   94 1h      95 47m37s  96 37m48s  97 30m     98 23m49s 100 15m
101 11m54s 102 9m27s  103 7m30s   104 5m57s  105 4m43s  106 3m45s  107 2m59s  108 2m22s  109 1m53s 110 1m29s
111 1m11s  112 56s    113 45s     114 35s    115 28s    116 22s    117 18s    118 14s    119 11s   120 9s
121 7s     122 6s     123 4s      124 3s     125 3s     126 2s     127 1s     128 1s     129 1s    130 0s
"""
NIOSH_EXACT_HOURS: dict[float, float] = {
    82: 16.0,
    88: 4.0,
    91: 2.0,
    94: 1.0,
    97: 0.5,
    100: 0.25,
    103: 0.125,
    106: 0.0625,
    112: 0.015625,
    115: 0.0078125,
}

OSHA_TABLE_G16: dict[float, float] = {
    90: 8.0,
    92: 6.0,
    95: 4.0,
    97: 3.0,
    100: 2.0,
    102: 1.5,
    105: 1.0,
    110: 0.5,
    115: 0.25,
}
OSHA_HALF_HOURS = (92, 97, 102)
"""These rows of Table G-16 are printed to the half hour (formula: 6.06, 3.03, 1.52 h); the others are exact."""
OSHA_TABLE_G16A = """
32 27.9 24.3 21.1 18.4 16 13.9 12.1 10.6 9.2
8 7.0 6.1 5.3 4.6 4 3.5 3.0 2.6 2.3
2 1.7 1.5 1.3 1.1 1 0.87 0.76 0.66 0.57
0.5 0.44 0.38 0.33 0.29 0.25 0.22 0.19 0.16 0.14
0.125 0.11 0.095 0.082 0.072 0.063 0.054 0.047 0.041 0.036
0.031
"""
"""Hours from 80 to 130 dB(A). At 83 dB(A) another page of the same regulator prints 21.2 (formula: 21.11)."""

OSHA_DOSE_TO_TWA: dict[float, float] = {
    10: 73.4, 25: 80.0, 50: 85.0, 75: 87.9, 91: 89.3, 100: 90.0, 150: 92.9, 200: 95.0, 300: 97.9, 400: 100.0,
    500: 101.6, 600: 102.9, 800: 105.0, 999: 106.6,
}  # fmt: skip
OSHA_LONG_SHIFTS: dict[float, float] = {8: 85.0, 9: 84.2, 10: 83.4, 12: 82.1, 16: 80.0}

H870_ADULTS_HALVED: dict[float, float] = {
    80: 40.0,
    83: 20.0,
    86: 10.0,
    89: 5.0,
    92: 2.5,
    95: 1.25,
    98: 0.625,
    101: 0.3125,
    104: 0.15625,
}
H870_ADULTS_EXACT: dict[float, float] = {
    75: 126.49,
    80: 40.0,
    83: 20.05,
    86: 10.05,
    89: 5.04,
    92: 2.524,
    95: 1.265,
    98: 0.634,
    101: 0.3177,
    104: 0.1592,
    110: 0.0400,
}
H870_SENSITIVE_EXACT: dict[float, float] = {
    75: 40.0, 80: 12.65, 83: 6.34, 86: 3.18, 89: 1.59, 92: 0.798, 95: 0.400, 98: 0.2005, 101: 0.1005,
    104: 0.0504, 110: 0.01265,
}  # fmt: skip

SOUND_EXPOSURES_PA2H = [
    (80.0, 8.0, 0.320), (80.0, 40.0, 1.600), (85.0, 8.0, 1.0119), (87.0, 8.0, 1.6038), (90.0, 8.0, 3.200),
    (94.0, 1.0, 1.0048), (100.0, 1.0, 4.000),
]  # fmt: skip

WEEKLY_RECKONER: dict[float, float] = {
    95: 1000, 94: 790, 93: 630, 92: 500, 91: 400, 90: 315, 89: 250, 88: 200, 87: 160, 86: 125, 85: 100, 84: 80,
    82: 50, 81: 40, 80: 32, 78: 20,
}  # fmt: skip
"""Points of an 8-hour day; 83 and 79 dB are in MISPRINTS."""

EQUAL_EXPOSURES = [
    (80.0, 80.0, 8.0), (80.0, 83.0, 4.0), (80.0, 86.0, 2.0), (80.0, 89.0, 1.0), (80.0, 92.0, 0.5),
    (85.0, 88.0, 4.0), (85.0, 94.0, 1.0), (85.0, 105.0, 5.0 / 60.0),
]  # fmt: skip

# Levels and hours; NIOSH dose and TWA, LEX,8h, OSHA dose from 80 dB and its TWA, OSHA dose from 90 dB.
MIXED: list[tuple[tuple[float, ...], tuple[float, ...], tuple[float, float, float, float, float, float]]] = [
    ((85, 88, 91), (4, 2, 1), (150.00, 86.76, 86.75, 58.31, 86.11, 14.36)),
    ((90, 95, 85), (4, 2, 2), (435.72, 91.39, 91.37, 112.50, 90.85, 100.00)),
    ((82, 91, 97), (4, 3, 0.5), (275.00, 89.39, 89.37, 76.06, 88.03, 59.57)),
    ((80, 94, 100), (6, 1, 0.25), (223.62, 88.50, 88.46, 53.01, 85.42, 34.26)),
    ((90, 95, 100, 85), (2, 2, 2, 2), (1156.35, 95.63, 95.59, 187.50, 94.53, 175.00)),
]

MISPRINTS = [
    Misprint(
        "99 dB(A)",
        NIOSH_SOURCE.at(", Table 1-1 (prints 18 min 59 s), formula", CLOSED_FORM),
        1139.0,
        1134.0,
        "s",
        1.0,
    ),
    Misprint(
        "TWA of 50,000 %",
        NIOSH_SOURCE.at(", Table 1-2 (prints 102.0), formula", CLOSED_FORM),
        102.0,
        112.0,
        "dB(A)",
        0.05,
    ),
    Misprint(
        "TWA of 26,000,000 %",
        NIOSH_SOURCE.at(", Table 1-2 (prints 139.0), formula", CLOSED_FORM),
        139.0,
        139.15,
        "dB(A)",
        0.05,
    ),
    Misprint(
        "TWA of 115 %", OSHA_SOURCE.at(", Table A-1 (prints 91.1), formula", CLOSED_FORM), 91.1, 91.01, "dB(A)", 0.05
    ),
    Misprint("83 dB for a day", RECKONER.at(" (prints 65), formula", CLOSED_FORM), 65.0, 63.1, "points", 0.1),
    Misprint("79 dB for a day", RECKONER.at(" (prints 26), formula", CLOSED_FORM), 26.0, 25.1, "points", 0.1),
]


def printed_seconds(text: str) -> tuple[float, float]:
    """ "2h31m" as seconds, and the size of its last printed unit; times of hours and minutes are whole minutes."""
    parts = {unit: float(number) for number, unit in re.findall(r"(\d+)([hms])", text)}
    seconds = 3600.0 * parts.get("h", 0.0) + 60.0 * parts.get("m", 0.0) + parts.get("s", 0.0)
    return seconds, 60.0 if "h" in parts else 1.0


def seconds_allowed(rule: Rule, level_db: float) -> float:
    """Permissible time in seconds."""
    return 3600.0 * permissible_hours(level_db, rule)


def hours_allowed(rule: Rule, level_db: float) -> float:
    """Permissible time in hours."""
    return permissible_hours(level_db, rule)


def daily_level_of_mean(levels_db: tuple[float, ...], hours: float, round_to_tenth: bool = False) -> float:
    """LEX,8h of the energy mean of several samples; ISO 9612 rounds the mean in one of its examples."""
    mean = equivalent_level_db(levels_db, [1.0] * len(levels_db))
    return daily_level_db([round(mean, 1) if round_to_tenth else mean], [hours])


def _niosh() -> Iterator[Check]:
    for level, text in re.findall(r"(\d+) (\S+)", NIOSH_TABLE_1_1):
        seconds, unit = printed_seconds(text)
        measure = partial(seconds_allowed, NIOSH, float(level))
        yield Check(f"NIOSH, {level} dB(A)", NIOSH_SOURCE.at(", Table 1-1"), seconds, "s", unit, unit, measure)
    for level, hours in NIOSH_EXACT_HOURS.items():
        source = NIOSH_SOURCE.at(", 1.1.1, formula", CLOSED_FORM)
        yield Check(
            f"NIOSH, {level:g} dB(A), exactly", source, hours, "h", 1e-9, 1e-9, partial(hours_allowed, NIOSH, level)
        )
    yield Check(
        "NIOSH, TWA of 20 %", NIOSH_SOURCE.at(", Table 1-2"), 78.0, "dB(A)", 0.05, 0.05, partial(twa_db, 20.0, NIOSH)
    )
    eight_hours = partial(share_percent, [100.0], [8.0], NIOSH)
    yield Check(
        "NIOSH, 100 dB(A) for 8 h",
        NIOSH_SOURCE.at(", 1.1.1, formula", CLOSED_FORM),
        3200.0,
        "%",
        0.01,
        0.01,
        eight_hours,
    )
    twa = partial(twa_db, 3200.0, NIOSH)
    yield Check(
        "NIOSH, TWA of 3200 %", NIOSH_SOURCE.at(", 1.1.3, 10.0 log", CLOSED_FORM), 100.05, "dB(A)", 0.005, 0.005, twa
    )


def _osha() -> Iterator[Check]:
    for level, hours in OSHA_TABLE_G16.items():
        limit = 0.07 if level in OSHA_HALF_HOURS else 1e-9
        measure = partial(hours_allowed, OSHA_90, level)
        yield Check(f"OSHA, {level:g} dB(A)", OSHA_SOURCE.at(", Table G-16"), hours, "h", 0.0, limit, measure)
    for above, text in enumerate(OSHA_TABLE_G16A.split()):
        half = 0.5 * 10.0 ** -len(text.partition(".")[2])
        name, measure = f"OSHA, {80 + above} dB(A), G-16a", partial(hours_allowed, OSHA_80, 80.0 + above)
        yield Check(name, OSHA_SOURCE.at(", Table G-16a"), float(text), "h", half, half, measure)
    for dose, twa in OSHA_DOSE_TO_TWA.items():
        measure = partial(twa_db, dose, OSHA_80)
        source = OSHA_SOURCE.at(", Appendix A, I(2)", PRINTED if dose in PRINTED_TWA else CLOSED_FORM)
        yield Check(f"OSHA, TWA of {dose:g} %", source, twa, "dB(A)", 0.05, 0.05, measure)
    for shift, level in OSHA_LONG_SHIFTS.items():
        measure = partial(level_for_share_db, 50.0, shift, OSHA_80)
        yield Check(f"OSHA, action level, {shift:g} h", MANUAL, level, "dB(A)", 0.05, 0.05, measure)
    for level, dose in ((92.0, 132.0), (87.0, 66.0)):
        measure = partial(share_percent, [level], [8.0], OSHA_80)
        yield Check(f"OSHA, {level:g} dB(A) for 8 h", MANUAL, dose, "%", 0.5, 0.5, measure)
    uncounted = partial(share_percent, [79.9, 89.9], [100.0, 8.0], OSHA_90)
    yield Check(
        "OSHA, below the threshold",
        OSHA_SOURCE.at(", Table G-16a; our own case", OWN_CASE),
        0.0,
        "%",
        0.0,
        0.0,
        uncounted,
    )


def _directive() -> Iterator[Check]:
    for pascal, level in ((200.0, 140.0), (140.0, 137.0), (112.0, 135.0)):
        measure = partial(pressure_level_db, pascal)
        yield Check(f"peak of {pascal:g} Pa", EU_SOURCE.at(", whole decibels"), level, "dB(C)", 0.5, 0.5, measure)
    for pascal, level in ((200.0, 140.00), (140.0, 136.90), (112.0, 134.96), (1.0, 93.979)):
        measure = partial(pressure_level_db, pascal)
        source = EU_SOURCE.at(": re 20 uPa, closed form", CLOSED_FORM)
        yield Check(f"peak of {pascal:g} Pa, exactly", source, level, "dB", 0.005, 0.005, measure)
    for days, weekly in (((90.0, 90.0, 78.0, 78.0, 78.0), 86.41), ((92.0,), 85.01)):
        measure = partial(weekly_level_db, days)
        source = Source("Directive 2003/10/EC, Article 2; our own case", OWN_CASE, "a research note")
        yield Check(f"week of {len(days)} day(s) with {days[0]:g}", source, weekly, "dB(A)", 0.005, 0.005, measure)
    hour = partial(equivalent_level_db, [90.0, 70.0], [10.0 / 60.0, 50.0 / 60.0])
    yield Check(
        "Leq, 10 min at 90 and 50 min at 70",
        Source("energy mean; our own case", OWN_CASE),
        82.43,
        "dB(A)",
        0.005,
        0.005,
        hour,
    )


def _h870() -> Iterator[Check]:
    tables = [
        ("adults, 3 dB halving", ADULTS_HALVED, H870_ADULTS_HALVED, "halved for each 3 dB", 0.0),
        ("adults, equal energy", ADULTS, H870_ADULTS_EXACT, "mode 1, arithmetic", 0.002),
        ("sensitive, equal energy", SENSITIVE, H870_SENSITIVE_EXACT, "mode 2, from summaries; arithmetic", 0.002),
    ]
    for name, rule, table, source, relative in tables:
        for level, hours in table.items():
            limit, measure = relative * hours, partial(hours_allowed, rule, level)
            yield Check(
                f"H.870 {name}, {level:g} dB(A)", H870_SOURCE.at(f", {source}"), hours, "h", limit, limit, measure
            )
    for level, printed, source in (
        (80.0, 1.6, H870_SOURCE.at(", mode 1", PRINTED)),
        (75.0, 0.51, H870_SOURCE.at(", mode 2, from memory", FROM_MEMORY)),
    ):
        measure = partial(sound_exposure_pa2h, level, 40.0)
        yield Check(f"H.870, {level:g} dB(A) for 40 h", source, printed, "Pa²h", 0.005, 0.005, measure)
    yield from _sound_exposures()


def _sound_exposures() -> Iterator[Check]:
    for level, hours, exposure in SOUND_EXPOSURES_PA2H:
        # Half a unit of the last digit: three where the figure is an even one, else four.
        limit = 0.5 * 10.0 ** (-3 if round(exposure, 3) == exposure else -4)
        measure = partial(sound_exposure_pa2h, level, hours)
        yield Check(
            f"{level:g} dB(A) for {hours:g} h",
            IEC_61252,
            exposure,
            "Pa²h",
            limit,
            limit,
            measure,
        )
    week_in_a_day = partial(daily_level_of_exposure_db, 1.6)
    yield Check("a week of H.870 in one day", IEC_61252, 87.0, "dB(A)", 0.05, 0.05, week_in_a_day)
    one = partial(daily_level_of_exposure_db, 1.0)
    yield Check("1 Pa²h as LEX,8h", IEC_61252, 84.949, "dB(A)", 0.001, 0.001, one)
    yield Check(
        "1 Pa²h as LAE",
        IEC_61252,
        129.542,
        "dB(A)",
        0.001,
        0.001,
        partial(exposure_level_db, 1.0),
    )


def iso_9612_tasks() -> float:
    """Annex D: three tasks, two of them with several samples."""
    loud, middle = (86.5, 92.4, 89.3, 93.2, 87.8, 86.2), (80.1, 82.2, 79.6)
    means = [equivalent_level_db(samples, [1.0] * len(samples)) for samples in ((70.0,), middle, loud)]
    return daily_level_db(means, [1.5, 5.0, 1.5])


def _iso_9612() -> Iterator[Check]:
    job, day = (88.1, 86.1, 89.7, 86.5, 91.1, 86.7), (88.0, 91.9, 87.6, 90.4, 89.0, 88.4)
    yield Check("ISO 9612, by tasks", ISO_SOURCE.at(", Annex D"), 84.3, "dB(A)", 0.05, 0.05, iso_9612_tasks)
    rounded = partial(daily_level_of_mean, job, 7.5, True)
    yield Check("ISO 9612, by job, mean rounded", ISO_SOURCE.at(", Annex E"), 88.1, "dB(A)", 0.05, 0.05, rounded)
    exact = partial(daily_level_of_mean, job, 7.5)
    yield Check(
        "ISO 9612, by job, not rounded",
        ISO_SOURCE.at(", Annex E, recomputed", CLOSED_FORM),
        88.16,
        "dB(A)",
        0.005,
        0.005,
        exact,
    )
    full = partial(daily_level_of_mean, day, 9.25)
    yield Check("ISO 9612, full day", ISO_SOURCE.at(", Annex F"), 90.1, "dB(A)", 0.05, 0.05, full)


L108_DAY = ((80.0, 5.0, 78.0, 20.0), (86.0, 2.0, 80.0, 31.0), (95.0, 0.75, 85.0, 94.0))
"""Level, hours, printed part of LEX,8h, printed points."""


def l108_points() -> float:
    """Points of the day added up."""
    return sum(exposure_points(level, hours) for level, hours, _, _ in L108_DAY)


def _british() -> Iterator[Check]:
    for level, hours, part, points in L108_DAY:
        name = f"L108, {level:g} dB(A) for {hours:g} h"
        yield Check(name, L108_SOURCE, part, "dB(A)", 0.5, 0.5, partial(daily_level_db, [level], [hours]))
        yield Check(
            f"{name}, points", L108_SOURCE, points, "points", 0.5, 0.5, partial(exposure_points, level, hours)
        )
    yield Check("L108, points of the day", L108_SOURCE, 145.0, "points", 0.5, 0.5, l108_points)
    levels, hours_each = [row[0] for row in L108_DAY], [row[1] for row in L108_DAY]
    day = partial(daily_level_db, levels, hours_each)
    yield Check("L108, LEX,8h of the day", L108_SOURCE, 87.0, "dB(A)", 0.5, 0.5, day)
    yield Check(
        "L108, the same from points", L108_SOURCE, 87.0, "dB(A)", 0.5, 0.5, partial(level_of_points_db, 145.0)
    )
    for decibels, points in WEEKLY_RECKONER.items():
        # Points are printed in preferred numbers, so the level is what can be compared.
        measure = partial(level_of_points_db, points)
        yield Check(f"{points:g} points", RECKONER, decibels, "dB(A)", 0.06, 0.06, measure)
    week = partial(level_of_points_db, 2000.0 / 5.0)
    yield Check("2000 points in a week", RECKONER, 91.0, "dB(A)", 0.5, 0.5, week)
    for target, level, hours in EQUAL_EXPOSURES:
        name, measure = f"{level:g} dB(A) for {60 * hours:g} min", partial(daily_level_db, [level], [hours])
        yield Check(name, MUSIC_GUIDANCE, target, "dB(A)", 0.5, 0.5, measure)


def _mixed() -> Iterator[Check]:
    for levels, hours, figures in MIXED:
        case = ", ".join(f"{level:g}" for level in levels)
        niosh, osha = share_percent(levels, hours, NIOSH), share_percent(levels, hours, OSHA_80)
        measures = [
            ("NIOSH dose", "%", partial(share_percent, levels, hours, NIOSH)),
            ("NIOSH TWA", "dB(A)", partial(twa_db, niosh, NIOSH)),
            ("LEX,8h", "dB(A)", partial(daily_level_db, levels, hours)),
            ("OSHA dose from 80", "%", partial(share_percent, levels, hours, OSHA_80)),
            ("OSHA TWA", "dB(A)", partial(twa_db, osha, OSHA_80)),
            ("OSHA dose from 90", "%", partial(share_percent, levels, hours, OSHA_90)),
        ]
        for (name, unit, measure), expected in zip(measures, figures, strict=True):
            yield Check(f"{case} dB(A): {name}", OWN, expected, unit, 0.0051, 0.0051, measure)


def _misprints() -> Iterator[Check]:
    measures = {
        "99 dB(A)": partial(seconds_allowed, NIOSH, 99.0),
        "TWA of 50,000 %": partial(twa_db, 50_000.0, NIOSH),
        "TWA of 26,000,000 %": partial(twa_db, 26_000_000.0, NIOSH),
        "TWA of 115 %": partial(twa_db, 115.0, OSHA_80),
        "83 dB for a day": partial(exposure_points, 83.0, 8.0),
        "79 dB for a day": partial(exposure_points, 79.0, 8.0),
    }
    for item in MISPRINTS:
        limit = item.plus_minus
        yield Check(item.name, item.source, item.correct, item.unit, limit, limit, measures[item.name])


CHECKS: list[Check] = [
    check
    for group in (_niosh, _osha, _directive, _h870, _iso_9612, _british, _mixed, _misprints)
    for check in group()
]

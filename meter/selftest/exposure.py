"""Published checks of exposure arithmetic against the tables and worked examples of ``exposure_tables``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial

from dsp.exposure.exposure import (
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
from meter.selftest.exposure_tables import (
    ADULTS,
    ADULTS_HALVED,
    EQUAL_EXPOSURES,
    EU_SOURCE,
    H870_ADULTS_EXACT,
    H870_ADULTS_HALVED,
    H870_SENSITIVE_EXACT,
    H870_SOURCE,
    IEC_61252,
    ISO_SOURCE,
    L108_SOURCE,
    MANUAL,
    MISPRINTS,
    MIXED,
    MUSIC_GUIDANCE,
    NIOSH,
    NIOSH_EXACT_HOURS,
    NIOSH_SOURCE,
    NIOSH_TABLE_1_1,
    OSHA_80,
    OSHA_90,
    OSHA_DOSE_TO_TWA,
    OSHA_HALF_HOURS,
    OSHA_LONG_SHIFTS,
    OSHA_SOURCE,
    OSHA_TABLE_G16,
    OSHA_TABLE_G16A,
    OWN,
    PRINTED_TWA,
    RECKONER,
    SENSITIVE,
    SOUND_EXPOSURES_PA2H,
    WEEKLY_RECKONER,
)


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
        # Half a unit of the last digit: three digits for an even figure, otherwise four.
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

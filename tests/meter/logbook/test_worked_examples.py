"""Printed worked examples of mixed exposure, through the ledger on a disk: levels second by second, days, restarts.

Sources: ISO 9612:2009, Annexes D, E and F; British guidance L108, Appendix 3; the weekly reckoner of the same;
British guidance for music; 29 CFR 1910.95, Table G-16, note 1. Where the print rounds between its steps, half a
printed unit and that rounding are allowed. Cases of our own are marked; they were computed from the documents'
formulae by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from dsp.exposure.exposure import exposure_points, level_of_points_db
from meter.logbook.exposure_summary import Summary
from tests.support.ledgers import (
    DAY,
    EU_UPPER,
    HOUR,
    NIOSH,
    NOON,
    OSHA,
    OSHA_COMPLIANCE,
    SENSITIVE,
    WEEKLY,
    Desk,
    FakeTime,
)

MORNING = NOON - 12 * HOUR
Day = Sequence[tuple[float, float]]
"""Levels in dB(A), each with its hours."""


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[Callable[..., Summary]]:
    """The account after one day, or several, of these levels; the first begins at midnight."""
    desks = []

    def listen(*days: Day, rule=NIOSH) -> Summary:
        time = FakeTime(MORNING)
        for number, stretches in enumerate(days):
            time.go(MORNING + number * DAY - time.wall)
            desk = Desk(tmp_path, time)
            desk.listen_to(stretches)
            desks.append(desk)
            if number < len(days) - 1:
                desk.ledger.close()
        return desk.summary(rule)

    yield listen
    desks[-1].ledger.close()


def each(levels: Sequence[float], hours: float) -> list[tuple[float, float]]:
    """Several measured levels of one task that lasted ``hours``: their energy mean, as each had its part of it."""
    return [(level, hours / len(levels)) for level in levels]


TASK_BASED = [(70.0, 1.5), *each([80.1, 82.2, 79.6], 5.0), *each([86.5, 92.4, 89.3, 93.2, 87.8, 86.2], 1.5)]
JOB_BASED = each([88.1, 86.1, 89.7, 86.5, 91.1, 86.7], 7.5)
FULL_DAY = each([88.0, 91.9, 87.6, 90.4, 89.0, 88.4], 9.25)
L108 = [(80.0, 5.0), (86.0, 2.0), (95.0, 0.75)]


@pytest.mark.parametrize(
    ("day", "printed"), [(TASK_BASED, 84.3), (JOB_BASED, 88.1), (FULL_DAY, 90.1)], ids=["D", "E", "F"]
)
def test_iso_9612_annexes(heard, day: Day, printed: float) -> None:
    # Annex E rounds its mean to 88.4 before it goes on, so a tenth is allowed.
    assert heard(day).level_8h_today_dba == pytest.approx(printed, abs=0.1)


def test_l108_appendix_3_points_and_daily_level(heard) -> None:
    summary = heard(L108, rule=EU_UPPER)
    # 100 points are 85 dB(A) for 8 hours, which is the allowance of this rule: 145 points are printed.
    assert summary.share_today == pytest.approx(145.0, abs=0.5)
    assert summary.level_8h_today_dba == pytest.approx(87.0, abs=0.5)
    assert summary.twa_dba == pytest.approx(summary.level_8h_today_dba)


@pytest.mark.parametrize(("level", "hours", "printed"), [(80.0, 5.0, 20), (86.0, 2.0, 31), (95.0, 0.75, 94)])
def test_l108_appendix_3_parts(heard, level: float, hours: float, printed: int) -> None:
    assert heard([(level, hours)], rule=EU_UPPER).share_today == pytest.approx(printed, abs=0.5)


RECKONER = [1000, 790, 630, 500, 400, 315, 250, 200, 160, 125, 100, 80, 65, 50, 40, 32, 26, 20]


@pytest.mark.parametrize(("level", "printed"), list(zip(range(95, 77, -1), RECKONER, strict=True)))
def test_the_weekly_reckoners_column_of_daily_points(heard, level: int, printed: int) -> None:
    # The column is rounded to preferred numbers; the coarsest are 65 for 63.1 and 26 for 25.1.
    assert heard([(float(level), 8.0)], rule=EU_UPPER).share_today == pytest.approx(printed, rel=0.036)


def test_the_weekly_reckoners_week_of_2000_points_is_91_db(heard) -> None:
    # Five days of 400 points, 91 dB(A) each.
    summary = heard(*[[(level_of_points_db(400.0), 8.0)]] * 5, rule=EU_UPPER)
    assert summary.share_week == pytest.approx(2000 / 5, rel=1e-3)
    assert summary.level_week_dba == pytest.approx(91.0, abs=0.05)


def test_a_mixed_week_by_the_reckoners_points(heard) -> None:
    # Own case: two days at 90 dB and three at 78 dB, and one day of 92 dB alone (Directive 2003/10/EC, Article 2).
    week = [[(90.0, 8.0)]] * 2 + [[(78.0, 8.0)]] * 3
    summary = heard(*week, rule=EU_UPPER)
    assert summary.level_week_dba == pytest.approx(86.41, abs=0.01)
    assert sum(day.share for day in summary.days) == pytest.approx(
        2 * exposure_points(90.0, 8.0) + 3 * exposure_points(78.0, 8.0), rel=1e-4
    )


def test_one_day_of_92_db_alone_in_the_week(heard) -> None:
    assert heard([(92.0, 8.0)]).level_week_dba == pytest.approx(85.01, abs=0.01)


EQUAL = [(80.0, 8.0), (83.0, 4.0), (86.0, 2.0), (89.0, 1.0), (92.0, 0.5)]
EQUAL_TOO = [(105.0, 5 / 60), (94.0, 1.0), (88.0, 4.0)]


@pytest.mark.parametrize(("level", "hours"), EQUAL)
def test_guidance_for_music_equal_exposures_by_halves(heard, level: float, hours: float) -> None:
    # Within what 3 dB halving differs from equal energy over 12 dB.
    assert heard([(level, hours)]).level_8h_today_dba == pytest.approx(80.0, abs=0.05)


@pytest.mark.parametrize(("level", "hours"), EQUAL_TOO)
def test_guidance_for_music_five_minutes_at_105_db(heard, level: float, hours: float) -> None:
    # 105 dB for 5 min are 1.5 % of 8 h more than 94 dB for 1 h: the guidance rounds to whole minutes.
    assert heard([(level, hours)]).level_8h_today_dba == pytest.approx(85.0, abs=0.25)


def test_table_g16_note_1_the_sum_of_parts_over_one_exceeds_the_limit(heard) -> None:
    # Half of the time for 90 dB(A), and half of that for 100 dB(A), are all of it (29 CFR 1910.95, Table G-16).
    summary = heard([(90.0, 4.0), (100.0, 1.0)], rule=OSHA_COMPLIANCE)
    assert summary.share_today == pytest.approx(100.0)
    assert summary.time_left_minute == pytest.approx(0.0, abs=1e-9)


# Own mixed cases under three rules: shares, TWA and LEX,8h computed from 10.1 of each document, printed nowhere.
MIXED = [
    ([(85, 4), (88, 2), (91, 1)], 150.00, 86.76, 86.75, 58.31, 86.11, 14.36),
    ([(90, 4), (95, 2), (85, 2)], 435.72, 91.39, 91.37, 112.50, 90.85, 100.00),
    ([(82, 4), (91, 3), (97, 0.5)], 275.00, 89.39, 89.37, 76.06, 88.03, 59.57),
    ([(80, 6), (94, 1), (100, 0.25)], 223.62, 88.50, 88.46, 53.01, 85.42, 34.26),
    ([(90, 2), (95, 2), (100, 2), (85, 2)], 1156.35, 95.63, 95.59, 187.50, 94.53, 175.00),
]


@pytest.mark.parametrize(
    ("day", "niosh", "niosh_twa", "level_8h", "osha", "osha_twa", "compliance"), MIXED, ids=lambda case: ""
)
def test_mixed_days_under_three_rules(
    tmp_path: Path, day: Day, niosh, niosh_twa, level_8h, osha, osha_twa, compliance
) -> None:
    desk = Desk(tmp_path, FakeTime(MORNING))
    desk.listen_to(day)
    by_niosh, by_osha, by_limit = (desk.summary(rule) for rule in (NIOSH, OSHA, OSHA_COMPLIANCE))
    desk.ledger.close()
    assert by_niosh.share_today == pytest.approx(niosh, abs=0.01)
    assert by_niosh.twa_dba == pytest.approx(niosh_twa, abs=0.01)
    assert by_niosh.level_8h_today_dba == pytest.approx(level_8h, abs=0.01)
    assert by_osha.share_today == pytest.approx(osha, abs=0.01)
    assert by_osha.twa_dba == pytest.approx(osha_twa, abs=0.01)
    assert by_limit.share_today == pytest.approx(compliance, abs=0.01)


def test_osha_technical_manual_both_criteria_in_one_day(heard) -> None:
    # OSHA Technical Manual III-5: 92 dB(A) for 8 h are 132 %, 87 dB(A) for 8 h are 66 %.
    assert heard([(92.0, 8.0)], rule=OSHA).share_today == pytest.approx(132.0, abs=0.5)


def test_osha_technical_manual_87_db(heard) -> None:
    assert heard([(87.0, 8.0)], rule=OSHA).share_today == pytest.approx(66.0, abs=0.5)


# NIOSH 98-126, Table 1-1, a day each; ITU-T H.870, a week.


@pytest.mark.parametrize(("level", "hours"), [(82, 16), (85, 8), (88, 4), (91, 2), (94, 1), (97, 0.5), (100, 0.25)])
def test_niosh_table_1_1_is_a_whole_allowance(heard, level: float, hours: float) -> None:
    assert heard([(level, hours)]).share_today == pytest.approx(100.0, rel=1e-9)


def test_h870_forty_hours_in_seven_days_are_the_weeks_allowance(heard) -> None:
    # 80 dB(A) for 40 h a week, mode 1; 75 dB(A), mode 2: here as five days of eight hours.
    days = [[(80.0, 8.0)]] * 5
    summary = heard(*days, rule=WEEKLY)
    assert summary.share_week == pytest.approx(100.0, rel=1e-9)
    assert [round(day.share, 6) for day in summary.days] == [20.0] * 5
    assert summary.share_today == pytest.approx(20.0)
    assert summary.twa_dba == pytest.approx(80.0)


def test_h870_sensitive_mode_at_the_adults_level_lasts_a_third(heard) -> None:
    # 12.65 h (12 h 39 min) at 80 dB(A) in mode 2.
    assert heard([(80.0, 12.65)], rule=SENSITIVE).share_week == pytest.approx(100.0, abs=0.05)

"""Exposure arithmetic against the tables and worked examples of the rules it follows."""

from __future__ import annotations

import pytest

from meter.exposure_rules import load_rules
from meter.selftest.exposure import CHECKS
from meter.selftest.exposure_tables import (
    ADULTS,
    EU_SOURCE,
    H870_SOURCE,
    ISO_SOURCE,
    L108_SOURCE,
    MISPRINTS,
    NIOSH,
    NIOSH_SOURCE,
    OSHA_80,
    OSHA_SOURCE,
    OWN,
    SENSITIVE,
)
from tests.support.published import by_source, hold_all


def test_niosh_98_126_table_1_1() -> None:
    hold_all(by_source(CHECKS, f"{NIOSH_SOURCE}, Table 1-1"))


def test_niosh_98_126_table_1_2_and_formulae() -> None:
    hold_all(by_source(CHECKS, f"{NIOSH_SOURCE}, Table 1-2", f"{NIOSH_SOURCE}, 1.1"))


def test_1910_95_tables_g_16_and_g_16a() -> None:
    hold_all(by_source(CHECKS, f"{OSHA_SOURCE}, Table G-16"))


def test_1910_95_appendix_a_and_technical_manual() -> None:
    hold_all(by_source(CHECKS, f"{OSHA_SOURCE}, Appendix A", f"{OSHA_SOURCE}, Table A-1", "technical manual"))


def test_directive_2003_10() -> None:
    hold_all(by_source(CHECKS, EU_SOURCE, "Directive 2003/10/EC, Article 2"))


def test_h_870_weekly_times() -> None:
    hold_all(by_source(CHECKS, H870_SOURCE))


def test_sound_exposure() -> None:
    hold_all(by_source(CHECKS, "IEC 61252", "energy mean"))


def test_iso_9612_annexes_d_e_f() -> None:
    hold_all(by_source(CHECKS, ISO_SOURCE))


def test_l108_and_the_weekly_reckoner() -> None:
    hold_all(by_source(CHECKS, L108_SOURCE, "weekly noise reckoner", "British guidance"))


def test_mixed_exposures_under_three_criteria() -> None:
    hold_all(by_source(CHECKS, OWN))


def test_every_check_is_in_one_of_the_tables_above() -> None:
    tabled = by_source(
        CHECKS, NIOSH_SOURCE, OSHA_SOURCE, "technical manual", "Directive 2003/10/EC", H870_SOURCE, "IEC 61252",
        "energy mean", ISO_SOURCE, L108_SOURCE, "weekly noise reckoner", "British guidance", OWN,
    )  # fmt: skip
    assert len(tabled) == len(CHECKS)


def test_misprints_are_known_by_name_and_really_are_misprints() -> None:
    assert MISPRINTS
    for misprint in MISPRINTS:
        check = next(check for check in CHECKS if check.name == misprint.name)
        assert check.source == misprint.source
        assert not check.passes(misprint.printed), misprint.name


@pytest.mark.parametrize(
    ("beginning", "figures"),
    [("NIOSH 98-126", NIOSH), ("OSHA 1910.95", OSHA_80), ("WHO-ITU H.870, adults", ADULTS),
     ("WHO-ITU H.870, sensitive", SENSITIVE)],
)  # fmt: skip
def test_the_rules_that_ship_have_the_published_figures(beginning: str, figures: object) -> None:
    (shipped,) = (rule.rule for name, rule in load_rules().items() if name.startswith(beginning))
    for name in ("criterion_db", "criterion_hours", "period", "exchange_db", "threshold_db"):
        assert getattr(shipped, name) == getattr(figures, name)


@pytest.mark.parametrize(("value", "level_db"), [("lower action", 80.0), ("upper action", 85.0)])
def test_directive_2003_10_article_3_values_ship(value: str, level_db: float) -> None:
    (shipped,) = (rule.rule for name, rule in load_rules().items() if value in name)
    assert (shipped.criterion_db, shipped.criterion_hours, shipped.exchange_db) == (level_db, 8.0, 0.0)

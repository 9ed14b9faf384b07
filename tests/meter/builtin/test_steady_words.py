"""Words that stay: what is named changes when it has lasted, and a lean is never the headline."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meter.gui.kit.steady import Lean, Steady, StrongestLow
from meter.gui.kit.theme import apply_theme
from tests.support.faces import LAYOUTS, make
from tests.support.frames import frame as snapshot
from tests.support.frames import status, values_at

LOWS_HZ = (63, 117, 134, 81, 90)
"""Five lows of nearly one level, as an engineer sees them take turns."""


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


def shown(face, seconds: float, **changed: object):
    values = values_at(100.0) | {key.replace("__", "."): value for key, value in changed.items()}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(seconds)))
    return face


def lows(strongest: int, lead_db: float) -> np.ndarray:
    """A spectrum from 20 to 240 Hz with five lows at -20 dB, one of them higher."""
    hz = np.arange(20.0, 241.0)
    levels = np.full(221, -60.0)
    for each in LOWS_HZ:
        levels[hz == each] = -20.0 + (lead_db if each == strongest else 0.0)
    return levels


def test_lows_of_nearly_one_level_do_not_take_turns(qtbot) -> None:
    face = make("spectrum", qtbot)
    told = set()
    for number in range(60):
        lead = LOWS_HZ[number // 4 % 5]
        told.add(shown(face, 100.0 + number / 2, spectrum__fine=lows(lead, 2.0)).labels["strongest"].text)
    assert told == {"strongest low: 63 Hz, near B1"}


def test_a_low_that_leads_clearly_for_three_seconds_is_named(qtbot) -> None:
    face = make("spectrum", qtbot)
    told = {}
    for number in range(30):
        seconds = number / 4
        lead = 63 if seconds < 2.0 else 90
        face = shown(face, 100.0 + seconds, spectrum__fine=lows(lead, 6.0))
        told[seconds] = face.labels["strongest"].text
    assert "63 Hz" in told[4.75]
    assert "90 Hz" in told[5.25]


def mono(face, seconds: float, **changed: object) -> tuple[str, str]:
    usual = {"mono_lows__verdict": 1, "mono_lows__loss_now": -0.1, "mono_lows__band_loss": [0.0] * 4,
             "mono_lows__balance_now": 0.0}  # fmt: skip
    shown(face, seconds, **usual | {f"mono_lows__{key}": value for key, value in changed.items()})
    return face.labels["verdict"].text, face.labels["lean"].text


def test_a_lean_is_the_second_line_and_never_the_headline(qtbot) -> None:
    face = make("mono_lows", qtbot)
    assert mono(face, 1.0, verdict=2, balance_now=-2.0) == ("solid below 120 Hz", "leans 2.0 dB to the right")
    for number in range(40):  # about the limit where the judgement becomes "watch"
        balance = -0.9 if number % 2 else -1.1
        verdict = 1 if number % 2 else 2
        told = mono(face, 2.0 + number / 2, verdict=verdict, balance_now=balance)
        assert told == ("solid below 120 Hz", "leans 1.0 dB to the right")
    assert mono(face, 40.0, balance_now=-0.2)[1] == "leans 1.0 dB to the right"
    assert mono(face, 43.0, balance_now=-0.2)[1] == "centred"


def test_the_headline_waits_for_a_loss_that_lasts(qtbot) -> None:
    face = make("mono_lows", qtbot)
    loses = {"verdict": 3, "loss_now": -4.0, "worst_band": 2, "band_loss": [0.0, 0.0, -6.0, 0.0]}
    solid, cancels = "solid below 120 Hz", "60–90 Hz largely cancels in mono"
    assert mono(face, 1.0)[0] == solid
    for number in range(8):  # half a second of loss now and then
        assert mono(face, 2.0 + number / 2, **(loses if number % 2 else {}))[0] == solid
    assert mono(face, 9.5)[0] == solid
    assert [mono(face, 10.0 + n / 2, **loses)[0] for n in range(4)] == [solid, solid, cancels, cancels]
    assert [mono(face, 20.0 + n, **{})[0] for n in range(5)] == [cancels] * 3 + [solid] * 2


def test_bands_that_lose_the_same_do_not_take_turns(qtbot) -> None:
    face = make("mono_lows", qtbot)
    told = set()
    for number in range(40):
        worst = 1 + number % 2
        losses = [0.0, -5.0, -5.0, 0.0]
        losses[worst] = -5.5
        told.add(mono(face, 1.0 + number, verdict=3, loss_now=-4.0, worst_band=worst, band_loss=losses)[0])
    assert told == {"40–60 Hz largely cancels in mono"}


def test_a_band_on_one_side_is_told_in_the_second_line(qtbot) -> None:
    face = make("mono_lows", qtbot)
    balance = [0.0, 0.0, 24.0, 0.0]
    told = mono(face, 1.0, verdict=3, loss_now=-2.5, worst_band=2, band_loss=[0, 0, -3.0, 0], band_balance=balance)
    assert told == ("60–90 Hz loses level in mono", "60–90 Hz sits on the left")


def test_a_steady_value_takes_the_first_at_once_and_follows_a_clock_that_goes_back() -> None:
    steady: Steady[str] = Steady(2.0)
    assert [steady.follow(*each) for each in (("a", 9.0), ("b", 10.0), ("b", 11.9), ("b", 12.0))] == list("aaab")
    assert [steady.follow(*each) for each in (("a", 13.0), ("a", 1.0), ("a", 2.9), ("a", 3.0))] == list("bbba")


def test_a_lean_without_end_is_told_at_once() -> None:
    lean = Lean()
    assert lean.words(0.0, 1.0) == "centred"
    assert lean.words(math.inf, 1.1) == "all on the left"
    assert lean.words(math.nan, 1.2) == ""


def test_a_low_that_is_behind_gives_way_though_others_take_turns_in_front() -> None:
    """A bass line moves between two notes, and neither leads for three seconds."""
    hz = np.array([41.2, 55.0, 220.0])
    low = StrongestLow()
    assert low.follow(hz, np.array([-50.0, -50.0, -34.0]), 0.0) == 220.0
    named = {
        second: low.follow(
            hz, np.array([-28.0, -50.0, -34.0] if second % 2 else [-50.0, -28.0, -34.0]), float(second)
        )
        for second in range(1, 8)
    }
    assert named[3] == 220.0
    assert named[4] in (41.2, 55.0)
    assert named[7] == named[4], "of two that take turns one stays"


def test_the_strongest_low_ignores_what_is_not_known() -> None:
    low = StrongestLow()
    hz = np.arange(20.0, 241.0)
    levels = lows(81, 6.0)
    levels[:30] = math.nan
    assert low.follow(hz, levels, 0.0) == 81.0
    low.clear()
    assert low.follow(hz, lows(63, 6.0), 0.1) == 63.0

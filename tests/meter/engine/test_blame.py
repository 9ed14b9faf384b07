"""Which meters are set aside after an engine ended or hung, without starting one."""

from __future__ import annotations

import signal
from dataclasses import replace

from meter.engine.blame import AtWork, Blame

GUESTS = frozenset({"tilt", "gate"})
SEGFAULT, KILLED = -signal.SIGSEGV, -signal.SIGKILL


def test_a_guest_at_work_is_set_aside_at_the_first_death_however_it_came() -> None:
    for code in (1, 0, SEGFAULT, KILLED):
        assert list(Blame().of_death(AtWork("tilt", guests=GUESTS, exit_code=code), 0.0, 1)) == ["tilt"]
        assert list(Blame().of_death(AtWork("vu", "tilt", GUESTS, exit_code=code), 0.0, 1)) == ["tilt"]


def test_with_none_at_work_a_guest_with_threads_is_set_aside_and_the_others_go_on() -> None:
    at = AtWork("vu", guests=GUESTS, threaded=frozenset({"gate"}), exit_code=SEGFAULT)
    assert list(Blame().of_death(at, 0.0, 1)) == ["gate"]


def test_an_unexplained_crash_sets_all_guests_aside_at_once() -> None:
    found = Blame().of_death(AtWork("vu", guests=GUESTS, exit_code=SEGFAULT), 0.0, 1)
    assert set(found) == GUESTS
    assert "no other cause" in found["tilt"]


def test_an_engine_that_was_killed_from_outside_costs_no_guest_until_the_third_time() -> None:
    blame, at = Blame(), AtWork("vu", guests=GUESTS, threaded=GUESTS, exit_code=KILLED)
    assert blame.of_death(at, 0.0, 1) == {}
    assert blame.of_death(replace(at, meter=""), 100.0, 1) == {}
    assert blame.of_death(replace(at, meter="peaks"), 130.0, 1) == {}
    assert set(blame.of_death(at, 159.0, 1)) == GUESTS


def test_a_meter_of_ours_is_set_aside_when_three_engines_in_a_row_end_in_it() -> None:
    blame, at = Blame(), AtWork("vu", exit_code=SEGFAULT)
    assert blame.of_death(at, 0.0, 1) == {}
    assert blame.of_death(at, 1.0, 2) == {}
    assert list(blame.of_death(at, 2.0, 3)) == ["vu"]


def test_with_guests_a_meter_of_ours_is_not_the_first_to_be_suspected() -> None:
    assert set(Blame().of_death(AtWork("vu", guests=GUESTS, exit_code=SEGFAULT), 0.0, 3)) == GUESTS


def test_a_hang_is_put_down_to_the_guest_at_work_then_to_its_study_then_to_threads_then_to_ours() -> None:
    full = AtWork("tilt", "gate", GUESTS, GUESTS)
    assert list(Blame().of_hang(full)) == ["tilt"]
    assert list(Blame().of_hang(replace(full, meter="vu"))) == ["gate"]
    assert list(Blame().of_hang(replace(full, meter="vu", study="", threaded=frozenset({"gate"})))) == ["gate"]
    assert list(Blame().of_hang(AtWork("vu", guests=GUESTS))) == ["vu"]
    assert Blame().of_hang(AtWork()) == {}


def test_a_driver_that_hangs_while_it_opens_costs_no_guest() -> None:
    assert Blame().of_hang(AtWork(guests=GUESTS, threaded=GUESTS, opening=True)) == {}

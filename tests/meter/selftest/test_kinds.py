"""Each check tells what kind of figure it holds the program to, and the sums count by that."""

from __future__ import annotations

import pytest

from meter.commands.selftest import checks_of, line_of, run_one, sentence_of, sums_of, topics
from meter.selftest.checks import CLOSED_FORM, FROM_MEMORY, KINDS, OWN_CASE, PRINTED, Check, Source

ALL = [(topic, check) for topic in topics() for check in checks_of(topic)]


def test_every_check_has_a_kind_and_every_printed_one_says_where_it_was_read() -> None:
    assert {check.source.kind for _, check in ALL} == set(KINDS)
    unread = {str(check.source) for _, check in ALL if check.source.kind == PRINTED and not check.source.read_in}
    assert not unread


def test_what_is_ours_or_remembered_is_not_called_printed() -> None:
    """The words of a source do not decide its kind, but they must not contradict it."""
    signs = ("from memory", "our own", "not printed", "closed form", "arithmetic", "by hand", "this program")
    found = {str(check.source) for _, check in ALL if check.source.kind == PRINTED}
    assert not [source for source in found if any(sign in source for sign in signs)]


def test_a_clause_keeps_the_kind_of_its_document_unless_it_has_its_own() -> None:
    document = Source("A standard", PRINTED, "a transcription")
    clause = document.at(", Table 1")
    assert (clause, clause.kind, clause.read_in) == ("A standard, Table 1", PRINTED, "a transcription")
    remembered = document.at(", limits from memory", FROM_MEMORY)
    assert (remembered.kind, remembered.read_in) == (FROM_MEMORY, "a transcription")


def test_the_sums_count_by_kind_and_nothing_twice() -> None:
    kinds = [PRINTED, PRINTED, CLOSED_FORM, OWN_CASE, FROM_MEMORY, FROM_MEMORY, FROM_MEMORY]
    results = [
        run_one("level", Check("a check", Source("closed form, not printed", kind, "a copy"), 0, "dB", 1, 1, float))
        for kind in kinds
    ]
    sums = sums_of(results, 1.0)
    assert sums["checks"] == 7
    assert sums["kinds"] == {PRINTED: 2, CLOSED_FORM: 1, OWN_CASE: 1, FROM_MEMORY: 3}
    assert "7 checks: 2 printed, 1 closed form, 1 own case, 3 from memory; 0 missed" in sentence_of(sums)


def test_a_line_names_the_source_as_it_was_read() -> None:
    source = Source("A standard, Table 1", PRINTED, "an encyclopaedia")
    result = run_one("level", Check("a check", source, 0.0, "dB", 1.0, 1.0, lambda: 0.5))
    assert "[A standard, Table 1; read in an encyclopaedia]" in line_of(result)
    assert result.to_json()["kind"] == PRINTED
    assert result.to_json()["read_in"] == "an encyclopaedia"


@pytest.mark.parametrize("kind", ["I", "II"])
def test_peak_programme_bursts_are_marked_as_remembered_and_the_doubted_one_as_unsure(kind: str) -> None:
    bursts = [check for topic, check in ALL if topic == "movement" and f"PPM type {kind}: burst" in check.name]
    assert bursts
    assert all(check.source.kind == FROM_MEMORY and "encyclopaedia" in check.source.read_in for check in bursts)
    doubted = [check.name for check in bursts if "unsure" in check.source]
    assert doubted == (["PPM type II: burst of 10 ms"] if kind == "II" else [])

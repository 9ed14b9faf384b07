"""The kit: a right meter passes every check, each wrong one fails the check that looks for it, at the right line."""

from __future__ import annotations

from pathlib import Path

import pytest

from meter.plugin.host import discover
from meter.plugin.kit import check_meter, check_names, compared, run_check
from tests.support.wrong_meters import WRONG, line_of, write_right_meter, write_wrong_meter


@pytest.fixture(autouse=True)
def _application(qapp):
    """Faces are drawn in the application that all tests share."""


def test_a_right_meter_passes_every_check(tmp_path: Path) -> None:
    outcomes = check_meter(write_right_meter(tmp_path))
    assert [outcome for outcome in outcomes if outcome.result != "pass"] == []
    assert len(outcomes) == 15


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_meter_is_caught(name: str, tmp_path: Path) -> None:
    wrong = WRONG[name]
    folder = write_wrong_meter(tmp_path, wrong)
    [plugin] = discover([folder], installed=False)
    assert wrong.check in check_names(plugin)
    outcome = run_check(plugin, wrong.check)
    assert outcome.failed, outcome
    assert wrong.says in outcome.sentence
    assert outcome.sentence.endswith(".")
    assert "\n" not in str(outcome)
    if wrong.at:
        assert outcome.place == f"{wrong.file}, line {line_of(folder, wrong)}"


OURS = {plugin.id: plugin for plugin in discover() if plugin.ours}
EVERY = [(meter_id, name) for meter_id, plugin in OURS.items() for name in check_names(plugin)]


@pytest.mark.parametrize(("meter_id", "name"), EVERY)
def test_our_meters_keep_the_contract(meter_id: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """More strictly than meters by others: in double precision but for true peaks."""
    if meter_id != "peaks":
        monkeypatch.setattr(compared, "ABSOLUTE", 1e-6)
    outcome = run_check(OURS[meter_id], name)
    assert not outcome.failed, str(outcome)
    if name not in ("settings", "state", "face", "instances"):
        assert outcome.result == "pass", str(outcome)

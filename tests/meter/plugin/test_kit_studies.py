"""The kit on studies: a right one passes, each wrong one fails in a sentence, with the line of what it raised."""

from __future__ import annotations

from pathlib import Path

import pytest

from meter.plugin.host import discover
from meter.plugin.kit import check_names, run_check
from meter.plugin.kit.outcome import Outcome
from tests.support.wrong_meters import write_right_meter

TABLE = """
[[study]]
key = "peak"
function = "study:peak"
findings = "study:PeakFindings"
"""
STUDY = """
import msgspec


class PeakFindings(msgspec.Struct, frozen=True):
    highest: float
    before: float | None


def peak(stretch, settings, before):
    highest = float(abs(stretch).max(initial=0.0))
    return PeakFindings(highest, None if before is None else before.highest)
"""
STRETCH = """
    def stretch(self, key):
        return self._power.copy()
"""


def check(place: Path, study: str = STUDY, stretch: str = STRETCH) -> Outcome:
    folder = write_right_meter(place)
    for file, text in (("manifest.toml", TABLE), ("study.py", study), ("process.py", stretch)):
        with (folder / file).open("a", encoding="utf-8") as whole:
            whole.write(text)
    [plugin] = discover([folder], installed=False)
    assert plugin.refusal == ""
    assert "study peak" in check_names(plugin)
    return run_check(plugin, "study peak")


def test_a_right_study_passes(tmp_path: Path) -> None:
    outcome = check(tmp_path)
    assert outcome.result == "pass", outcome
    assert "PeakFindings" in outcome.sentence


def test_a_study_that_is_given_nothing_is_not_checked(tmp_path: Path) -> None:
    outcome = check(tmp_path, stretch="\n    def stretch(self, key):\n        return None\n")
    assert outcome.result == "skipped"
    assert "returned nothing to study" in outcome.sentence


RETURN = "    return PeakFindings("


@pytest.mark.parametrize(
    ("old", "new", "says", "at"),
    [
        (RETURN, "    return dict(highest=1, before=0) or PeakFindings(", "returns dict, not PeakFindings", ""),
        (RETURN, "    return PeakFindings(stretch or ", "ValueError", "stretch or "),
        (RETURN, "    return PeakFindings(stretch, None) or (", "cannot be sent", ""),
        (RETURN, "    return PeakFindings('loud', None) or (", "cannot be sent", ""),
        ("before.highest", "before.lowest", "AttributeError", "before.lowest"),
        ("class PeakFindings(msgspec.Struct, frozen=True):", "class PeakFindings:", "is not a msgspec.Struct", ""),
        ("def peak(", "peak = 3\ndef other(", "is not a function", ""),
    ],
)  # fmt: skip
def test_a_wrong_study_is_caught(old: str, new: str, says: str, at: str, tmp_path: Path) -> None:
    study = STUDY.replace(old, new)
    outcome = check(tmp_path, study=study)
    assert outcome.failed, outcome
    assert says in outcome.sentence
    if at:
        [line] = [number for number, line in enumerate(study.splitlines(), 1) if at in line]
        assert outcome.place == f"study.py, line {line}"


SHARED = """
    def stretch(self, key):
        self._shared = getattr(self, "_shared", np.zeros(2))
        self._shared[:] = self._power
        process = self.process

        def changing(block):
            process(block)
            self._shared += 1.0

        self.process = changing
        return self._shared
"""


@pytest.mark.parametrize(
    ("stretch", "says"),
    [
        (SHARED, "changes what stretch"),
        ("\n", "no method stretch"),
        (
            "\n    def stretch(self, key):\n        return sum(range(2_000_000)) and self._power.copy()\n",
            "less than 2 ms",
        ),
        ("\n    def stretch(self, key):\n        return self._powers\n", "AttributeError"),
    ],
)
def test_a_wrong_stretch_is_caught(stretch: str, says: str, tmp_path: Path) -> None:
    outcome = check(tmp_path, stretch=stretch)
    assert outcome.failed, outcome
    assert says in outcome.sentence

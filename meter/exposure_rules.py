"""Exposure rules, those that come with the program and the user's: one preset each, with source and caution.

The user chooses the rule; the default is the most protective one. Every figure made with a rule is an estimate.
Rules of the workplace and the country come first.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec

from dsp.exposure.exposure import WORKING_DAYS_PER_WEEK, Rule, permissible_hours
from meter.preset_files import Kind, PresetError, find_presets

COMPARED_AT_DB = 85.0
"""Rules are compared by their weekly allowance at this level, which is above the thresholds of all rules."""

Words = Annotated[str, msgspec.Meta(min_length=1, max_length=400)]


class ExposureRule(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """One rule file; bounds are those of the listening meter's settings of the same names."""

    name: Words
    criterion_db: Annotated[float, msgspec.Meta(ge=40.0, le=120.0)]
    criterion_hours: Annotated[float, msgspec.Meta(ge=0.1, le=168.0)]
    period: Literal["day", "week"]
    exchange_db: Annotated[float, msgspec.Meta(ge=0.0, le=10.0)]
    threshold_db: Annotated[float, msgspec.Meta(ge=0.0, le=120.0)]
    source: Words
    caution: Words

    @property
    def rule(self) -> Rule:
        """The figures as ``dsp.exposure`` takes them."""
        return Rule(
            self.name, self.criterion_db, self.criterion_hours, self.period, self.exchange_db, self.threshold_db
        )

    @property
    def settings(self) -> dict[str, float | str]:
        """Settings of the listening meter for this rule."""
        return {
            "rule": self.name,
            "criterion_db": self.criterion_db,
            "criterion_hours": self.criterion_hours,
            "period": self.period,
            "exchange_db": self.exchange_db,
            "threshold_db": self.threshold_db,
        }

    @property
    def weekly_hours(self) -> float:
        """Hours a week allowed at ``COMPARED_AT_DB``; fewer is more protective."""
        periods = WORKING_DAYS_PER_WEEK if self.period == "day" else 1
        return periods * permissible_hours(COMPARED_AT_DB, self.rule)


EXPOSURE_RULES = Kind("exposure rule", "exposure rule", "exposure", ExposureRule)


def find_rules(own: Path | None = None, ours: Path | None = None) -> tuple[dict[str, ExposureRule], list[str]]:
    """All rules by name, the most protective first, and one sentence for each file that cannot be used.

    ``own`` is the user's folder of presets, ``ours`` a folder of rules in the place of ours. Where two rules have one
    name, the later is refused; ours come first.
    """
    found = find_presets(EXPOSURE_RULES, own, ours)
    rules: dict[str, ExposureRule] = {}
    for preset in sorted(found.presets.values(), key=lambda each: each.own):
        rule = preset.content
        if rule.name in rules:
            found.sentences.append(f"{preset.path} has the same name as another rule, “{rule.name}”; rename one.")
        rules.setdefault(rule.name, rule)
    return dict(sorted(rules.items(), key=lambda item: item[1].weekly_hours)), found.sentences


def load_rules(ours: Path | None = None) -> dict[str, ExposureRule]:
    """The rules of the program by name, the most protective first. Raises PresetError for a broken one."""
    rules, sentences = find_rules(ours=ours)
    if sentences:
        raise PresetError(sentences[0])
    if not rules:
        raise PresetError("There is no exposure rule; install the program again.")
    return rules


def default_rule() -> ExposureRule:
    """The most protective rule that comes with the program."""
    return next(iter(load_rules().values()))

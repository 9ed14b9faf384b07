"""The exposure rules that come with the program: one TOML file each, with source and caution.

The user chooses the rule; the default is the most protective one. Every figure made with a rule is an estimate.
Rules of the workplace and the country come first.
"""

from __future__ import annotations

import tomllib
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Annotated, Literal

import msgspec

from dsp.exposure.exposure import WORKING_DAYS_PER_WEEK, Rule, permissible_hours

COMPARED_AT_DB = 85.0
"""Rules are compared by their weekly allowance at this level, which is above the thresholds of all rules."""

Words = Annotated[str, msgspec.Meta(min_length=1)]


class ExposureRuleError(ValueError):
    """A rule that cannot be used; the text is one sentence that names the file and the fix."""


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


def rules_folder() -> Traversable:
    """The folder of the rules, in a checkout or an installed copy. Raises ExposureRuleError."""
    try:
        return resources.files("presets") / "exposure"
    except ModuleNotFoundError as error:
        raise ExposureRuleError("The folder of presets is missing; install the program again.") from error


def read_rule(path: Traversable) -> ExposureRule:
    """Read and check one rule file; raises ExposureRuleError."""
    try:
        return msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), ExposureRule)
    except OSError as error:
        raise ExposureRuleError(f"{path} cannot be read ({error.strerror}); check that the file is there.") from error
    except UnicodeDecodeError as error:
        raise ExposureRuleError(f"{path} is not UTF-8 text; save it as such.") from error
    except (tomllib.TOMLDecodeError, msgspec.ValidationError, RecursionError) as error:
        raise ExposureRuleError(f"{path} is not a valid exposure rule: {error}; fix or remove it.") from error


def load_rules(folder: Traversable | None = None) -> dict[str, ExposureRule]:
    """All rules by name, the most protective first. Raises ExposureRuleError for a broken or duplicate one."""
    place = folder if folder is not None else rules_folder()
    try:
        paths = sorted((path for path in place.iterdir() if path.name.endswith(".toml")), key=lambda path: path.name)
    except OSError as error:
        raise ExposureRuleError(f"{place} cannot be read ({error.strerror}); install the program again.") from error
    rules: dict[str, ExposureRule] = {}
    for path in paths:
        rule = read_rule(path)
        if rule.name in rules:
            raise ExposureRuleError(f"{path} has the same name as another rule, “{rule.name}”; rename one.")
        rules[rule.name] = rule
    if not rules:
        raise ExposureRuleError(f"{place} holds no exposure rule; install the program again.")
    return dict(sorted(rules.items(), key=lambda item: item[1].weekly_hours))


def default_rule() -> ExposureRule:
    """The most protective rule that comes with the program."""
    return next(iter(load_rules().values()))

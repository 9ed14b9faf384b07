"""Run the published checks on this installed program and print each with its source."""

from __future__ import annotations

import argparse
import importlib
import json
import math
import pkgutil
import sys
import time
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import meter.selftest
from meter.commands.workers import work_through
from meter.selftest.checks import KINDS, Check, Kind

MISSED = 1
WITHOUT_CHECKS = ("checks", "exposure_tables")


@dataclass(frozen=True)
class Result:
    """One check with its reading; ``kind`` is None where it was not run.

    ``margin_used_percent`` is NaN where a limit is open or exact.
    """

    topic: str
    name: str
    source: str
    expected: float
    unit: str
    minus: float
    plus: float
    measured: float
    passed: bool
    kind: Kind | None
    read_in: str
    fault: str = ""

    @property
    def margin_used_percent(self) -> float:
        """Per cent of the tolerance on the reading's side that is used; NaN where that side has no finite one."""
        error = self.measured - self.expected
        allowed = self.plus if error >= 0 else self.minus
        if not math.isfinite(error) or not math.isfinite(allowed) or allowed <= 0:
            return math.nan
        return 100.0 * abs(error) / allowed

    def to_json(self) -> dict[str, Any]:
        """Plain values; NaN and infinities are null."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "fault"}
        plain["margin_used_percent"] = self.margin_used_percent
        if self.fault:
            plain["fault"] = self.fault
        return {
            key: None if isinstance(value, float) and not math.isfinite(value) else value
            for key, value in plain.items()
        }


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add topics and the option for JSON."""
    parser.add_argument("--json", action="store_true", help="one object per check, then one with the totals")
    parser.add_argument("topics", nargs="*", metavar="TOPIC", help=f"only these: {', '.join(topics())}")


def run(arguments: argparse.Namespace) -> int:
    """Run and print; 1 when a reading misses its limits."""
    began = time.monotonic()
    unknown = sorted(set(arguments.topics) - set(topics()))
    if unknown:
        print(f"There is no topic “{unknown[0]}”; choose from {', '.join(topics())}.", file=sys.stderr)
        return 2
    results = []
    with closing(run_checks(arguments.topics or topics())) as known:
        for result in known:
            results.append(result)
            print(json.dumps(result.to_json(), ensure_ascii=False) if arguments.json else line_of(result), flush=True)
    sums = sums_of(results, time.monotonic() - began)
    print(json.dumps(sums, ensure_ascii=False) if arguments.json else sentence_of(sums))
    return MISSED if sums["missed"] else 0


def topics() -> list[str]:
    """Names of the modules that hold checks."""
    return [name for _, name, _ in pkgutil.iter_modules(meter.selftest.__path__) if name not in WITHOUT_CHECKS]


def checks_of(topic: str) -> list[Check]:
    """The checks of one topic."""
    found: list[Check] = importlib.import_module(f"meter.selftest.{topic}").CHECKS
    return found


def run_checks(wanted: Sequence[str]) -> Generator[Result, None, None]:
    """Run every check of the topics, each topic in its own process."""
    return work_through(run_topic, wanted, broken_topic)


def run_topic(topic: str) -> Iterator[Result]:
    """Run all checks of one topic; one that raises counts as missed, with its fault."""
    return (run_one(topic, check) for check in checks_of(topic))


def broken_topic(topic: str, why: str) -> Result:
    """One miss in place of the checks of a topic that were not run."""
    name = f"the remaining checks of “{topic}”"
    return Result(topic, name, "not run", math.nan, "", math.nan, math.nan, math.nan, False, None, "", why)


def run_one(topic: str, check: Check) -> Result:
    """Measure one check."""
    fault = ""
    try:
        reading = float(check.measure())
    except Exception as error:
        reading, fault = math.nan, f"{type(error).__name__}: {error}"
    source = check.source
    return Result(
        topic, check.name, str(source), check.expected, check.unit, check.minus, check.plus, reading,
        check.passes(reading), source.kind, source.read_in, fault,
    )  # fmt: skip


def sums_of(results: Sequence[Result], seconds: float) -> dict[str, Any]:
    """Counts, and the check with the least margin."""
    used = [result for result in results if result.passed and math.isfinite(result.margin_used_percent)]
    tightest = max(used, key=lambda result: result.margin_used_percent, default=None)
    return {
        "checks": len(results),
        "kinds": {kind: sum(result.kind == kind for result in results) for kind in KINDS},
        "missed": sum(not result.passed for result in results),
        "smallest_margin_percent": max(0.0, 100.0 - tightest.margin_used_percent) if tightest else None,
        "smallest_margin_check": f"{tightest.name} ({tightest.source})" if tightest else None,
        "seconds": round(seconds, 1),
    }


def line_of(result: Result) -> str:
    """Check, source and where it was read, expected with tolerance, measured, margin used."""
    mark = "ok    " if result.passed else "MISSED"
    used = f"{result.margin_used_percent:3.0f} %" if math.isfinite(result.margin_used_percent) else "    –"
    measured = result.fault or f"{result.measured:.6g}"
    limits = f"{result.expected:g} +{result.plus:g} −{result.minus:g} {result.unit}".rstrip()
    source = f"{result.source}; read in {result.read_in}" if result.read_in else result.source
    return f"{mark} {result.name}  [{source}]  expected {limits}, measured {measured}, margin used {used}"


def sentence_of(sums: dict[str, Any]) -> str:
    """The closing line."""
    margin = sums["smallest_margin_percent"]
    tightest = f"; smallest margin left {margin:.1f} %: {sums['smallest_margin_check']}" if margin is not None else ""
    kinds = ", ".join(f"{count} {kind}" for kind, count in sums["kinds"].items())
    return f"{sums['checks']} checks: {kinds}; {sums['missed']} missed, {sums['seconds']} s{tightest}."

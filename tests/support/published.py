"""Published checks as tests: one that fails says what was expected by whom."""

from __future__ import annotations

from collections.abc import Iterable

from meter.selftest.checks import Check


def hold_all(checks: Iterable[Check]) -> None:
    """Measure every check; fail with one line for each reading outside its limits. No checks is a failure too."""
    measured = [(check, check.measure()) for check in checks]
    missed = [
        f"{check.name}: {reading:.6g} {check.unit}, expected {check.expected:g} "
        f"(-{check.minus:g}, +{check.plus:g}) by {check.source}"
        for check, reading in measured
        if not check.passes(reading)
    ]
    assert measured, "no check to measure"
    assert not missed, "\n".join([f"{len(missed)} of {len(measured)} missed:", *missed])


def by_source(checks: Iterable[Check], *beginnings: str) -> list[Check]:
    """The checks whose source begins with one of these; an empty choice is an error, not a pass."""
    found = [check for check in checks if check.source.startswith(beginnings)]
    assert found, f"no check has a source that begins with {' or '.join(beginnings)}"
    return found

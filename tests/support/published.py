"""Published checks as tests: one that fails says what was expected by whom."""

from __future__ import annotations

from collections.abc import Iterable

from meter.selftest.checks import Check


def hold(check: Check) -> None:
    """Fail with the whole story when the reading is outside the limits."""
    reading = check.measure()
    assert check.passes(reading), (
        f"{check.name}: {reading:.6g} {check.unit}, expected {check.expected:g} "
        f"(-{check.minus:g}, +{check.plus:g}) by {check.source}"
    )


def by_source(checks: Iterable[Check], *beginnings: str) -> list[Check]:
    """The checks whose source begins with one of these; an empty choice is an error, not a pass."""
    found = [check for check in checks if check.source.startswith(beginnings)]
    assert found, f"no check has a source that begins with {' or '.join(beginnings)}"
    return found


def name_of(check: Check) -> str:
    """Identity of a parametrised test."""
    return check.name

"""Which parts a study looks at next, and on which it tries high-passes, when it may not look at all of them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dsp.lowend.low_stretch import LowStretch
from dsp.lowend.shares import Owners
from meter.lowend.findings import LowEndFindings, PartFindings
from meter.lowend.wishes import Wishes

NEVER = 1e9
SHOWN_WEIGHT, OWNER_WEIGHT, OTHER_WEIGHT = 8.0, 5.0, 2.0
"""How much sooner than any other part the one that is shown, an owner and another part in the low end have a turn."""


def parts_to_look_at(
    stretch: LowStretch, owners: Owners, wishes: Wishes, before: LowEndFindings | None
) -> tuple[int, ...]:
    """Numbers of parts, the most urgent first; those that did not play lately keep what was found."""
    everything = tuple(range(len(stretch.names)))
    if stretch.most_looks is None:
        return everything
    shown = number_of(stretch, wishes.part or (before.shown_part if before is not None else ""))
    if before is not None and shown >= 0 and is_waiting(wishes, stretch.names[shown], before):
        return (shown,)
    known = {part.name: part for part in before.parts} if before is not None else {}
    waits = {}
    for number in everything:
        wait = _wait(stretch, known.get(stretch.names[number]))
        waits[number] = wait * _weight(number, owners, shown)
    order = sorted((number for number in everything if stretch.active[number]), key=lambda at: -waits[at])
    if any(_wait(stretch, known.get(stretch.names[number])) >= NEVER for number in order):
        return tuple(order[: stretch.most_looks])
    trial = _next_trial(stretch, owners, shown, before)
    chosen = [trial] if trial >= 0 else []
    return tuple([*chosen, *(number for number in order if number != trial)][: stretch.most_looks])


def parts_to_try(
    stretch: LowStretch, looks: Sequence[int], owners: Owners, wishes: Wishes, before: LowEndFindings | None
) -> tuple[int, ...]:
    """Those of the parts looked at whose high-passes are tried: never tried ones first, then the oldest trials."""
    if stretch.most_trials is None:
        return tuple(looks)
    shown = number_of(stretch, wishes.part or (before.shown_part if before is not None else ""))
    if before is not None and shown >= 0 and is_waiting(wishes, stretch.names[shown], before):
        return ()
    known = {part.name: part for part in before.parts} if before is not None else {}

    def urgency(number: int) -> float:
        part = known.get(stretch.names[number])
        wait = _since(stretch, part.tried_at_seconds if part is not None else math.nan)
        return wait * _weight(number, owners, shown)

    return tuple(sorted(looks, key=lambda number: -urgency(number))[: stretch.most_trials])


def is_waiting(wishes: Wishes, shown: str, before: LowEndFindings) -> bool:
    """Whether the user asks for a cut-off that was not tried on the shown part yet."""
    if not wishes.requests_cutoff:
        return False
    found = before.requested
    if found is None or found.part != shown or found.offer.slope_db_per_octave != wishes.slope:
        return True
    return found.offer.cutoff_hz != wishes.cutoff_hz


def number_of(stretch: LowStretch, name: str) -> int:
    """The number of a part by its name, -1 for none."""
    return stretch.names.index(name) if name in stretch.names else -1


def _next_trial(stretch: LowStretch, owners: Owners, shown: int, before: LowEndFindings | None) -> int:
    """The part with offers whose trial is most urgent, -1 for none: it must be looked at as well."""
    best, longest = -1, 0.0
    for number, part in enumerate(before.parts if before is not None else ()):
        if not part.high_pass or not stretch.active[number]:
            continue
        wait = _since(stretch, part.tried_at_seconds) * _weight(number, owners, shown)
        if wait > longest:
            best, longest = number, wait
    return best


def _weight(number: int, owners: Owners, shown: int) -> float:
    if number == shown:
        return SHOWN_WEIGHT
    if number in owners.owners:
        return OWNER_WEIGHT
    return OTHER_WEIGHT if number in owners.others else 1.0


def _wait(stretch: LowStretch, part: PartFindings | None) -> float:
    return _since(stretch, part.seen_at_seconds if part is not None else math.nan)


def _since(stretch: LowStretch, then_seconds: float) -> float:
    """Seconds since then on the clock of the kept sound; for what never was, longer than any song."""
    return NEVER if math.isnan(then_seconds) else stretch.kept_seconds - then_seconds

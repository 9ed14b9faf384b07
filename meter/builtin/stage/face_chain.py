"""Chains: which pairs a total consists of, and the step in loudness that each of them makes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meter import figures
from meter.builtin.stage.findings import PairFindings
from meter.readings import PAIR_PREFIX, Frame
from meter.stage.findings import StageFindings

Columns = tuple[int, ...]
MOST_TOLD = 3


@dataclass(frozen=True)
class Step:
    """One stage of a chain: its loudness change in LU and its usual squeeze in dB, NaN while not known."""

    name: str
    change_lu: float
    squeeze_db: float


def stages_of(feeds: Mapping[str, Sequence[int]], total: str) -> tuple[str, ...]:
    """The feeds of the stages between the two ends of ``total``, in order; empty where that is one stage itself."""
    sides = {feed: _sides(columns) for feed, columns in feeds.items() if feed.startswith(PAIR_PREFIX)}
    if total not in sides:
        return ()
    begin, end = sides.pop(total)
    return _way(sides, begin, end, ())


def _way(
    sides: Mapping[str, tuple[Columns, Columns]], here: Columns, end: Columns, so_far: tuple[str, ...]
) -> tuple[str, ...]:
    """The longest way from one set of columns to another; a total between them is shorter than its stages."""
    found: tuple[str, ...] = ()
    for feed, (before, after) in sides.items():
        if before != here or feed in so_far:
            continue
        way = (*so_far, feed)
        whole = way if after == end else _way(sides, after, end, way)
        found = max(found, whole, key=len)
    return found if len(found) > 1 else ()


def _sides(columns: Sequence[int]) -> tuple[Columns, Columns]:
    half = len(columns) // 2
    return tuple(columns[:half]), tuple(columns[half:])


def following(feeds: Mapping[str, Sequence[int]], feed: str) -> str:
    """The feed of the stage that goes on from this pair, empty without one; of several the first that is no total."""
    sides = {each: _sides(columns) for each, columns in feeds.items() if each.startswith(PAIR_PREFIX)}
    if feed not in sides:
        return ""
    found = [each for each, (before, _) in sides.items() if before == sides[feed][1] and each != feed]
    return next((each for each in found if not stages_of(feeds, each)), "")


def findings_of(frame: Frame, feed: str, study: str) -> StageFindings | None:
    """What the stage of a pair does now; None while that is not known."""
    ids = {each.feed: each.id for each in frame.layout.instances}
    pair = frame.findings.get(f"{ids.get(feed, '')}.{study}")
    return pair.stage if isinstance(pair, PairFindings) else None


def steps_of(frame: Frame, stages: Sequence[str], study: str) -> tuple[Step, ...]:
    """What each of these stages does now."""
    return tuple(_step(feed.removeprefix(PAIR_PREFIX), findings_of(frame, feed, study)) for feed in stages)


def _step(name: str, stage: StageFindings | None) -> Step:
    if stage is None:
        return Step(name, math.nan, math.nan)
    return Step(name, stage.loudness_change_lu, stage.squeeze.median_db)


def chain_sentence(steps: Sequence[Step]) -> str:
    """``bus compressor −0.7 LU, tape stage +2.3 LU.``; the largest steps where there are many."""
    known = [step for step in steps if not math.isnan(step.change_lu)]
    if not known:
        return "Its stages are not measured yet."
    told = sorted(known, key=lambda step: -abs(step.change_lu))[:MOST_TOLD]
    said = [f"{step.name} {figures.with_unit(step.change_lu, 'LU', plus=True)}" for step in known if step in told]
    rest = len(steps) - len(said)
    return f"{', '.join(said)}{f'; {rest} more' if rest else ''}."

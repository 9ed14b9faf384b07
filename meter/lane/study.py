"""A mix against references: sections of both to findings. The command and the meter call the same function."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.reference.account import Account, account, between, loud_part, loudness_range
from dsp.reference.lane import Comparison, Lane, compare, outside
from dsp.reference.sections import NAMED_EDGES_HZ, Sections
from meter.lane.analysis import Analysed
from meter.lane.findings import (
    FOUND,
    LISTENING,
    NOTHING,
    LaneBand,
    LaneFigure,
    LaneFindings,
    LaneOutside,
    LaneReference,
)
from meter.reference_files import LEAST_SECONDS, ReferenceFile, clock

LOUD_PART = "loud part"
FEWEST_FOR_A_LANE = 2


@dataclass(frozen=True)
class Part:
    """Rows of a file or stream that are compared, and what they are called."""

    sections: Sections
    chosen: NDArray[np.bool_]
    stretch: str


def part_of(file: ReferenceFile, found: Analysed) -> Part:
    """The chosen stretch of a file; without one its loud part, so that choruses stand against choruses."""
    sections = found.sections
    if not file.chosen:
        return Part(sections, loud_part(sections), LOUD_PART)
    return Part(sections, between(sections, file.start, file.end), _stretch(file, found))


def _stretch(file: ReferenceFile, found: Analysed) -> str:
    return f"{clock(file.start)}–{clock(min(file.end, found.seconds))}"


def fault_of_part(name: str, part: Part) -> str:
    """One sentence when too little of a part sounds; empty otherwise."""
    found = account(part.sections, part.chosen)
    what = f"'{name}'" if part.stretch == LOUD_PART else f"The stretch {part.stretch} of '{name}'"
    if part.stretch != LOUD_PART and not part.chosen.any():
        return f"{what} lies outside the file; choose another."
    if found is None:
        return f"{what} is silent; choose a stretch that plays."
    if found.seconds < LEAST_SECONDS - 1.0:  # a row is a second
        return f"{what} has {found.seconds:.0f} s of sound; {LEAST_SECONDS:.0f} s or more are needed."
    return ""


def lane(
    mix: Part,
    references: Sequence[LaneReference | tuple[ReferenceFile, Analysed]],
    notes: tuple[str, ...] = (),
    mix_name: str = "the mix",
) -> LaneFindings:
    """Compare a part of the mix with references; those without an analysis are handed through with their state."""
    found_mix = account(mix.sections, mix.chosen)
    told: list[LaneReference] = []
    accounts: list[Account] = []
    ranges: list[float] = []
    for each in references:
        if isinstance(each, LaneReference):
            told.append(each)
            continue
        file, found = each
        part = part_of(file, found)
        measured = account(part.sections, part.chosen)
        fault = fault_of_part(file.name, part)
        notes = (*notes, *found.notes)
        if fault or measured is None:
            told.append(LaneReference(file.name, part.stretch, fault=fault))
            continue
        accounts.append(measured)
        ranges.append(loudness_range(part.sections))
        told.append(_reference(file.name, part.stretch, measured, found_mix))
    short = found_mix is None or found_mix.seconds < LEAST_SECONDS - 1.0
    if short or not accounts:
        return LaneFindings(
            LISTENING if short else NOTHING,
            found_mix.seconds if found_mix else 0.0, mix.stretch, references=tuple(told), notes=notes,
        )  # fmt: skip
    assert found_mix is not None
    compared = compare(found_mix, accounts, (loudness_range(mix.sections), ranges))
    notes = (*notes, *_mono_notes(found_mix, mix_name, accounts))
    return _findings(found_mix, mix, compared, told, notes)


def _reference(name: str, stretch: str, found: Account, mix: Account | None) -> LaneReference:
    match_db = mix.loudness_lufs - found.loudness_lufs if mix is not None else math.nan
    return LaneReference(
        name, stretch, found.seconds, found.loudness_lufs, match_db, found.peak_to_loudness_lu, found.lows_db
    )


def _mono_notes(mix: Account, mix_name: str, references: Sequence[Account]) -> tuple[str, ...]:
    if not mix.stereo:
        return (f"Width is not compared: {mix_name} is mono.",)
    mono = sum(not each.stereo for each in references)
    if mono == len(references):
        return ("Width is not compared: the references are mono.",)
    if not mono:
        return ()
    return (f"Width is compared with {len(references) - mono} of {len(references)} references; the others are mono.",)


def _findings(
    mix: Account, part: Part, found: Comparison, told: list[LaneReference], notes: tuple[str, ...]
) -> LaneFindings:
    return LaneFindings(
        FOUND,
        mix.seconds,
        part.stretch,
        mix.loudness_lufs,
        _bands(found),
        _figure(mix.peak_to_loudness_lu, found.peak_to_loudness),
        _figure(mix.lows_db, found.lows),
        _figure(loudness_range(part.sections), found.loudness_range),
        tuple(
            LaneOutside(
                each.kind,
                each.difference,
                NAMED_EDGES_HZ[each.first] if each.first >= 0 else math.nan,
                NAMED_EDGES_HZ[each.last + 1] if each.first >= 0 else math.nan,
            )
            for each in outside(found)
        ),
        tuple(told),
        tuple(dict.fromkeys(notes)),
    )


def _bands(found: Comparison) -> tuple[LaneBand, ...]:
    tone, width = found.tone, found.width
    lanes = (_spread(tone), _spread(width))
    columns = (
        NAMED_EDGES_HZ[:-1], NAMED_EDGES_HZ[1:], tone.difference, *lanes[0], width.difference, *lanes[1],
    )  # fmt: skip
    return tuple(LaneBand(*(float(value) for value in row)) for row in zip(*columns, strict=True))


def _figure(value: float, found: Lane) -> LaneFigure:
    low, high = _spread(found)
    return LaneFigure(value, float(found.difference[0]), float(low[0]), float(high[0]))


def _spread(found: Lane) -> tuple[FloatArray, FloatArray]:
    """Both edges of a lane, NaN where a single reference makes none."""
    several = found.count >= FEWEST_FOR_A_LANE
    return np.where(several, found.low, np.nan), np.where(several, found.high, np.nan)

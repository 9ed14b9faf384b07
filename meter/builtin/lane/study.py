"""The study of the mix against references: reads the chosen files a piece at a time, then compares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.loudness.gating import ABSOLUTE_GATE_LUFS, energy_of
from dsp.reference.account import account, loud_part
from dsp.reference.sections import K, Sections
from meter.lane.analysis import Analysed, default_cache
from meter.lane.findings import NO_REFERENCES, READING, LaneFindings, LaneReference
from meter.lane.library import ReferenceLibrary
from meter.lane.study import LOUD_PART, Part, lane
from meter.plugin.api import Settings
from meter.reference_files import SETTINGS, ReferenceError, ReferenceFile, parse

NEWEST_ROWS = 20
UNLIKE_LU = 4.0
ENOUGH_ROWS = 60
"""A newest phrase this far below the loud part is told, once a minute of the mix is known (judgement)."""

LIBRARY = ReferenceLibrary(default_cache)
"""One for all instances: studies run one at a time, and the same files are chosen for all."""


def against(stretch: Sections, settings: Settings, _before: LaneFindings | None) -> LaneFindings:
    """Compare what plays with the references that are chosen."""
    files, wrong = _chosen(settings)
    if not files and not wrong:
        return LaneFindings(NO_REFERENCES)
    entries = LIBRARY.work(files)
    notes = tuple(entry.note for entry in entries if entry.note)
    named = list(zip(files, entries, strict=True))
    if any(entry.steps is not None for entry in entries):
        states = (LaneReference(file.name, read=entry.read, fault=entry.fault) for file, entry in named)
        return LaneFindings(READING, references=(*states, *wrong), notes=notes)
    told: list[LaneReference | tuple[ReferenceFile, Analysed]] = [
        (file, entry.analysed)
        if entry.analysed is not None
        else LaneReference(file.name, read=0.0, fault=entry.fault)
        for file, entry in named
    ]
    part, more = _part(stretch, whole=settings.get("of") == LOUD_PART)
    return lane(part, [*told, *wrong], (*notes, *more))


def _chosen(settings: Settings) -> tuple[list[ReferenceFile], list[LaneReference]]:
    """The references that are chosen, each once, and those with a stretch that is none."""
    files: list[ReferenceFile] = []
    wrong: list[LaneReference] = []
    for text in dict.fromkeys(str(settings.get(key, "")) for key in SETTINGS):
        if not text:
            continue
        try:
            files.append(parse(text))
        except ReferenceError as error:
            wrong.append(LaneReference(text, fault=str(error)))
    return files, wrong


def _part(mix: Sections, *, whole: bool) -> tuple[Part, tuple[str, ...]]:
    loud = loud_part(mix)
    if whole:
        return Part(mix, loud, f"{LOUD_PART} since R"), ()
    newest = _newest(mix)
    return Part(mix, newest, f"newest {NEWEST_ROWS} s"), _unlike(mix, newest, loud)


def _newest(mix: Sections) -> NDArray[np.bool_]:
    """The newest rows with sound in them."""
    sounding = np.flatnonzero(mix.rows[:, K] > energy_of(ABSOLUTE_GATE_LUFS))
    chosen = np.zeros(len(mix.rows), dtype=bool)
    chosen[sounding[-NEWEST_ROWS:]] = True
    return chosen


def _unlike(mix: Sections, newest: NDArray[np.bool_], loud: NDArray[np.bool_]) -> tuple[str, ...]:
    now, most = account(mix, newest), account(mix, loud)
    if len(mix.rows) < ENOUGH_ROWS or now is None or most is None:
        return ()
    below = most.loudness_lufs - now.loudness_lufs
    if below < UNLIKE_LU:
        return ()
    return (f"What plays is {below:.0f} LU below the loud part of the mix; compare like with like.",)

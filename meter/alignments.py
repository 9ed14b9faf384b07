"""Alignments: the levels in dBFS that 0 on a level meter can stand for, one preset each, with its source."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import msgspec

from meter.preset_files import Kind, find_presets

LEAST_DBFS = -40.0

Words = Annotated[str, msgspec.Meta(min_length=1, max_length=300)]


class Alignment(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """One alignment file: ``name`` stands in menus, ``level_dbfs`` is the peak amplitude of a sine that reads 0."""

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=40)]
    level_dbfs: Annotated[float, msgspec.Meta(ge=LEAST_DBFS, le=0.0)]
    source: Words


ALIGNMENTS = Kind("alignment", "alignment", "alignments", Alignment)


def find_alignments(own: Path | None = None) -> tuple[tuple[Alignment, ...], list[str]]:
    """Alignments from the highest level down, one for each level, and sentences about unusable files.

    Where two have one level, the user's is taken.
    """
    found = find_presets(ALIGNMENTS, own)
    by_level: dict[float, Alignment] = {}
    for preset in sorted(found.presets.values(), key=lambda each: each.own):
        by_level[preset.content.level_dbfs] = preset.content
    return tuple(by_level[level] for level in sorted(by_level, reverse=True)), found.sentences

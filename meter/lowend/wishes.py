"""What the user set for the low end, read once from the settings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

NAN = float("nan")


@dataclass(frozen=True)
class Wishes:
    """``part`` is empty for the part with most to show, ``cutoff_hz`` NaN for the highest affordable one.

    ``every_part`` has the cut-off replace the affordable one on all parts; otherwise it is tried beside it, on the
    part that is shown. ``pair`` are the names of two parts to compare, None for kick and bass.
    """

    tempo_bpm: float = NAN
    part: str = ""
    slope: int = 12
    cutoff_hz: float = NAN
    every_part: bool = False
    pair: tuple[str, str] | None = None

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Wishes:
        """From the settings of the manifest and, of the command, ``every_part`` and ``pair``; 0 is "not set"."""
        tempo, cutoff = float(settings.get("tempo_bpm", 0.0)), float(settings.get("cutoff_hz", 0.0))
        pair = settings.get("pair")
        return cls(
            tempo if tempo > 0.0 else NAN,
            str(settings.get("part", "")),
            int(settings.get("slope", 12)),
            cutoff if cutoff > 0.0 else NAN,
            bool(settings.get("every_part", False)),
            (str(pair[0]), str(pair[1])) if pair else None,
        )

    @property
    def requests_cutoff(self) -> bool:
        """Whether a cut-off is tried beside the affordable one."""
        return math.isfinite(self.cutoff_hz) and not self.every_part

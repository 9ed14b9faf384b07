"""What the low-end ledger says, as plain values.

Percent are of the sum of the parts in 20 to 120 Hz. Losses in mono are 0 or negative, as everywhere in Earwitness.
NaN means "cannot be said", and ``why`` says why; minus infinity is "nothing is left".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

OWNER, OTHER, MINOR, CANCELS, SILENT = "owner", "other", "minor", "cancels", "silent"


@dataclass(frozen=True)
class Offer:
    """One high-pass and its price; see ``high_pass`` and ``high_pass_trial`` for the figures."""

    slope_db_per_octave: int
    cutoff_hz: float
    loss_at_floor_db: float
    phase_lead_degrees: float
    delay_cycles: float
    rumble_removed_percent: float
    true_peak_change_db: float
    mix_true_peak_change_db: float
    mix_low_band_change_db: float
    ring_change_ms: float


@dataclass(frozen=True)
class PartAccount:
    """One part. ``rumble_db`` is against the whole part, ``rumble_against_mix_lows_db`` against the mix's low end.

    ``floor_lower_hz`` is a lower note that thin evidence does not rule out; the high-passes spare it. ``floor_apart``
    says what sounds low and is no note: hum, bleed.
    """

    name: str
    role: str
    share_percent: float
    share_by_band_percent: tuple[float, ...]
    floor_hz: float
    floor_note: str
    floor_cents: float
    floor_kind: str
    floor_evidence: str
    rumble_db: float
    rumble_against_mix_lows_db: float
    rumble_dbfs: float
    high_pass: tuple[Offer, ...]
    mono_loss_db: float
    mono_loss_by_band_db: tuple[float, ...]
    ring_ms: float
    ring_spread_ms: float
    ring_hits: int
    ring_filter_floor_ms: float
    overhang_db: float
    overhang_after_ms: float
    floor_lower_hz: float = math.nan
    floor_lower_note: str = ""
    floor_apart: str = ""
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ThirdOctaveAccount:
    """Who is stronger in one third of an octave."""

    centre_hz: float
    overlap_percent: float
    first_over_second_db: float


@dataclass(frozen=True)
class PairAccount:
    """Kick and bass, or another two; figures as in ``pair``. A positive gap is a late second part."""

    first: str
    second: str
    verdict: str
    coincidences: int
    coincidences_by_chance: float
    notes_in_step: int
    first_notes: int
    second_notes: int
    time_overlap_percent: float
    gap_median_ms: float
    gap_spread_ms: float
    sum_gain_db: float
    sum_gain_spread_db: float
    flipped_gain_db: float
    flip_change_db: float
    nudge_ms: float
    nudge_change_db: float
    overlap_percent: float
    second_under_first_db: float
    third_octaves: tuple[ThirdOctaveAccount, ...]
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class CancellingAccount:
    """Two parts that hold the same lows in opposite polarity, as in ``likeness``; ``kind`` tells how.

    ``together_db`` is minus infinity where nothing is left of them, ``flipped_db`` the sum with one of them flipped.
    """

    first: str
    second: str
    kind: str
    together_db: float
    flipped_db: float
    why: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class MonoAccount:
    """The sum of the parts in mono: whole low end, its bands, and the band that loses most of those that count.

    ``culprit`` is the part whose being mono would restore most there, empty if little is lost or no part is behind
    it; ``loss_with_culprit_in_mono_db`` is what would still be lost.
    """

    loss_db: float
    loss_by_band_db: tuple[float, ...]
    worst_band_hz: tuple[float, float]
    worst_band_loss_db: float
    culprit: str
    loss_with_culprit_in_mono_db: float


@dataclass(frozen=True)
class LowEndAccount:
    """The whole ledger."""

    rate_hz: int
    seconds: float
    bands_hz: tuple[tuple[float, float], ...]
    parts: tuple[PartAccount, ...]
    owners: tuple[str, ...]
    others: tuple[str, ...]
    cancelling: tuple[str, ...]
    mix_bus_difference_db: float
    mix_bus_by_band_db: tuple[float, ...]
    mono: MonoAccount
    pairs: tuple[PairAccount, ...]
    half_beat_ms: float
    notes: tuple[str, ...]
    cancelling_pairs: tuple[CancellingAccount, ...] = ()
    why: Mapping[str, str] = field(default_factory=dict)

    def part(self, name: str) -> PartAccount:
        """The account of one part. Raises KeyError for a name that is not there."""
        for part in self.parts:
            if part.name == name:
                return part
        raise KeyError(name)

    def to_json(self) -> dict[str, Any]:
        """Plain values for JSON, parts that cancel first: what cannot be said is null, and ``why`` says why."""
        plain: dict[str, Any] = without_nan(asdict(self))
        return {"cancelling_pairs": plain.pop("cancelling_pairs"), **plain}


def without_nan(value: Any) -> Any:
    """The same with null for NaN and infinities, lists for tuples, and without an empty ``why``."""
    if isinstance(value, dict):
        return {key: without_nan(item) for key, item in value.items() if not (key == "why" and not item)}
    if isinstance(value, list | tuple):
        return [without_nan(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value

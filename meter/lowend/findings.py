"""Findings of the low-end study as plain values: what ``lowend --json`` prints and the live faces read.

Percent are of the sum of the parts in 20 to 120 Hz. Losses in mono are 0 or negative, as everywhere in Earwitness.
NaN means "cannot be said", and ``why`` says why; minus infinity is "nothing is left".
"""

from __future__ import annotations

import math
from typing import Any

import msgspec

OWNER, OTHER, MINOR, CANCELS, SILENT = "owner", "other", "minor", "cancels", "silent"
PITCHED, DRUM = "pitched", "drum"
TOGETHER, TAKING_TURNS, CANCELLING, OVERLAPPING = "hit together", "take turns", "cancel", "overlap"
NOT_YET = "not yet"
ONE_PART, HELD_IN_ONE, NONE_FOUND = "one part", "held in one", "none found"
SWAPPED_OPPOSITE = "left and right swapped, opposite polarity"
TRIED, TRYING = "tried", "trying"
NAN = math.nan

Why = dict[str, str]


class Offer(msgspec.Struct, frozen=True):
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


class PartFindings(msgspec.Struct, frozen=True):
    """One part. ``rumble_db`` is against the whole part, ``rumble_against_mix_lows_db`` against the mix's low end.

    ``floor_lower_hz`` is a lower note that thin evidence does not rule out; the high-passes spare it. ``floor_apart``
    says what sounds low and is no note: hum, bleed. ``spectrum_db`` goes with ``LowEndFindings.spectrum_hz``, a
    full-scale sine 0 dB. ``seen_at_seconds`` and ``tried_at_seconds`` say when, on the clock of ``kept_seconds``, the
    part was last looked at and its high-passes were last tried; NaN for never.
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
    floor_lower_hz: float = NAN
    floor_lower_note: str = ""
    floor_apart: str = ""
    spectrum_db: tuple[float, ...] = ()
    seen_at_seconds: float = NAN
    tried_at_seconds: float = NAN
    why: Why = msgspec.field(default_factory=dict)


class ThirdOctave(msgspec.Struct, frozen=True):
    """Who is stronger in one third of an octave."""

    centre_hz: float
    overlap_percent: float
    first_over_second_db: float


class PairFindings(msgspec.Struct, frozen=True):
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
    third_octaves: tuple[ThirdOctave, ...]
    why: Why = msgspec.field(default_factory=dict)


class Lanes(msgspec.Struct, frozen=True):
    """Kick and bass over a bar, or over a second after each hit where no tempo is known; 1 is the loudest of both.

    ``starts_at_seconds`` is the start of the newest bar on the clock of ``kept_seconds``. ``tempo_fits`` is False
    where the hits of the first part do not lie on the beats; ``better_bpm`` is then one that fits, or NaN.
    """

    seconds: float
    first: tuple[float, ...]
    second: tuple[float, ...]
    starts_at_seconds: float = NAN
    tempo_fits: bool = True
    better_bpm: float = NAN


class CancellingPair(msgspec.Struct, frozen=True):
    """Two parts that hold the same lows in opposite polarity, as in ``likeness``; ``kind`` tells how.

    ``together_db`` is minus infinity where nothing is left of them, ``flipped_db`` the sum with one of them flipped.
    """

    first: str
    second: str
    kind: str
    together_db: float
    flipped_db: float
    why: Why = msgspec.field(default_factory=dict)


class MonoFindings(msgspec.Struct, frozen=True):
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


class RequestedHighPass(msgspec.Struct, frozen=True):
    """The cut-off the user wants to know of, on one part. ``state`` is ``TRYING`` until it was tried."""

    part: str
    offer: Offer
    state: str


class LowEndFindings(msgspec.Struct, frozen=True):
    """All findings. ``seconds`` were heard; ``shown_part`` is the chosen part or the one with most to show.

    The newest sound looked at ends at ``kept_seconds``. ``spectrum_hz`` are the centres of the bands of each part's
    ``spectrum_db``. ``no_pair`` says why ``pairs`` is empty: ``ONE_PART``, ``HELD_IN_ONE`` or ``NONE_FOUND``.
    """

    rate_hz: int
    seconds: float
    bands_hz: tuple[tuple[float, float], ...]
    parts: tuple[PartFindings, ...]
    owners: tuple[str, ...]
    others: tuple[str, ...]
    cancelling: tuple[str, ...]
    mix_bus_difference_db: float
    mix_bus_by_band_db: tuple[float, ...]
    mono: MonoFindings
    pairs: tuple[PairFindings, ...]
    half_beat_ms: float
    notes: tuple[str, ...]
    cancelling_pairs: tuple[CancellingPair, ...] = ()
    shown_part: str = ""
    requested: RequestedHighPass | None = None
    lanes: Lanes | None = None
    spectrum_hz: tuple[float, ...] = ()
    kept_seconds: float = NAN
    no_pair: str = ""
    why: Why = msgspec.field(default_factory=dict)

    def part(self, name: str) -> PartFindings:
        """The findings of one part. Raises KeyError for a name that is not there."""
        for part in self.parts:
            if part.name == name:
                return part
        raise KeyError(name)

    def to_json(self) -> dict[str, Any]:
        """Plain values for JSON, parts that cancel first: what cannot be said is null, and ``why`` says why."""
        plain: dict[str, Any] = without_nan(msgspec.to_builtins(self))
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

"""Invented readings of the low end for any number of parts, as a frame that the faces can be shown."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from meter.plugin.manifest import read_manifest
from meter.readings import Frame, Layout
from tests.support.frames import BUILTIN, status

MANIFEST = read_manifest(BUILTIN / "low_end" / "manifest.toml")
NAMES = ("kick", "bass", "organ", "plucked pair", "voice", "room", "guitars", "a bus with quite a long name")
OWNER, OTHER, MINOR, CANCELS, SILENT = 1.0, 2.0, 3.0, 4.0, 0.0
KEPT = ("_hz", "_edge", "role", "floor_kind", "floor_doubt", "spoken_of", "pair_first", "pair_second", "culprit",
        "cancel_first", "cancel_second", "cancel_kind")  # fmt: skip
"""Keys that a state filled with one value leaves alone: they are places and numbers of parts."""


def names(parts: int) -> tuple[str, ...]:
    """Distinct names for so many parts."""
    return tuple(NAMES[n % len(NAMES)] + (f" {n // len(NAMES) + 1}" if n >= len(NAMES) else "") for n in range(parts))


def feeds(parts: int) -> dict[str, tuple[int, ...]]:
    """A mix and so many mono parts."""
    return {"mix": (0, 1)} | {f"part {name}": (2 + n,) for n, name in enumerate(names(parts))}


def layout(parts: int) -> Layout:
    """The layout of a chain of the low end and one mono meter beside it."""
    mono = read_manifest(BUILTIN / "mono_lows" / "manifest.toml")
    widths = {"low_end": parts + 2, "mono_lows": 2}
    return Layout.build({"low_end": MANIFEST.fields, "mono_lows": mono.fields}, widths, feeds(parts))


def values(parts: int) -> dict[str, Any]:
    """Readings as an arrangement might give them: two owners, an organ that rumbles, the rest small."""
    shares = np.array([52.0, 36.0, 7.0, *np.full(max(0, parts - 3), 5.0 / max(1, parts - 3))])[:parts]
    roles = np.array([OWNER, OWNER, OTHER, *np.full(max(0, parts - 3), MINOR)])[:parts]
    floors = np.resize([62.0, 41.2, 65.4, 98.0, 220.0, np.nan, 82.4, 110.0], parts)
    hz = 20.0 * 2.0 ** ((np.arange(80) + 0.5) / 18.0)
    spectra = np.array([-20.0 - 3.0 * np.abs(np.log2(hz / (60.0 + 20 * n))) ** 2 for n in range(parts)])
    cutoffs = np.nan_to_num(floors, nan=np.nan)[:, None] * [0.35, 0.59, 0.7, 0.77]
    times = np.arange(96) / 96.0
    plain = {
        "cancel_pairs": 0, "cancel_kind": 0, "cancel_first": math.nan, "cancel_second": math.nan,
        "cancel_sum_gain": math.nan, "cancel_flipped": math.nan,
        "span_seconds": 10.0, "heard": 40.0, "age": 0.0, "half_beat": 250.0,
        "band_low_edge": [20, 40, 60, 90], "band_high_edge": [40, 60, 90, 120],
        "share": shares, "band_share": np.repeat(shares, 4), "role": roles,
        "mix_bus_difference": 0.2, "mix_bus_bands": 0.1, "mono_loss": -1.4,
        "mono_loss_bands": [-0.1, -0.4, -4.2, -0.3], "mono_worst": 3,
        "culprit": min(3, parts - 1), "loss_with_culprit_in_mono": -0.1,
        "part_mono_loss": np.resize([0.0, 0.0, 0.0, -4.5], parts),
        "part_mono_loss_bands": np.resize([0.0, -0.2, -3.6, -0.4, 0.0, np.nan], 6 * parts),
        "floor": floors, "floor_kind": np.where(np.isnan(floors), 0.0, 1.0),
        "floor_doubt": np.where(np.isnan(floors), 2.0, 0.0), "rumble": -18.0, "rumble_of_mix": -17.0,
        "rumble_level": -44.0, "spectrum_hz": hz, "spectrum": spectra.ravel(), "cutoff": cutoffs.ravel(),
        "cutoff_loss": 0.5, "cutoff_phase": 52.0, "cutoff_delay": np.tile([0.05, 0.16, 0.3, 0.45], parts),
        "cutoff_removed": np.tile([40.0, 82.0, 93.0, 97.0], parts), "cutoff_peak": 0.2, "cutoff_mix_peak": -0.1,
        "cutoff_mix_lows": -0.2, "cutoff_ring": 12.0, "spoken_of": min(2, parts - 1), "tried_slope": 12,
        "tried_state": 0, "ring": np.resize([320.0, 640.0, np.nan], parts), "ring_spread": 20.0, "ring_hits": 12,
        "ring_floor": 40.0, "overhang": -9.0, "overhang_after": 250.0,
        "pair_first": 0 if parts > 1 else math.nan, "pair_second": 1 if parts > 1 else math.nan,
        "pair_doubt": 0 if parts > 1 else 1,
        "pair_by_chance": 4.0, "pair_in_step": 14, "pair_time_overlap": 90.0, "pair_flipped": 2.0,
        "pair_verdict": 1, "pair_coincidences": 14, "pair_notes": [16, 16], "pair_gap": 4.0, "pair_gap_spread": 6.0,
        "pair_sum_gain": 1.2, "pair_sum_gain_spread": 1.0, "pair_flip": 0.8, "pair_nudge": -2.5,
        "pair_nudge_gain": 0.9, "pair_overlap": 31.0, "pair_room": -8.0, "lane_seconds": 2.0,
        "lane_first": np.exp(-8.0 * (times % 0.25)), "lane_second": 0.6 * np.exp(-3.0 * ((times + 0.1) % 0.25)),
    }  # fmt: skip
    return {f"low_end.{key}": value for key, value in plain.items()}


def frame(parts: int, changes: dict[str, Any] | None = None, **feed: Any) -> Frame:
    """A snapshot; ``changes`` by field key without the meter's name."""
    plan = layout(parts)
    found = np.full(plan.total, np.nan)
    given = values(parts) if parts else {}
    given |= {f"low_end.{key}": value for key, value in (changes or {}).items()}
    for key, value in given.items():
        slot = plan.by_key[key]
        found[slot.offset : slot.offset + slot.size] = np.resize(np.ravel(np.asarray(value, dtype=float)), slot.size)
    return Frame(plan, found, status(feed.pop("seconds", 100.0), channels=parts + 2, **feed))


def filled(parts: int, value: float) -> Frame:
    """Every reading one value, but for places and numbers of parts."""
    changes = {
        entry.key: value for entry in MANIFEST.fields if not entry.key.endswith(KEPT) and entry.size != 0 and parts
    }
    return frame(parts, changes)


def nothing(parts: int) -> Frame:
    """All readings "not yet"."""
    return frame(parts, {entry.key: math.nan for entry in MANIFEST.fields})

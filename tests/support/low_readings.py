"""Invented readings of the low end for any number of parts, as a frame that the faces can be shown."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from meter.builtin.low_end.face_data import note_words
from meter.lowend.findings import (
    CancellingPair,
    Lanes,
    LowEndFindings,
    MonoFindings,
    Offer,
    PairFindings,
    PartFindings,
    RequestedHighPass,
)
from meter.plugin.manifest import read_manifest
from meter.readings import Frame, Layout
from tests.support.frames import BUILTIN, status

MANIFEST = read_manifest(BUILTIN / "low_end" / "manifest.toml")
NAMES = ("kick", "bass", "organ", "plucked pair", "voice", "room", "guitars", "a bus with quite a long name")
OWNER, OTHER, MINOR, CANCELS, SILENT = 1.0, 2.0, 3.0, 4.0, 0.0
KEPT = ("_hz", "_edge", "role", "floor_kind", "floor_doubt", "spoken_of", "pair_first", "pair_second", "culprit",
        "cancel_first", "cancel_second", "cancel_kind", "pair_verdict", "pair_doubt", "tried_slope", "tried_cutoff",
        "mono_worst", "cancel_pairs")  # fmt: skip
"""Keys that a state filled with one value leaves alone: they are places and numbers of parts."""


TRIED = ("cutoff", "loss", "phase", "delay", "removed", "peak", "mix_peak", "mix_lows", "ring")


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
        "floor_lower": math.nan, "floor": floors, "floor_kind": np.where(np.isnan(floors), 0.0, 1.0),
        "floor_doubt": np.where(np.isnan(floors), 2.0, 0.0), "rumble": -18.0, "rumble_of_mix": -17.0,
        "rumble_level": -44.0, "spectrum_hz": hz, "spectrum": spectra.ravel(), "cutoff": cutoffs.ravel(),
        "cutoff_loss": 0.5, "cutoff_phase": 52.0, "cutoff_delay": np.tile([0.05, 0.16, 0.3, 0.45], parts),
        "cutoff_removed": np.tile([40.0, 82.0, 93.0, 97.0], parts), "cutoff_peak": 0.2, "cutoff_mix_peak": -0.1,
        "cutoff_mix_lows": -0.2, "cutoff_ring": 12.0, "spoken_of": min(2, parts - 1), "tried_slope": 12,
        "tried_state": 0,
        **{f"tried_{key}": math.nan for key in TRIED},
        "ring": np.resize([320.0, 640.0, np.nan], parts), "ring_spread": 20.0, "ring_hits": 12,
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


ROLES = {0.0: "silent", 1.0: "owner", 2.0: "other", 3.0: "minor", 4.0: "cancels"}
DOUBTS = {1.0: "silent", 2.0: "nothing so far"}
VERDICTS = {1.0: "hit together", 2.0: "take turns", 3.0: "cancel", 4.0: "overlap"}
NO_PAIRS = {1.0: "one part", 2.0: "held in one", 3.0: "none found"}
BANDS = ((20.0, 40.0), (40.0, 60.0), (60.0, 90.0), (90.0, 120.0))


class Given:
    """Values by key, spread over parts as the readings are."""

    def __init__(self, given: dict[str, Any], parts: int) -> None:
        self._given, self._parts = given, parts
        self._spread: dict[tuple[str, int], list[list[float]]] = {}

    def one(self, key: str) -> float:
        return float(np.ravel(np.asarray(self._given[f"low_end.{key}"], dtype=float))[0])

    def each(self, key: str, times: int = 1) -> list[list[float]]:
        if (key, times) not in self._spread:
            flat = np.ravel(np.asarray(self._given[f"low_end.{key}"], dtype=float))
            self._spread[key, times] = np.resize(flat, self._parts * times).reshape(-1, times).tolist()
        return self._spread[key, times]

    def some(self, key: str, count: int) -> tuple[float, ...]:
        return tuple(map(float, np.resize(np.ravel(np.asarray(self._given[f"low_end.{key}"], dtype=float)), count)))

    def name(self, key: str, known: tuple[str, ...]) -> str:
        place = self.one(key)
        return known[int(place)] if math.isfinite(place) and 0 <= place < len(known) else ""


def findings(given: dict[str, Any], known: tuple[str, ...]) -> LowEndFindings:
    """The findings that go with such readings."""
    found = Given(given, len(known))
    pair = _pair(found, known)
    mono, worst = found.some("mono_loss_bands", 4), int(np.clip(np.nan_to_num(found.one("mono_worst")), 0, 4))
    parts = tuple(_part(found, name, number) for number, name in enumerate(known))
    answered = not math.isnan(found.one("tried_cutoff"))
    shown = found.name("spoken_of", known)
    return LowEndFindings(
        48_000, 40.0, BANDS, parts, *(tuple(p.name for p in parts if p.role == role) for role in
        ("owner", "other", "cancels")), found.one("mix_bus_difference"), (0.1,) * 4,
        MonoFindings(
            found.one("mono_loss"), mono, BANDS[worst - 1] if worst else (20.0, 120.0),
            mono[worst - 1] if worst else found.one("mono_loss"), found.name("culprit", known),
            found.one("loss_with_culprit_in_mono"),
        ),
        (pair,) if pair is not None else (), found.one("half_beat"), (),
        cancelling_pairs=_cancelling(found, known), shown_part=shown,
        requested=RequestedHighPass(shown, _offer(found, "tried", int(found.one("tried_slope")), 0, 0), "tried")
        if answered else None,
        lanes=Lanes(2.0, found.some("lane_first", 96), found.some("lane_second", 96)),
        spectrum_hz=found.some("spectrum_hz", 80), kept_seconds=40.0,
        no_pair="" if pair is not None else NO_PAIRS.get(found.one("pair_doubt"), ""),
    )  # fmt: skip


def _part(found: Given, name: str, number: int) -> PartFindings:
    def value(key: str) -> float:
        return found.each(key)[number][0]

    floor = value("floor")
    note = note_words(floor)
    lower = value("floor_lower")
    slopes = range(4) if math.isfinite(floor) else ()
    hits = value("ring_hits")
    return PartFindings(
        name, ROLES.get(value("role"), "minor"), value("share"), tuple(found.each("band_share", 4)[number]), floor,
        note, 0.0, "pitched", "", value("rumble"), value("rumble_of_mix"), value("rumble_level"),
        tuple(_offer(found, "cutoff", (6, 12, 18, 24)[slope], number, slope) for slope in slopes),
        value("part_mono_loss"), tuple(found.each("part_mono_loss_bands", 6)[number]), value("ring"),
        value("ring_spread"), int(hits) if math.isfinite(hits) else 0, value("ring_floor"), value("overhang"),
        value("overhang_after"), lower, note_words(lower), spectrum_db=tuple(found.each("spectrum", 80)[number]),
        why={"floor_hz": DOUBTS.get(value("floor_doubt"), "no pitch")},
    )  # fmt: skip


def _offer(found: Given, prefix: str, slope: int, number: int, row: int) -> Offer:
    keys = ("_loss", "_phase", "_delay", "_removed", "_peak", "_mix_peak", "_mix_lows", "_ring")
    if prefix == "tried":
        return Offer(slope, *(found.one(f"tried{key}") for key in ("_cutoff", *keys)))
    return Offer(slope, *(found.each(f"cutoff{key}", 4)[number][row] for key in ("", *keys)))


def _pair(found: Given, known: tuple[str, ...]) -> PairFindings | None:
    first, second = found.name("pair_first", known), found.name("pair_second", known)
    if not (first and second):
        return None
    return PairFindings(
        first, second, VERDICTS.get(found.one("pair_verdict"), "not yet"), 14, 4.0, 14, 16, 16,
        found.one("pair_time_overlap"), found.one("pair_gap"), found.one("pair_gap_spread"),
        found.one("pair_sum_gain"), found.one("pair_sum_gain_spread"), found.one("pair_flipped"),
        found.one("pair_flip"), found.one("pair_nudge"), found.one("pair_nudge_gain"), found.one("pair_overlap"),
        found.one("pair_room"), (),
    )  # fmt: skip


def _cancelling(found: Given, known: tuple[str, ...]) -> tuple[CancellingPair, ...]:
    count, kind = found.one("cancel_pairs"), found.one("cancel_kind")
    names_of = (found.name("cancel_first", known), found.name("cancel_second", known))
    if not all(names_of) or kind not in (1.0, 2.0):
        return ()
    word = "opposite polarity" if kind == 1.0 else "left and right swapped, opposite polarity"
    pair = CancellingPair(*names_of, word, found.one("cancel_sum_gain"), found.one("cancel_flipped"))
    return (pair,) * int(np.clip(np.nan_to_num(count), 1, 40))


def frame(parts: int, changes: dict[str, Any] | None = None, **feed: Any) -> Frame:
    """A snapshot; ``changes`` by field key without the meter's name."""
    plan = layout(parts)
    values_of = np.full(plan.total, np.nan)
    given = values(parts) if parts else {}
    given |= {f"low_end.{key}": value for key, value in (changes or {}).items()}
    for key, value in given.items():
        slot = plan.by_key.get(key)
        if slot is not None:
            values_of[slot.offset : slot.offset + slot.size] = np.resize(
                np.ravel(np.asarray(value, dtype=float)), slot.size
            )
    studied = {"low_end.account": findings(given, names(parts))} if parts else {}
    return Frame(plan, values_of, status(feed.pop("seconds", 100.0), channels=parts + 2, **feed), studied)


def filled(parts: int, value: float) -> Frame:
    """Every reading and every figure found one value, but for places and numbers of parts."""
    keys = [key.removeprefix("low_end.") for key in values(max(parts, 1))]
    return frame(parts, {key: value for key in keys if not key.endswith(KEPT)} if parts else {})


def nothing(parts: int) -> Frame:
    """All readings "not yet" and no findings."""
    plain = frame(parts, {entry.key: math.nan for entry in MANIFEST.fields})
    return Frame(plain.layout, plain.values, plain.status)


def without_findings(snapshot: Frame) -> Frame:
    """The same before the first study has ended."""
    return Frame(snapshot.layout, snapshot.values, snapshot.status)

"""Invented snapshots of our own meters, and a link that hands them to a window without an engine."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from meter.alignments import find_alignments
from meter.builtin.drift.findings import DriftFindings
from meter.commands.window_meters import offered
from meter.gui.engine_link import MeterEntry
from meter.instances import Instance
from meter.lane.findings import FOUND, LaneBand, LaneFigure, LaneFindings, LaneOutside, LaneReference
from meter.marks import Mark
from meter.plugin.manifest import Manifest, read_manifest
from meter.readings import FeedStatus, Frame, Layout

BUILTIN = Path(__file__).parents[2] / "meter" / "builtin"
ORDER = ("mono_lows", "vu", "peaks", "listening", "spectrum", "stereo", "loudness", "lane", "drift")
ON_PAGE = ORDER[:-1]
"""Those with a card on the default page."""
ALL_FEEDS = ("low_end", "channels")
"""Those that listen to every feed; the one has a page of its own, the other no card."""
ON_OTHER_PAGES = ("repeats",)
"""Those of the mix with a card on another page than the first."""
OF_PAIRS = ("stage",)
"""Those that stand once for each pair: the source of ``layout`` has none."""
ELSEWHERE = (*ALL_FEEDS, *ON_OTHER_PAGES, *OF_PAIRS)
RATE_HZ = 48_000
HEARD_BEFORE = DriftFindings("same", 7300.0, 0.98, 1.5, -0.4, 0.8)
"""The passage now has played two hours ago."""


def _band(number: int) -> LaneBand:
    """Half octaves of a mix whose low mids lie under the lane and whose top is wide."""
    tone = -3.4 if number in (7, 8) else 0.4 * (-1) ** number
    width = 3.2 if number >= 16 else 0.3
    edges = 22.4 * 2.0 ** (number / 2.0), 22.4 * 2.0 ** ((number + 1) / 2.0)
    return LaneBand(*edges, tone, -1.1, 0.9, width, -0.8, 1.2)


BANDS = tuple(map(_band, range(19)))
AGAINST = LaneFindings(
    FOUND, 20.0, "newest 20 s", -14.2, BANDS, LaneFigure(12.0, -0.6, -1.4, 0.9), LaneFigure(3.1, 1.2, -1.0, 1.5),
    LaneFigure(6.0, -0.8, -1.0, 2.0),
    (
        LaneOutside("tone", -3.4, BANDS[7].low_hz, BANDS[8].high_hz),
        LaneOutside("width", 3.2, BANDS[16].low_hz, BANDS[18].high_hz),
    ),
    tuple(LaneReference(f"{number}.wav", "loud part", 40.0, -10.0, -4.2, 12.6, 2.0) for number in (1, 2, 3)),
)  # fmt: skip
"""A mix against three references."""


def manifests() -> dict[str, Manifest]:
    """The manifests of our own meters by id."""
    return {name: read_manifest(BUILTIN / name / "manifest.toml") for name in ORDER}


def all_manifests() -> dict[str, Manifest]:
    """Those that listen to every feed among them."""
    return manifests() | {
        name: read_manifest(BUILTIN / name / "manifest.toml") for name in (*ALL_FEEDS, *ON_OTHER_PAGES)
    }


def pair_manifests() -> dict[str, Manifest]:
    """Those of pairs."""
    return {name: read_manifest(BUILTIN / name / "manifest.toml") for name in OF_PAIRS}


def layout(channels: int = 2) -> Layout:
    """The layout of a chain of all of them."""
    found = all_manifests()
    return Layout.build({key: item.fields for key, item in found.items()}, dict.fromkeys(found, channels))


def status(seconds: float = 8040.0, **changes: Any) -> FeedStatus:
    """A feed that has been running for ``seconds``."""
    plain = FeedStatus("Studio Out", RATE_HZ, 2, "running", "", round(seconds * RATE_HZ), latency_seconds=0.085)
    return replace(plain, **changes)


def values_at(seconds: float, *, calibrated: bool = True, seed: int = 7) -> dict[str, Any]:
    """Readings as music might give them at ``seconds``; keys as in the manifests."""
    rng = np.random.default_rng(seed + round(seconds * 100))
    beat = 0.5 + 0.5 * math.cos(2 * math.pi * seconds * 2.0)
    fine_hz = np.linspace(20.0, 240.0, 221)
    fine = -62.0 + sum(
        height * np.exp(-((fine_hz - hz) ** 2) / 18.0)
        for hz, height in ((49.0, 34.0), (61.7, 27.0 + 6 * beat), (98.0, 20.0), (123.0, 22.0), (196.0, 14.0))
    )
    bands = -18.0 - 0.55 * np.arange(31) + 2.0 * np.sin(seconds + np.arange(31)) - 6.0 * (1 - beat)
    angle = rng.normal(0.0, 0.35, 512)
    size = rng.normal(0.0, 0.28, 512)
    values: dict[str, Any] = {
        "mono_lows.fold_down_loss": -1.4, "mono_lows.balance": -0.4, "mono_lows.loss_now": -1.8,
        "mono_lows.balance_now": -0.4, "mono_lows.level_now": -19.0,
        "mono_lows.band_low_edge": [20, 40, 60, 90], "mono_lows.band_high_edge": [40, 60, 90, 120],
        "mono_lows.band_loss": [-0.1, -0.4, -4.2, -0.3], "mono_lows.band_balance": [0.1, 0.6, -2.4, 0.2],
        "mono_lows.band_level": [-30.0, -22.0, -21.0, -25.0], "mono_lows.band_votes": [1, 1, 1, 1],
        "mono_lows.worst_band": 2, "mono_lows.verdict": 2, "mono_lows.age": 0.0,
        "vu.now": [-4.0 - 5 * (1 - beat), -4.6 - 5 * (1 - beat)], "vu.max": 1.2, "vu.usual": -2.8,
        "vu.usual_low": -7.5, "vu.peak_over": 8.2, "vu.age": 0.0, "vu.alignment": -18.0, "vu.movement": 0,
        "peaks.sample": [-4.1 - 6 * (1 - beat), -4.4 - 6 * (1 - beat)],
        "peaks.true": [-3.9 - 6 * (1 - beat), -4.3 - 6 * (1 - beat)], "peaks.true_hold": [-3.6, -4.0],
        "peaks.true_max_each": [-2.9, -3.4], "peaks.true_max": -2.9, "peaks.sample_max": -3.1, "peaks.overs": 0,
        "peaks.clipped": 0,
        "peaks.to_loudness": 14.2,
        "listening.feed_now": -20.0 + 0.05 * math.sin(seconds), "listening.calibrated": float(calibrated),
        "listening.time_listened": seconds / 3600.0,
        "spectrum.third_octave_hz": 1000.0 * 10 ** (0.1 * np.arange(-17, 14)), "spectrum.third_octave": bands,
        "spectrum.third_octave_hold": bands + 3.0, "spectrum.fine_hz": fine_hz, "spectrum.fine": fine,
        "spectrum.fine_hold": fine + 2.5,
        "stereo.correlation": 0.58, "stereo.low_correlation": 0.34, "stereo.balance": 0.2,
        "stereo.correlation_now": 0.62, "stereo.low_correlation_now": 0.31, "stereo.balance_now": 0.1,
        "stereo.mono_low_edge": [120, 350, 1000, 3000, 8000], "stereo.mono_high_edge": [350, 1000, 3000, 8000, 20000],
        "stereo.mono_loss": [-0.6, -1.1, -1.4, -2.2, -2.0], "stereo.age": 0.0,
        "stereo.picture": np.concatenate([angle * size, size]),
        "loudness.momentary": -14.8 - 2 * (1 - beat), "loudness.short_term": -16.2, "loudness.integrated": -17.1,
        "loudness.momentary_max": -11.9, "loudness.short_term_max": -13.5, "loudness.range": 6.0,
        "loudness.measured": seconds, "loudness.incomplete": 0,
        "drift.remembered": seconds / 3600.0, "lane.seconds": 40.0,
        "loudness.history": -17.0 + 2.0 * np.sin(np.arange(300) / 17.0),
    }  # fmt: skip
    if calibrated:
        values |= {
            "listening.seat_now": 79.3, "listening.seat_minute": 78.9, "listening.seat_quarter_hour": 78.2,
            "listening.peak_c": 96.0, "listening.share": 41.0, "listening.time_left_low": 2.0,
            "listening.time_left_high": 7.0, "listening.share_today": 12.0, "listening.share_week": 41.0,
            "listening.since_break": 84.0, "listening.creep": 3.2, "listening.notice": 0.0,
            "listening.doubt": 3.0,
        }  # fmt: skip
    return values


def frame(
    seconds: float = 8040.0,
    *,
    given: Mapping[str, Any] | None = None,
    plan: Layout | None = None,
    feed: FeedStatus | None = None,
    marks: tuple[Mark, ...] = (),
    drift: DriftFindings = HEARD_BEFORE,
) -> Frame:
    """One snapshot; readings that are not given are "not yet"; ``drift`` is found where the sitting is remembered."""
    plan = plan if plan is not None else layout()
    values = np.full(plan.total, np.nan)
    given = values_at(seconds) if given is None else given
    for key, value in given.items():
        slot = plan.by_key.get(key)
        if slot is not None:
            values[slot.offset : slot.offset + slot.size] = np.ravel(value)[: slot.size]
    found: dict[str, Any] = {"drift.passage": drift} if "drift.remembered" in given else {}
    if "lane.seconds" in given:
        found["lane.against"] = AGAINST
    return Frame(plan, values, feed if feed is not None else status(seconds), found, marks)


def entries(*, faces: bool = True) -> tuple[MeterEntry, ...]:
    """What ``app`` would hand to the window for our own meters."""
    return tuple(
        MeterEntry(
            meter_id=key,
            name=item.name,
            summary=item.summary,
            load_face=_loader(item.face) if faces and item.face else None,
            settings=tuple(item.setting),
            views={name: _loader(face) for name, face in item.views.items()},
            titles={view: item.title_of(view) for view in ("", *item.views)},
            on_pages=item.on_pages,
            services=item.services,
            feed=item.feed,
            single=item.why_single,
            offered=offered(item, find_alignments()[0]),
        )
        for key, item in (all_manifests() | pair_manifests()).items()
    )


def _loader(dotted: str) -> Any:
    def load() -> Any:
        import importlib

        module, _, name = dotted.partition(":")
        return getattr(importlib.import_module(module), name)

    return load


class FakeLink:
    """An engine that is not there: snapshots are put in by hand, calls are written down."""

    def __init__(self) -> None:
        self.now: Frame | None = None
        self.calls: list[tuple[Any, ...]] = []
        self.polls = 0
        self.closed = 0

    def take(self) -> Frame | None:
        return self.now

    def open(self, request: Mapping[str, Any], feeds: Mapping[str, tuple[int, ...]] | None = None) -> None:
        self.calls.append(("open", dict(request)) if feeds is None else ("open", dict(request), dict(feeds)))

    def hold(self, held: bool) -> None:
        self.calls.append(("hold", held))

    def reset(self) -> None:
        self.calls.append(("reset",))

    def suspend(self, reason: str) -> None:
        self.calls.append(("suspend", reason))

    def mark(self) -> None:
        self.calls.append(("mark",))

    def choose_at_play(self, choice: str) -> None:
        self.calls.append(("choose_at_play", choice))

    def name_mark(self, number: int, name: str) -> None:
        self.calls.append(("name_mark", number, name))

    def put_back_marks(self, marks: tuple[Mark, ...]) -> None:
        self.calls.append(("put_back_marks", marks))

    def record(self, kind: str, words: str, feed: str = "") -> None:
        self.calls.append(("record", kind, words, feed))

    def clear_marks(self) -> None:
        self.calls.append(("clear_marks",))

    def configure(self, meter_id: str, settings: Mapping[str, Any]) -> None:
        self.calls.append(("configure", meter_id, dict(settings)))

    def use_instances(self, instances: tuple[Instance, ...]) -> None:
        self.calls.append(("use_instances", instances))

    def poll(self) -> None:
        self.polls += 1

    def close(self) -> None:
        self.closed += 1

    def called(self, name: str) -> list[tuple[Any, ...]]:
        return [call for call in self.calls if call[0] == name]

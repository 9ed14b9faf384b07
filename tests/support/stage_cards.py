"""Invented findings of stages, and snapshots of a source with pairs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from meter.builtin.stage.face import StageFace
from meter.builtin.stage.findings import FOUND, PairFindings
from meter.instances import Instance, pair_instances
from meter.readings import Frame, Layout
from meter.stage.findings import LinearFindings, ReceiptFindings, SqueezeFindings, StageFindings
from tests.support.frames import ORDER, frame, manifests, pair_manifests, status, values_at

LEVELS = {"level": [-20.2, -17.8], "level_max": [-14.0, -12.0], "true_max": [-6.1, -4.0]}
CURVE = tuple((-40.0 + n, min(-40.0 + n, -24.0 + (n - 16) / 3.0) + 3.0) for n in range(30))
RESPONSE = tuple((25.0 * 2.0 ** (n / 12.0), 3.0 / (1.0 + (n / 20.0) ** 4) + 0.5, 0.97) for n in range(110))
SQUEEZE = SqueezeFindings(1.8, 3.4, 5.2, 3.0, 62.0, 12.0, 140.0, curve=CURVE, kick_dip_db=1.6)
BOUGHT = ReceiptFindings(
    2.3, 5.0, 40.0, 90.0, 1.3, 0.6, -2.1, -0.8, 24.0, 31.0, -21.0, -18.0, 1.1
)  # fmt: skip
STAGE = StageFindings(
    seconds=20.0, lag_samples=137.0, lag_ms=2.854, swapped=False, polarity=("same", "same"), verdict="not fair",
    loudness_change_lu=2.3, trim_db=-2.3, low_change_db=3.4, squeeze=SQUEEZE,
    linear=LinearFindings(2.6, -0.7, RESPONSE), added_db=-34.2, true_peak_change_db=2.1,
    peak_to_loudness_change_lu=-0.8, receipt=BOUGHT,
)  # fmt: skip
replaced = msgspec.structs.replace
FAIR = msgspec.structs.replace(
    STAGE, verdict="fair", loudness_change_lu=0.02, trim_db=-0.02, low_change_db=0.0, lag_samples=0.0, lag_ms=0.0
)
NOTHING_KNOWN = msgspec.structs.replace(
    STAGE, verdict="not fair", loudness_change_lu=math.nan, trim_db=math.nan, low_change_db=math.nan,
    squeeze=SqueezeFindings(), linear=LinearFindings(), added_db=math.nan, true_peak_change_db=math.nan,
    peak_to_loudness_change_lu=math.nan, receipt=ReceiptFindings(),
    why={"squeeze": "less than a second of the sound before is loud enough", "linear": "too short"},
)  # fmt: skip


def found(stage: StageFindings | None = STAGE, **changes: Any) -> PairFindings:
    """A pair whose stage is found."""
    plain = PairFindings(FOUND, 20.0, stage, 2.6, 3.0, 2.1, 3.6)
    return msgspec.structs.replace(plain, **changes)


def wired(columns: Mapping[str, Sequence[int]]) -> Layout:
    """The layout of a source whose pairs have these columns, before then after."""
    feeds = {"mix": (0, 1)} | {f"pair {name}": tuple(numbers) for name, numbers in columns.items()}
    fields = {key: item.fields for key, item in manifests().items()}
    channels = dict.fromkeys(ORDER, 2)
    pairs = pair_instances("stage", feeds)
    if columns:
        fields |= {each.id: pair_manifests()["stage"].fields for each in pairs}
        channels |= {each.id: len(feeds[each.feed]) for each in pairs}
    firsts = tuple(Instance(key, key, "mix") for key in ORDER)
    return Layout.build(fields, channels, feeds, (), (*firsts, *pairs))


def shown(
    pairs: Mapping[str, PairFindings | None], plan: Layout | None = None, seconds: float = 100.0, **feed: Any
) -> Frame:
    """A snapshot with findings for each pair, by name; without a plan each has channels of its own."""
    plan = plan or wired({name: range(2 + 4 * number, 6 + 4 * number) for number, name in enumerate(pairs)})
    given = values_at(seconds)
    for each in pair_instances("stage", plan.feeds):
        given |= {f"{each.id}.{key}": values for key, values in LEVELS.items()}
    made = frame(seconds, given=given, plan=plan, feed=status(seconds, channels=2 + 4 * len(pairs), **feed))
    ids = {each.feed: each.id for each in plan.instances}
    of_pairs = {f"{ids[f'pair {name}']}.pair": each for name, each in pairs.items() if each is not None}
    return Frame(plan, made.values, made.status, {**made.findings, **of_pairs})


def card(qtbot: Any, size: tuple[int, int] = (620, 700), meter_id: str = "stage", title: str = "tape") -> StageFace:
    """The card of one stage."""
    face = StageFace()
    face.stand_for(meter_id, title)
    qtbot.addWidget(face)
    face.show_settings({})
    face.resize(*size)
    face.show()
    return face

"""Remarks about the parts, one sentence each, and reasons for figures that cannot be said."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from dsp.core.lag import Lag
from dsp.lowend.likeness import IDENTICAL, SWAPPED, Alike
from dsp.lowend.shares import OWN_MID, WITH_SUM_SIDE, LowSums
from meter.lowend.findings import PairFindings, PartFindings
from meter.lowend.words import listed

IS_THE_MIX = 1e-3
NOTABLE_LAG_SECONDS = 0.001


def on_parts(names: Sequence[str], sums: LowSums, has_mix: bool) -> list[str]:
    """What is odd about the set of parts."""
    own = sums.parts[:, :, OWN_MID:]
    if np.isnan(own).any():
        return ["Nothing below 120 Hz is loud enough to be judged."]
    said = []
    if len(names) == 1:
        said.append(f"{names[0]} is the only part, so all of the low end is its own; add the others to compare.")
    said += _is_mix(names, sums, has_mix)
    if np.isnan(sums.share_percent[0]).all():
        said.append("The parts cancel each other's lows, so there are no shares; check the polarity of the files.")
    return said


def on_likeness(names: Sequence[str], found: Sequence[Alike]) -> list[str]:
    """Parts that are the same in groups, and those that differ by left and right only."""
    same: dict[int, list[int]] = {}
    for pair in found:
        # Pairs come in order, so that all of a group are told of its first part.
        if pair.kind == IDENTICAL and not any(pair.first in others for others in same.values()):
            same.setdefault(pair.first, []).append(pair.second)
    said = [f"{listed([names[at] for at in (first, *others)])} are identical." for first, others in same.items()]
    said += [
        f"{names[pair.first]} and {names[pair.second]} are identical, but with left and right swapped."
        for pair in found
        if pair.kind == SWAPPED
    ]
    return said


def on_lag(lag: Lag, mix_name: str) -> list[str]:
    """Whether the mix is made of the parts, and how late it is."""
    if not lag.correlation:
        return []
    if not lag.sure:
        return [
            f"{mix_name} has little in common with the sum of the parts (correlation {lag.correlation:.2f}): parts "
            "are missing or not in step; high-passes were tried in the sum instead."
        ]
    said = []
    if lag.correlation < 0.0:
        said.append(f"{mix_name} has the opposite polarity of the sum of the parts.")
    if abs(lag.frames) >= NOTABLE_LAG_SECONDS:
        late = f"{1000.0 * abs(lag.frames):.0f} ms {'late' if lag.frames > 0 else 'early'}"
        said.append(f"{mix_name} is {late} against the parts; that was allowed for.")
    return said


def _is_mix(names: Sequence[str], sums: LowSums, has_mix: bool) -> list[str]:
    """A part that is the mix itself, or the sum of all the other parts."""
    total = float((sums.sum_mid + sums.sum_side)[0])
    said = []
    for index, name in enumerate(names):
        own = sums.parts[0, index, OWN_MID:]
        together = float(sums.parts[0, index, : WITH_SUM_SIDE + 1].sum())
        rest = total - 4.0 * together + 4.0 * float(own.sum())
        if len(names) > 2 and total > 0.0 and abs(rest) < IS_THE_MIX * total:
            said.append(f"{name} is the sum of all the other parts: it looks like the mix, so leave it out.")
        elif has_mix and len(names) > 1 and np.allclose(sums.parts[:, index, OWN_MID:], sums.mix, rtol=IS_THE_MIX):
            said.append(f"{name} has the same lows as the mix: it looks like the mix itself, so leave it out.")
    return said


def why_of(part: PartFindings, known: Mapping[str, str]) -> dict[str, str]:
    """Reasons for the figures of a part that are null; ``known`` holds those of its note and its decay."""
    why: dict[str, str] = {}
    if math.isnan(part.share_percent):
        why["share_percent"] = "the low end is silent, or the parts cancel each other"
    if math.isnan(part.floor_hz):
        why["floor_hz"] = known.get("floor_hz", "")
        why["rumble_db"] = why["high_pass"] = "the lowest note is not known"
    elif not math.isfinite(part.rumble_db):
        why["rumble_db"] = "nothing at all under the lowest note"
    if part.mono_loss_db == -math.inf:
        why["mono_loss_db"] = "the lows vanish in mono"
    elif math.isnan(part.mono_loss_db):
        why["mono_loss_db"] = "no lows"
    if math.isnan(part.ring_ms):
        why["ring_ms"] = known.get("ring_ms", "")
        if part.high_pass:
            why["ring_change_ms"] = "the ring itself is not known"
    return why


def why_of_pair(pair: PairFindings, reason: str) -> dict[str, str]:
    """Reasons for the figures of a pair that are null."""
    why = {}
    if math.isnan(pair.gap_median_ms):
        why["gap_median_ms"] = reason
    if math.isnan(pair.sum_gain_db):
        why["sum_gain_db"] = reason or "too few notes in step lie within the stretch"
    elif pair.sum_gain_db == -math.inf:
        why["sum_gain_db"] = why["flip_change_db"] = why["nudge_change_db"] = "they cancel completely"
    elif pair.flipped_gain_db == -math.inf:
        why["flipped_gain_db"] = why["flip_change_db"] = "flipped, they would cancel completely"
    if math.isnan(pair.second_under_first_db):
        why["second_under_first_db"] = "the first part's fundamental is not known"
    return why

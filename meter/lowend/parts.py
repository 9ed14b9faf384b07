"""What was found of one part as a record: shares of this stretch, and a look at it, now or earlier."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec.structs import replace

from dsp.lowend.low_stretch import LowStretch
from dsp.lowend.shares import OWN_MID, Owners
from dsp.spectrum.note_names import nearest_note
from meter.lowend.findings import CANCELS, MINOR, OTHER, OWNER, SILENT, PartFindings
from meter.lowend.looks import Look
from meter.lowend.pairs import values

NAN = float("nan")
NOTHING_SO_FAR = "nothing so far"


def part_findings(
    stretch: LowStretch, owners: Owners, number: int, look: Look | None, earlier: PartFindings | None
) -> PartFindings:
    """One part without its high-passes. ``why`` holds the reasons why note and decay are not known.

    Without a ``look`` its note, rumble and decay are the ``earlier`` ones.
    """
    sums, shares = stretch.sums, stretch.sums.share_percent
    fast: dict[str, Any] = {
        "name": stretch.names[number],
        "share_percent": float(shares[0, number]),
        "share_by_band_percent": values(shares[1:, number]),
        "mono_loss_db": float(sums.part_loss_db[0, number]),
        "mono_loss_by_band_db": values(stretch.mono_loss_db[number]),
    }
    if look is not None:
        slow = {**_of_look(look), "seen_at_seconds": stretch.kept_seconds}
        if earlier is not None:
            slow["tried_at_seconds"] = earlier.tried_at_seconds
        found = PartFindings(role="", high_pass=(), **fast, **slow)
    elif earlier is not None:
        found = replace(earlier, **fast)
    else:
        found = PartFindings(role="", high_pass=(), **fast, **NOT_SEEN)
    return replace(found, role=_role(stretch, owners, number, found.why.get("floor_hz", "")))


def _of_look(look: Look) -> dict[str, Any]:
    note, rumble, decay = look.note, look.rumble, look.decay
    name = nearest_note(note.floor_hz) if np.isfinite(note.floor_hz) else None
    return {
        "floor_hz": float(note.floor_hz),
        "floor_note": name.name if name else "",
        "floor_cents": float(name.cents) if name else NAN,
        "floor_kind": note.kind,
        "floor_evidence": note.evidence,
        "floor_lower_hz": float(note.lower_hz),
        "floor_lower_note": nearest_note(note.lower_hz).name if np.isfinite(note.lower_hz) else "",
        "floor_apart": note.apart,
        "rumble_db": float(rumble.against_part_db),
        "rumble_against_mix_lows_db": float(rumble.against_mix_lows_db),
        "rumble_dbfs": float(rumble.level_dbfs),
        "ring_ms": float(decay.to_minus_20_ms),
        "ring_spread_ms": float(decay.spread_ms),
        "ring_hits": int(decay.hits),
        "ring_filter_floor_ms": float(decay.filter_floor_ms),
        "overhang_db": float(decay.overhang_db),
        "overhang_after_ms": float(decay.gap_ms),
        "spectrum_db": values(look.spectrum_db),
        "why": {"floor_hz": note.reason, "ring_ms": decay.reason},
    }


NOT_SEEN: dict[str, Any] = {
    "floor_hz": NAN, "floor_note": "", "floor_cents": NAN, "floor_kind": "", "floor_evidence": "",
    "rumble_db": NAN, "rumble_against_mix_lows_db": NAN, "rumble_dbfs": NAN,
    "ring_ms": NAN, "ring_spread_ms": NAN, "ring_hits": 0, "ring_filter_floor_ms": NAN,
    "overhang_db": NAN, "overhang_after_ms": NAN,
    "why": {"floor_hz": NOTHING_SO_FAR, "ring_ms": NOTHING_SO_FAR},
}  # fmt: skip


def _role(stretch: LowStretch, owners: Owners, number: int, reason: str) -> str:
    if not stretch.sums.parts[0, number, OWN_MID:].sum() > 0.0 or reason.startswith("silent"):
        return SILENT
    groups = ((OWNER, owners.owners), (OTHER, owners.others), (CANCELS, owners.cancelling))
    return next((role for role, numbers in groups if number in numbers), MINOR)

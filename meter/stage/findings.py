"""Findings of the referee as plain values: what ``compare --json`` prints.

Changes are after less before. NaN means "cannot be said", and ``why`` says why; minus infinity is "nothing".
"""

from __future__ import annotations

import math
from typing import Any

import msgspec

FAIR, NEARLY_FAIR, NOT_FAIR = "fair", "nearly fair", "not fair"
SAME, INVERTED = "same", "inverted"
NAN = math.nan

Why = dict[str, str]


class SqueezeFindings(msgspec.Struct, frozen=True):
    """How far the stage holds the sound down, in dB, over the moments that are loud enough.

    ``at_least`` says that the stage never lets go, so the figures are lower bounds; ``band_dependent`` that bands are
    held down by different amounts at one moment; ``whitened`` that its response was taken out first. Attack and
    recovery are time constants. ``curve`` holds input and usual output level, dB re a full-scale sine.
    ``kick_dip_db`` is how much further the sound is held down just after a low onset than before it.
    """

    median_db: float = NAN
    p90_db: float = NAN
    max_db: float = NAN
    make_up_db: float = NAN
    over_1_db_percent: float = NAN
    attack_ms: float = NAN
    recovery_ms: float = NAN
    at_least: bool = False
    expands: bool = False
    band_dependent: bool = False
    whitened: bool = False
    curve: tuple[tuple[float, float], ...] = ()
    kick_dip_db: float = NAN


class LinearFindings(msgspec.Struct, frozen=True):
    """The linear part: means in dB of 20 to 120 Hz (``lows_db``) and 4 to 12 kHz (``tilt_db``) re 200 Hz to 2 kHz.

    ``response`` holds frequency in Hz, response in dB and coherence, for twelfths of an octave with a coherence over
    0.9.
    """

    lows_db: float = NAN
    tilt_db: float = NAN
    response: tuple[tuple[float, float, float], ...] = ()


class ReceiptFindings(msgspec.Struct, frozen=True):
    """What a move bought and what it paid.

    Bought: ``loudness_lu``. The boosted band: ``band_db`` re the rest of the response, from ``band_low_hz`` to
    ``band_high_hz``, where half of it is left; NaN where nothing is boosted by 1.5 dB or more. ``attack_db`` is the
    change of that band's peaks at onsets re the whole sound, ``crest_db`` re the band itself; without a band, of the
    whole sound.

    Paid: ``headroom_db``, negative when true peak rises; ``peak_to_loudness_lu``; the share of power in 20 to 120 Hz;
    ``next_squeeze_db``, how much harder the next stage holds down, an estimate. ``level_before_db`` and
    ``level_after_db`` are usual levels in 10 ms, dB re a full-scale sine.
    """

    loudness_lu: float = NAN
    band_db: float = NAN
    band_low_hz: float = NAN
    band_high_hz: float = NAN
    attack_db: float = NAN
    crest_db: float = NAN
    headroom_db: float = NAN
    peak_to_loudness_lu: float = NAN
    low_share_before_percent: float = NAN
    low_share_after_percent: float = NAN
    level_before_db: float = NAN
    level_after_db: float = NAN
    next_squeeze_db: float = NAN


class StageFindings(msgspec.Struct, frozen=True):
    """What one stage does. ``lag_samples`` is positive when after is late; ``swapped`` when it comes before before.

    ``polarity`` is that of each channel of after. ``trim_db`` makes both equally loud. ``low_change_db`` is the plain
    change of power in 20 to 120 Hz: K-weighting discounts lows. ``added_db`` is what no linear copy of before
    explains, re all of after.
    """

    seconds: float
    lag_samples: float
    lag_ms: float
    swapped: bool
    polarity: tuple[str, ...]
    verdict: str
    loudness_change_lu: float
    trim_db: float
    low_change_db: float
    squeeze: SqueezeFindings
    linear: LinearFindings
    added_db: float
    true_peak_change_db: float
    peak_to_loudness_change_lu: float
    notes: tuple[str, ...] = ()
    why: Why = {}
    receipt: ReceiptFindings = ReceiptFindings()

    def to_json(self) -> dict[str, Any]:
        """Numbers; null where nothing can be said, with the reason under ``why``; minus infinity as null as well."""
        found: dict[str, Any] = plain_json(msgspec.to_builtins(self))
        return found


def plain_json(value: Any) -> Any:
    """Numbers to four decimals, null for what is not finite."""
    if isinstance(value, dict):
        return {key: plain_json(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_json(item) for item in value]
    if isinstance(value, float):
        return round(value, 4) + 0.0 if math.isfinite(value) else None
    return value

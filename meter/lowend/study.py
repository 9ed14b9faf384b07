"""The low-end study: one stretch of parts and a mix to findings. The live page and the command both call it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from msgspec.structs import replace

from dsp.core.lag import Lag
from dsp.lowend.decay import half_beat_ms
from dsp.lowend.likeness import Alike, with_cancelling
from dsp.lowend.low_band import LOW_BANDS_HZ
from dsp.lowend.low_mono import mono_loss
from dsp.lowend.low_stretch import LowStretch
from dsp.lowend.part_names import PairChoice
from dsp.lowend.shares import Owners, owners_of
from meter.lowend import remarks
from meter.lowend.findings import (
    TRIED,
    TRYING,
    CancellingPair,
    LowEndFindings,
    MonoFindings,
    PartFindings,
    RequestedHighPass,
)
from meter.lowend.looks import SPECTRUM_HZ, Look, look_at
from meter.lowend.pairs import PairLook, look_at_pair, pair_to_compare, values
from meter.lowend.parts import part_findings
from meter.lowend.trials import lag_of_mix, offer, offers, trial_of, with_changes_of
from meter.lowend.turns import number_of, parts_to_look_at, parts_to_try
from meter.lowend.wishes import Wishes

NAN = float("nan")
NOTABLE_RUMBLE_DB = -20.0
"""Under-rumble against the mix's lows: 1 % of them (judgement)."""
SHOWN_MARGIN_DB = 3.0


def low_end(stretch: LowStretch, settings: Mapping[str, Any], before: LowEndFindings | None = None) -> LowEndFindings:
    """All findings of ``stretch``. Parts that it does not cover keep what ``before`` says of them.

    ``settings`` are those of the manifest; the command may add ``pair`` (two names) and ``every_part`` (the cut-off
    replaces the affordable one on all parts).
    """
    wishes = Wishes.of(settings)
    owners = with_cancelling(owners_of(stretch.sums.share_percent[0]), stretch.alike)
    looked = parts_to_look_at(stretch, owners, wishes, before)
    tried = parts_to_try(stretch, looked, owners, wishes, before)
    looks = look_at(stretch, looked, owners)
    lag = lag_of_mix(stretch)
    parts = _parts(stretch, owners, looks, tried, lag, wishes, before)
    shown = shown_part(stretch, owners, parts, wishes, before)
    requested = _requested(stretch, shown, looks, lag, wishes, before)
    choice = pair_to_compare(stretch.names, owners, parts, wishes)
    pair = _pair(stretch, choice, looked, parts, wishes, before)
    found = _findings(stretch, owners, parts, lag, wishes, pair)
    reasons = {**found.why, **({"pairs": choice.reason} if choice.reason else {})}
    return replace(
        found, shown_part=stretch.names[shown] if shown >= 0 else "", requested=requested, no_pair=choice.doubt,
        why=reasons,
    )  # fmt: skip


def _parts(
    stretch: LowStretch,
    owners: Owners,
    looks: Mapping[int, Look],
    tried: Sequence[int],
    lag: Lag,
    wishes: Wishes,
    before: LowEndFindings | None,
) -> tuple[PartFindings, ...]:
    known = {part.name: part for part in before.parts} if before is not None else {}
    found = []
    for number, name in enumerate(stretch.names):
        look, earlier = looks.get(number), known.get(name)
        part = part_findings(stretch, owners, number, look, earlier)
        if look is not None:
            trial = trial_of(stretch, number, look, lag) if number in tried else None
            cutoff_hz = wishes.cutoff_hz if wishes.every_part and np.isfinite(wishes.cutoff_hz) else None
            offered = offers(look, cutoff_hz, trial, stretch.rate_hz)
            if trial is None and earlier is not None:
                offered = with_changes_of(offered, earlier.high_pass)
            when = stretch.kept_seconds if trial is not None else part.tried_at_seconds
            part = replace(part, high_pass=offered, tried_at_seconds=when)
        found.append(replace(part, why=remarks.why_of(part, part.why)))
    return tuple(found)


def shown_part(
    stretch: LowStretch,
    owners: Owners,
    parts: Sequence[PartFindings],
    wishes: Wishes,
    before: LowEndFindings | None,
) -> int:
    """The chosen part; without a choice the one with most to show, -1 while there is none.

    In this order: the part with most under its lowest note that is no owner, the part with the largest share that
    is no owner, an owner with rumble, the first owner.
    """
    chosen = number_of(stretch, wishes.part)
    if chosen >= 0:
        return chosen
    earlier = number_of(stretch, before.shown_part if before is not None else "")
    rumbles = np.array([part.rumble_against_mix_lows_db for part in parts])
    rumbles = np.where(rumbles > NOTABLE_RUMBLE_DB, rumbles, -np.inf)
    is_owner = np.isin(np.arange(len(parts)), owners.owners)
    for group in (~is_owner, is_owner):
        worst = int(np.argmax(np.where(group, rumbles, -np.inf)))
        if group[worst] and np.isfinite(rumbles[worst]):
            stays = earlier >= 0 and group[earlier] and rumbles[earlier] > rumbles[worst] - SHOWN_MARGIN_DB
            return earlier if stays else worst
        if owners.others:
            return owners.others[0]
    return owners.owners[0] if owners.owners else earlier


def _requested(
    stretch: LowStretch,
    shown: int,
    looks: Mapping[int, Look],
    lag: Lag,
    wishes: Wishes,
    before: LowEndFindings | None,
) -> RequestedHighPass | None:
    """The requested cut-off on the shown part, tried again whenever the part is looked at."""
    if shown < 0 or not wishes.requests_cutoff:
        return None
    look, name = looks.get(shown), stretch.names[shown]
    if look is None or not np.isfinite(look.note.floor_hz):
        found = before.requested if before is not None else None
        same = found is not None and (found.part, found.offer.slope_db_per_octave) == (name, wishes.slope)
        return found if found is not None and same and found.offer.cutoff_hz == wishes.cutoff_hz else None
    trial = trial_of(stretch, shown, look, lag)
    made = offer(look, wishes.slope, wishes.cutoff_hz, trial, stretch.rate_hz)
    return RequestedHighPass(name, made, TRIED if trial is not None else TRYING)


def _pair(
    stretch: LowStretch,
    choice: PairChoice,
    looked: Sequence[int],
    parts: Sequence[PartFindings],
    wishes: Wishes,
    before: LowEndFindings | None,
) -> PairLook | None:
    """Kick and bass, compared when one of them is looked at."""
    if choice.parts is None:
        return None
    first, second = choice.parts
    names = (stretch.names[first], stretch.names[second])
    earlier, lanes = (before.pairs, before.lanes) if before is not None else ((), None)
    known = bool(earlier) and (earlier[0].first, earlier[0].second) == names
    if known and first not in looked and second not in looked:
        return PairLook(earlier[0], lanes)
    return look_at_pair(stretch, first, second, parts[first].floor_hz, wishes.tempo_bpm, lanes)


def _findings(
    stretch: LowStretch,
    owners: Owners,
    parts: tuple[PartFindings, ...],
    lag: Lag,
    wishes: Wishes,
    pair: PairLook | None,
) -> LowEndFindings:
    bus = stretch.sums.mix_over_sum_db
    why = {} if stretch.mix is not None else {"mix_bus_difference_db": "no mix was given"}
    if stretch.mix is not None and not np.isfinite(bus[0]):
        why["mix_bus_difference_db"] = "the mix has no lows" if bus[0] == -np.inf else "the parts have no lows"
    return LowEndFindings(
        rate_hz=stretch.rate_hz,
        seconds=round(stretch.seconds, 6),
        bands_hz=LOW_BANDS_HZ[1:],
        parts=parts,
        owners=_named(stretch, owners.owners),
        others=_named(stretch, owners.others),
        cancelling=_named(stretch, owners.cancelling),
        mix_bus_difference_db=float(bus[0]),
        mix_bus_by_band_db=values(bus[1:]),
        mono=_mono(stretch),
        pairs=(pair.pair,) if pair is not None else (),
        half_beat_ms=half_beat_ms(wishes.tempo_bpm) if np.isfinite(wishes.tempo_bpm) else NAN,
        notes=(
            *remarks.on_parts(stretch.names, stretch.sums, stretch.mix is not None),
            *remarks.on_likeness(stretch.names, stretch.alike),
            *remarks.on_lag(lag, stretch.mix_name),
        ),
        cancelling_pairs=tuple(_cancelling_pair(stretch, found) for found in stretch.alike if found.cancels),
        lanes=pair.lanes if pair is not None else None,
        spectrum_hz=values(np.sqrt(SPECTRUM_HZ[1:] * SPECTRUM_HZ[:-1])),
        kept_seconds=stretch.kept_seconds,
        why=why,
    )


def _cancelling_pair(stretch: LowStretch, found: Alike) -> CancellingPair:
    why = {} if np.isfinite(found.together_db) else {"together_db": "cancels completely"}
    first, second = stretch.names[found.first], stretch.names[found.second]
    return CancellingPair(first, second, found.kind, float(found.together_db), float(found.flipped_db), why)


def _named(stretch: LowStretch, numbers: Sequence[int]) -> tuple[str, ...]:
    return tuple(stretch.names[number] for number in numbers)


def _mono(stretch: LowStretch) -> MonoFindings:
    """The lows in mono, and the part whose being mono would restore most where most is lost."""
    loss, found = stretch.sums.loss_db, mono_loss(stretch.sums)
    name = stretch.names[found.part] if found.part >= 0 else ""
    band = LOW_BANDS_HZ[found.band]
    return MonoFindings(float(loss[0]), values(loss[1:]), band, float(found.loss_db), name, float(found.left_db))

"""Kick and bass, or two other parts: what they do together, and both over a bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from msgspec.structs import replace

from dsp.core.types import FloatArray
from dsp.lowend.bar_lanes import AFTER_HIT_SECONDS, bar_seconds, bar_starts, folded
from dsp.lowend.low_stretch import LowStretch
from dsp.lowend.onsets import onsets
from dsp.lowend.pair import Pair, pair
from dsp.lowend.part_names import PairChoice, choose_pair
from dsp.lowend.part_sound import common_spectra, common_stretch
from dsp.lowend.shares import Owners
from dsp.lowend.tempo_fit import TempoFit, tempo_fit
from meter.lowend.findings import Lanes, PairFindings, PartFindings, ThirdOctave
from meter.lowend.remarks import why_of_pair
from meter.lowend.wishes import Wishes

LANE_COLUMNS = 96


@dataclass(frozen=True)
class PairLook:
    """What was found of two parts."""

    pair: PairFindings
    lanes: Lanes | None


def pair_to_compare(
    names: Sequence[str], owners: Owners, parts: Sequence[PartFindings], wishes: Wishes
) -> PairChoice:
    """The two parts asked for, otherwise kick and bass as names or sound tell."""
    if wishes.pair is not None:
        return PairChoice((names.index(wishes.pair[0]), names.index(wishes.pair[1])))
    return choose_pair(names, (*owners.owners, *owners.others), [part.floor_kind for part in parts])


def look_at_pair(
    stretch: LowStretch, first: int, second: int, floor_hz: float, tempo_bpm: float, before: Lanes | None
) -> PairLook:
    """Compare two parts over the newest ``pair_seconds``. ``floor_hz`` is the first one's lowest note."""
    a, b = stretch.parts[first], stretch.parts[second]
    common = common_stretch(stretch.parts)
    length = min(common.stop - common.start, round(min(stretch.pair_seconds, 1e6) * a.rate_hz))
    newest = slice(common.stop - length, common.stop)
    found = pair(a.audio(newest), b.audio(newest), a.rate_hz, *common_spectra(a, b), floor_hz)
    lanes = _lanes(stretch, first, second, newest, tempo_bpm, before)
    return PairLook(_findings(stretch.names[first], stretch.names[second], found), lanes)


def _lanes(
    stretch: LowStretch, first: int, second: int, newest: slice, tempo_bpm: float, before: Lanes | None
) -> Lanes | None:
    """Both parts over a bar, as the last bars were, or over a second after each hit; None without hits."""
    a, b = stretch.parts[first], stretch.parts[second]
    seconds = (newest.stop - newest.start) / a.rate_hz
    began = stretch.kept_seconds - (len(a.kept) - newest.start) / a.rate_hz
    hits = onsets(a.audio(newest), a.rate_hz)
    lane_seconds, starts, newest_bar = AFTER_HIT_SECONDS, hits, float("nan")
    fit = TempoFit(fits=True)
    if np.isfinite(tempo_bpm):
        fit = tempo_fit(hits, tempo_bpm)
        lane_seconds = bar_seconds(tempo_bpm)
        earlier = before.starts_at_seconds - began if before is not None else float("nan")
        starts = bar_starts(hits, lane_seconds, seconds, earlier)
        newest_bar = began + float(starts[-1]) if len(starts) else float("nan")
    both = np.stack(
        [folded(sound.audio(newest), sound.rate_hz, starts, lane_seconds, LANE_COLUMNS) for sound in (a, b)]
    )
    highest = float(np.nanmax(both)) if np.isfinite(both).any() else 0.0
    if not highest > 0.0:
        return None
    lanes = (values(both[0] / highest), values(both[1] / highest))
    return Lanes(lane_seconds, *lanes, newest_bar, fit.fits, fit.better_bpm)


def _findings(first: str, second: str, found: Pair) -> PairFindings:
    timing, gain = found.timing, found.sum_gain
    thirds = tuple(
        ThirdOctave(float(band.centre_hz), 100.0 * float(band.overlap), float(band.first_over_second_db))
        for band in found.bands
    )
    made = PairFindings(
        first, second, found.verdict, int(timing.coincidences), float(timing.by_chance), int(timing.in_step),
        int(timing.first_notes), int(timing.second_notes), 100.0 * float(found.time_overlap), float(timing.gap_ms),
        float(timing.spread_ms), float(gain.gain_db), float(gain.spread_db), float(gain.flipped_db),
        float(gain.flip_db), float(gain.nudge_ms), float(gain.nudge_db), 100.0 * float(found.overlap),
        float(found.second_under_first_db), thirds,
    )  # fmt: skip
    return replace(made, why=why_of_pair(made, found.reason))


def values(array: FloatArray) -> tuple[float, ...]:
    """Plain numbers for a record."""
    return tuple(float(value) for value in array)

"""The low end of several parts: who owns it, what may go, what it would cost; the numbers of a page of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from dsp.lowend.decay import Ring, half_beat_ms
from dsp.lowend.high_pass import SLOPES_DB_PER_OCTAVE, Price
from dsp.lowend.high_pass_trial import Trial, ring_change_ms
from dsp.lowend.likeness import OPPOSITE, SWAPPED_OPPOSITE, Alike
from dsp.lowend.low_band import SUB_BANDS_HZ
from dsp.lowend.low_ledger import LAST, LowLedger
from dsp.lowend.low_mono import mono_loss
from dsp.lowend.low_rounds import NOT_TRIED, SPECTRUM_HZ, LowRounds, PartFindings
from dsp.lowend.lowest_note import DRUM, PITCHED, LowestNote
from dsp.lowend.pair import CANCELLING, NOT_YET, OVERLAPPING, TAKING_TURNS, THIRD_OCTAVES_HZ, TOGETHER, Pair
from dsp.lowend.part_names import HELD_IN_ONE, NONE_FOUND, ONE_PART
from dsp.lowend.shares import OWN_MID, LowSums, Owners
from dsp.stereo.mono_bands import MONO_BANDS_HZ
from meter.plugin.api import Readout, SavedState, Settings, Spec

NAN = float("nan")
MIX, PART_PREFIX = "mix", "part "
SILENT, OWNER, OTHER, MINOR, CANCELS = range(5)
KINDS = {PITCHED: 1.0, DRUM: 2.0}
KNOWN, SILENCE, TOO_LITTLE, NO_PITCH = range(4)
VERDICTS = {NOT_YET: 0.0, TOGETHER: 1.0, TAKING_TURNS: 2.0, CANCELLING: 3.0, OVERLAPPING: 4.0}
CANCEL_KINDS = {OPPOSITE: 1.0, SWAPPED_OPPOSITE: 2.0}
PAIR_DOUBTS = {ONE_PART: 1.0, HELD_IN_ONE: 2.0, NONE_FOUND: 3.0}
NOTHING_TO_TRY, AT_WORK, DONE = range(3)
READ_EVERY_HOPS = 5
"""Figures are worked out anew about four times a second."""

Values = dict[str, Any]


class LowEnd:
    """Processor of the manifest beside it; without a part in the feed map everything reads "not yet"."""

    def __init__(self) -> None:
        self._settings: Mapping[str, Any] = {}
        self._ledger: LowLedger | None = None
        self._values: Values = {}

    def configure(self, settings: Settings) -> None:
        """Span, tempo, the part spoken of, slope and cut-off."""
        self._settings = dict(settings)
        self._values = {}
        if self._ledger is not None:
            self._apply(self._ledger)

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._ledger = ledger_of(spec)
        self._values = {}
        self._values_hop = 0
        if self._ledger is not None:
            self._apply(self._ledger)

    def process(self, block: Any) -> None:
        """Feed ``(frames, channels)`` of the whole source."""
        if self._ledger is None:
            return
        self._ledger.process(block)
        if self._ledger.hops // READ_EVERY_HOPS != self._values_hop // READ_EVERY_HOPS:
            self._values = {}

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._values = {}
        if self._ledger is not None:
            self._ledger.skip(frames)

    def reset(self) -> None:
        """Forget the signal."""
        self._values = {}
        if self._ledger is not None:
            self._ledger.reset()

    def mark(self) -> None:
        """Count since now."""
        self._values = {}
        if self._ledger is not None:
            self._ledger.mark()

    def save_state(self) -> SavedState:
        """What is counted since reset and since the mark."""
        return self._ledger.save_state() if self._ledger is not None else {}

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave."""
        self._values = {}
        if self._ledger is not None:
            self._ledger.restore_state(kept)

    def read(self, out: Readout) -> None:
        """Write all fields."""
        if self._ledger is None:
            out.blank()
            return
        if not self._values:
            found = self._work_out(self._ledger)
            # Read far more often than worked out: lists would be turned into arrays each time.
            self._values = {
                key: np.array(value) if isinstance(value, list) else value for key, value in found.items()
            }
            self._values_hop = self._ledger.hops
        for key, value in self._values.items():
            out[key] = value

    def _apply(self, ledger: LowLedger) -> None:
        tempo = float(self._settings.get("tempo_bpm", 0.0))
        ledger.keep_time(tempo if tempo > 0.0 else NAN)
        wanted = str(self._settings.get("part", ""))
        part = ledger.names.index(wanted) if wanted in ledger.names else None
        cutoff_hz = float(self._settings.get("cutoff_hz", 0.0))
        ledger.want(part, int(self._settings.get("slope", "12")), cutoff_hz if cutoff_hz > 0.0 else NAN)

    def _work_out(self, ledger: LowLedger) -> Values:
        span = str(self._settings.get("span", LAST))
        tempo = float(self._settings.get("tempo_bpm", 0.0))
        sums = ledger.sums(span)
        return {
            "span_seconds": ledger.stream.span_seconds if span == LAST else NAN,
            "heard": ledger.heard_seconds(span),
            "age": ledger.stream.age_seconds,
            "half_beat": half_beat_ms(tempo) if tempo > 0.0 else NAN,
            "spoken_of": index(ledger.spoken_of),
            **_cancelling([pair for pair in ledger.alike() if pair.cancels]),
            **_shares(sums, ledger.owned(sums)),
            **_mono(ledger, sums),
            **_notes(ledger.rounds.parts),
            **_prices(ledger.rounds.parts),
            **_tried(ledger.rounds, int(self._settings.get("slope", "12"))),
            **_rings(ledger.rounds.parts),
            **_pair(ledger.rounds),
        }


def ledger_of(spec: Spec) -> LowLedger | None:
    """A ledger over the parts of the map, None without any; a mix of more than two channels is not compared."""
    parts = {name.removeprefix(PART_PREFIX): taken for name, taken in spec.feeds.items() if name.startswith("part ")}
    if not parts:
        return None
    mix = spec.feeds.get(MIX)
    mix = mix if mix is not None and len(mix) <= 2 else None
    return LowLedger(spec.rate_hz, spec.channels, list(parts), list(parts.values()), mix)


def index(number: int) -> float:
    """A number from 0 as a reading; "not yet" for -1."""
    return float(number) if number >= 0 else NAN


def _cancelling(pairs: Sequence[Alike]) -> Values:
    """The two parts that cancel each other most, and how many such pairs there are."""
    worst = pairs[0] if pairs else None
    return {
        "cancel_pairs": float(len(pairs)),
        "cancel_kind": CANCEL_KINDS[worst.kind] if worst is not None else 0.0,
        "cancel_first": index(worst.first if worst is not None else -1),
        "cancel_second": index(worst.second if worst is not None else -1),
        "cancel_sum_gain": worst.together_db if worst is not None else NAN,
        "cancel_flipped": worst.flipped_db if worst is not None else NAN,
    }


def _shares(sums: LowSums, found: Owners) -> Values:
    edges = np.array(SUB_BANDS_HZ)
    shares = sums.share_percent
    bus = sums.mix_over_sum_db
    return {
        "band_low_edge": edges[:, 0],
        "band_high_edge": edges[:, 1],
        "share": shares[0],
        "band_share": shares[1:].T.ravel(),
        "role": _roles(sums, found),
        "mix_bus_difference": bus[0],
        "mix_bus_bands": bus[1:],
    }


def _roles(sums: LowSums, found: Owners) -> list[float]:
    roles = np.full(sums.parts.shape[1], float(MINOR))
    roles[list(found.owners)] = OWNER
    roles[list(found.others)] = OTHER
    roles[list(found.cancelling)] = CANCELS
    roles[~(sums.parts[0, :, OWN_MID:].sum(axis=1) > 0.0)] = SILENT
    return [float(role) for role in roles]


def _mono(ledger: LowLedger, sums: LowSums) -> Values:
    loss = sums.loss_db
    worst = mono_loss(sums)
    whole = [np.zeros(len(MONO_BANDS_HZ)) if mono is None else mono.loss_db() for mono in ledger.stream.mono]
    return {
        "mono_loss": loss[0],
        "mono_loss_bands": loss[1:],
        "mono_worst": float(worst.band),
        "culprit": index(worst.part),
        "loss_with_culprit_in_mono": worst.left_db,
        "part_mono_loss": sums.part_loss_db[0],
        "part_mono_loss_bands": np.concatenate(whole),
    }


def _notes(parts: Sequence[PartFindings]) -> Values:
    return {
        "floor": [part.note.floor_hz for part in parts],
        "floor_lower": [part.note.lower_hz for part in parts],
        "floor_kind": [KINDS.get(part.note.kind, 0.0) for part in parts],
        "floor_doubt": [float(_doubt(part.note)) for part in parts],
        "rumble": [part.rumble.against_part_db for part in parts],
        "rumble_of_mix": [part.rumble.against_mix_lows_db for part in parts],
        "rumble_level": [part.rumble.level_dbfs for part in parts],
        "spectrum_hz": np.sqrt(SPECTRUM_HZ[1:] * SPECTRUM_HZ[:-1]),
        "spectrum": np.concatenate([part.spectrum_db for part in parts]),
    }


def _doubt(note: LowestNote) -> int:
    if np.isfinite(note.floor_hz):
        return KNOWN
    if note.reason.startswith("silent"):
        return SILENCE
    return TOO_LITTLE if note.reason.startswith(("only", "nothing")) else NO_PITCH


def _prices(parts: Sequence[PartFindings]) -> Values:
    rows = np.full((len(parts), len(SLOPES_DB_PER_OCTAVE), 9), np.nan)
    for number, part in enumerate(parts):
        for slope, cost in enumerate(part.prices):
            trial = part.trials[slope] if part.trials else NOT_TRIED
            rows[number, slope] = _figures(cost, trial, part.ring)
    return {f"cutoff{key}": rows[:, :, column].ravel() for column, key in enumerate(FIGURES)}


FIGURES = ("", "_loss", "_phase", "_delay", "_removed", "_peak", "_mix_peak", "_mix_lows", "_ring")
"""Ends of the keys of what one high-pass takes and costs, in the order of ``_figures``."""


def _figures(cost: Price | None, trial: Trial, ring: Ring) -> list[float]:
    priced = [NAN] * 5
    if cost is not None:
        priced = [
            cost.cutoff_hz, cost.loss_at_floor_db, cost.phase_lead_degrees, cost.delay_cycles,
            cost.rumble_removed_percent,
        ]  # fmt: skip
    changes = [
        trial.true_peak_change_db, trial.mix_true_peak_change_db, trial.mix_low_band_change_db,
        ring_change_ms(trial, ring),
    ]  # fmt: skip
    return priced + changes


def _tried(rounds: LowRounds, slope: int) -> Values:
    asked = rounds.asked
    figures = [NAN] * len(FIGURES)
    if asked is not None:
        figures = _figures(asked.price, asked.trial, rounds.parts[asked.part].ring)
    values = {f"tried{key}": figure for key, figure in zip(FIGURES, figures, strict=True) if key}
    values["tried_cutoff"] = asked.cutoff_hz if asked is not None else NAN
    values["tried_slope"] = float(slope)
    state = NOTHING_TO_TRY if asked is None else DONE if asked.done else AT_WORK
    return values | {"tried_state": float(state)}


def _rings(parts: Sequence[PartFindings]) -> Values:
    return {
        "ring": [part.ring.to_minus_20_ms for part in parts],
        "ring_spread": [part.ring.spread_ms for part in parts],
        "ring_hits": [float(part.ring.hits) for part in parts],
        "ring_floor": [part.ring.filter_floor_ms for part in parts],
        "overhang": [part.ring.overhang_db for part in parts],
        "overhang_after": [part.ring.gap_ms for part in parts],
    }


def _pair(rounds: LowRounds) -> Values:
    first, second = rounds.pair_parts or (-1, -1)
    highest = float(np.nanmax(rounds.lanes)) if np.isfinite(rounds.lanes).any() else NAN
    lanes = rounds.lanes / highest if highest > 0.0 else np.full_like(rounds.lanes, np.nan)
    values: Values = {
        "pair_first": index(first),
        "pair_second": index(second),
        "pair_doubt": PAIR_DOUBTS.get(rounds.choice.doubt, 0.0 if rounds.choice.parts is not None else NAN),
        "pair_third_hz": THIRD_OCTAVES_HZ,
        "lane_seconds": rounds.lane_seconds,
        "lane_first": lanes[0],
        "lane_second": lanes[1],
    }
    found = rounds.pair if rounds.pair_parts is not None else None
    return values | (_pair_figures(found) if found is not None else dict.fromkeys(PAIR_KEYS, NAN))


PAIR_KEYS = (
    "pair_verdict", "pair_coincidences", "pair_by_chance", "pair_in_step", "pair_notes", "pair_time_overlap",
    "pair_gap", "pair_gap_spread", "pair_sum_gain", "pair_sum_gain_spread", "pair_flipped", "pair_flip",
    "pair_nudge", "pair_nudge_gain", "pair_overlap", "pair_room", "pair_third_overlap", "pair_third_stronger",
)  # fmt: skip


def _pair_figures(found: Pair) -> Values:
    timing, gain = found.timing, found.sum_gain
    thirds = {band.centre_hz: band for band in found.bands}
    bands = [thirds.get(float(centre)) for centre in THIRD_OCTAVES_HZ]
    figures = (
        VERDICTS[found.verdict], float(timing.coincidences), timing.by_chance, float(timing.in_step),
        [timing.first_notes, timing.second_notes], 100.0 * found.time_overlap,
        timing.gap_ms, timing.spread_ms, gain.gain_db, gain.spread_db, gain.flipped_db, gain.flip_db,
        gain.nudge_ms, gain.nudge_db,
        100.0 * found.overlap, found.second_under_first_db,
        [NAN if band is None else 100.0 * band.overlap for band in bands],
        [NAN if band is None else band.first_over_second_db for band in bands],
    )  # fmt: skip
    return dict(zip(PAIR_KEYS, figures, strict=True))

"""The offline ledger: parts, and a mix if there is one, to figures and sentences.

Everything is measured by the same streaming modules in ``dsp`` as live, in one reading. A stereo part of four
minutes holds about 25 MB; after fifteen minutes no more is added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dsp.core.types import FloatArray
from dsp.lowend.decay import Ring, filter_floor_ms, half_beat_ms
from dsp.lowend.likeness import Alike, with_cancelling
from dsp.lowend.low_band import LOW_BANDS_HZ
from dsp.lowend.low_mono import mono_loss
from dsp.lowend.low_part import Rumble, common_spectra, common_stretch
from dsp.lowend.lowest_note import DRUM, LowestNote
from dsp.lowend.onsets import onsets
from dsp.lowend.pair import Pair, pair
from dsp.lowend.part_names import PairChoice, choose_pair
from dsp.lowend.shares import LowSums, Owners, owners_of
from dsp.spectrum.note_names import nearest_note
from meter.lowend import notes as remarks
from meter.lowend.gather import Gathered, Progress, gather
from meter.lowend.result import (
    CANCELS,
    MINOR,
    OTHER,
    OWNER,
    SILENT,
    CancellingAccount,
    LowEndAccount,
    MonoAccount,
    Offer,
    PairAccount,
    PartAccount,
    ThirdOctaveAccount,
)  # fmt: skip
from meter.lowend.sources import LowEndError, PartSource, at_rate, check_sources, common_rate
from meter.lowend.trials import lag_of_mix, offers

NAN = float("nan")


def measure_low_end(
    parts: Sequence[PartSource],
    mix: PartSource | None = None,
    *,
    resample: bool = False,
    tempo_bpm: float = NAN,
    cutoff_hz: float | None = None,
    pair_names: tuple[str, str] | None = None,
    progress: Progress = lambda _frames: None,
) -> LowEndAccount:
    """The ledger of ``parts``. Raises LowEndError or SourceError with one sentence.

    ``resample`` allows other rates to be converted to the one most parts have; ``tempo_bpm`` gives half a beat;
    ``cutoff_hz`` is tried instead of the highest affordable cut-off; ``pair_names`` are the two parts to compare,
    by default kick and bass as their names, or else their sound, tell. ``progress`` is told the frames read.
    """
    check_sources(parts, mix)
    if pair_names is not None:
        _check_names(pair_names, [part.name for part in parts])
    parts, mix, said = _brought_to_one_rate(parts, mix, resample)
    sources = [*parts, *([mix] if mix else [])]
    most = min(source.frames for source in sources)
    if most < parts[0].rate_hz:
        shortest = min(sources, key=lambda source: source.frames)
        raise LowEndError(f"“{shortest.name}” is shorter than a second; the low end cannot be judged on that.")
    said += remarks.on_lengths(sources)
    found = gather(parts, mix, most, progress)
    said += remarks.on_reading(found, sources, parts)
    return _Ledger(parts, mix, found, tempo_bpm, cutoff_hz, pair_names, said).account()


def _check_names(wanted: tuple[str, str], names: Sequence[str]) -> None:
    if wanted[0] == wanted[1]:
        raise LowEndError(f"“{wanted[0]}” cannot be compared with itself; name two different parts.")
    for name in wanted:
        if name not in names:
            raise LowEndError(f"There is no part “{name}” to compare; the parts are {', '.join(names)}.")


def _brought_to_one_rate(
    parts: Sequence[PartSource], mix: PartSource | None, resample: bool
) -> tuple[list[PartSource], PartSource | None, list[str]]:
    sources = [*parts, *([mix] if mix else [])]
    rate_hz = common_rate(sources)
    odd = [source for source in sources if source.rate_hz != rate_hz]
    if odd and not resample:
        raise LowEndError(
            f"“{odd[0].name}” runs at {odd[0].rate_hz:,} Hz and the others at {rate_hz:,} Hz; "
            "export them at one rate, or allow conversion with --resample."
        )
    said = [f"{source.name} was converted from {source.rate_hz:,} to {rate_hz:,} Hz." for source in odd]
    return [at_rate(part, rate_hz) for part in parts], at_rate(mix, rate_hz) if mix else None, said


class _Ledger:
    """Turns what was gathered into an account."""

    def __init__(
        self,
        parts: Sequence[PartSource],
        mix: PartSource | None,
        found: Gathered,
        tempo_bpm: float,
        cutoff_hz: float | None,
        pair_names: tuple[str, str] | None,
        said: list[str],
    ) -> None:
        self._parts, self._mix, self._found = parts, mix, found
        self._names = [part.name for part in parts]
        self._cutoff_hz, self._tempo_bpm, self._pair_names = cutoff_hz, tempo_bpm, pair_names
        self._said = said
        self._sums: LowSums = found.shares.whole()
        self._alike: tuple[Alike, ...] = found.likeness.alike()
        self._owners: Owners = with_cancelling(owners_of(self._sums.share_percent[0]), self._alike)
        self._floors: list[LowestNote] = [part.lowest_note() for part in found.parts]
        mix_rows = (found.mix or found.sum).rows()
        self._rumbles: list[Rumble] = [
            part.rumble(floor.floor_hz, mix_rows, floor.kind)
            for part, floor in zip(found.parts, self._floors, strict=True)
        ]
        self._stretch = common_stretch(found.parts)
        self._starts: dict[int, FloatArray] = {}
        self._choice = self._choose_pair()

    def account(self) -> LowEndAccount:
        """All of it."""
        lag = lag_of_mix(self._found)
        rings = [self._ring(index) for index in range(len(self._parts))]
        offered = offers(self._found, self._floors, self._rumbles, rings, lag, self._cutoff_hz)
        accounts = tuple(self._part(index, offered[index], rings[index]) for index in range(len(self._parts)))
        bus = self._sums.mix_over_sum_db
        why = {} if self._mix else {"mix_bus_difference_db": "no mix was given"}
        if self._choice.reason:
            why["pairs"] = self._choice.reason
        if self._mix and not np.isfinite(bus[0]):
            why["mix_bus_difference_db"] = "the mix has no lows" if bus[0] == -np.inf else "the parts have no lows"
        return LowEndAccount(
            rate_hz=self._parts[0].rate_hz,
            seconds=round(self._found.frames / self._parts[0].rate_hz, 6),
            bands_hz=LOW_BANDS_HZ[1:],
            parts=accounts,
            owners=self._named(self._owners.owners),
            others=self._named(self._owners.others),
            cancelling=self._named(self._owners.cancelling),
            mix_bus_difference_db=float(bus[0]),
            mix_bus_by_band_db=_values(bus[1:]),
            mono=self._mono(),
            pairs=tuple(self._pairs()),
            half_beat_ms=half_beat_ms(self._tempo_bpm) if np.isfinite(self._tempo_bpm) else NAN,
            notes=(
                *self._said,
                *remarks.on_parts(self._names, self._sums, self._mix),
                *remarks.on_likeness(self._names, self._alike),
                *remarks.on_lag(lag, self._mix),
            ),
            cancelling_pairs=tuple(self._cancelling_pair(pair) for pair in self._alike if pair.cancels),
            why=why,
        )

    def _cancelling_pair(self, found: Alike) -> CancellingAccount:
        why = {} if np.isfinite(found.together_db) else {"together_db": "cancels completely"}
        first, second = self._names[found.first], self._names[found.second]
        return CancellingAccount(first, second, found.kind, found.together_db, found.flipped_db, why)

    def _named(self, indices: Sequence[int]) -> tuple[str, ...]:
        return tuple(self._names[index] for index in indices)

    def _mono(self) -> MonoAccount:
        """The lows in mono, and the part whose being mono would restore most where most is lost."""
        loss, found = self._sums.loss_db, mono_loss(self._sums)
        name = self._names[found.part] if found.part >= 0 else ""
        band = LOW_BANDS_HZ[found.band]
        return MonoAccount(float(loss[0]), _values(loss[1:]), band, found.loss_db, name, found.left_db)

    def _role(self, index: int) -> str:
        if not self._sums.parts[0, index].any() or self._floors[index].reason.startswith("silent"):
            return SILENT
        groups = ((OWNER, self._owners.owners), (OTHER, self._owners.others), (CANCELS, self._owners.cancelling))
        return next((role for role, indices in groups if index in indices), MINOR)

    def _part(self, index: int, offered: tuple[Offer, ...], ring: Ring) -> PartAccount:
        floor, rumble = self._floors[index], self._rumbles[index]
        note = nearest_note(floor.floor_hz) if np.isfinite(floor.floor_hz) else None
        mono, sums = self._found.mono[index], self._sums
        account = PartAccount(
            name=self._names[index],
            role=self._role(index),
            share_percent=float(sums.share_percent[0, index]),
            share_by_band_percent=_values(sums.share_percent[1:, index]),
            floor_hz=floor.floor_hz,
            floor_note=note.name if note else "",
            floor_cents=note.cents if note else NAN,
            floor_kind=floor.kind,
            floor_evidence=floor.evidence,
            floor_lower_hz=floor.lower_hz,
            floor_lower_note=nearest_note(floor.lower_hz).name if np.isfinite(floor.lower_hz) else "",
            floor_apart=floor.apart,
            rumble_db=rumble.against_part_db,
            rumble_against_mix_lows_db=rumble.against_mix_lows_db,
            rumble_dbfs=rumble.level_dbfs,
            high_pass=offered,
            mono_loss_db=float(sums.part_loss_db[0, index]),
            mono_loss_by_band_db=_values(mono.loss_db()) if mono else (0.0,) * 6,
            ring_ms=ring.to_minus_20_ms,
            ring_spread_ms=ring.spread_ms,
            ring_hits=ring.hits,
            ring_filter_floor_ms=ring.filter_floor_ms,
            overhang_db=ring.overhang_db,
            overhang_after_ms=ring.gap_ms,
        )
        return replace(account, why=remarks.why_of(account, floor.reason, ring.reason))

    def _ring(self, index: int) -> Ring:
        """The ring of one part, with the low notes of all parts that matter as the next events."""
        part, floor = self._found.parts[index], self._floors[index]
        if not np.isfinite(floor.floor_hz):
            return Ring(0, NAN, NAN, NAN, NAN, NAN, "the lowest note is not known")
        if floor.kind != DRUM and index not in self._owners.owners:
            return Ring(0, NAN, NAN, NAN, NAN, NAN, "neither a drum nor an owner of the low end")
        if floor.floor_hz * np.sqrt(2.0) >= part.rate_hz / 2.0:
            return Ring(0, NAN, NAN, NAN, NAN, NAN, "too high to matter here")
        notable = {*self._owners.owners, *self._owners.others, index}
        events = np.sort(np.concatenate([self._low_notes(number) for number in notable]))
        ring = part.ring(floor.floor_hz, events, self._stretch)
        return ring if ring.hits else replace(ring, filter_floor_ms=filter_floor_ms(part.rate_hz, floor.floor_hz))

    def _low_notes(self, index: int) -> FloatArray:
        """Times at which the part's low notes begin."""
        if index not in self._starts:
            part = self._found.parts[index]
            self._starts[index] = onsets(part.audio(self._stretch), part.rate_hz)
        return self._starts[index]

    def _pairs(self) -> list[PairAccount]:
        if self._choice.parts is None:
            return []
        first, second = self._choice.parts
        a, b = self._found.parts[first], self._found.parts[second]
        spectra = common_spectra(a, b)
        found = pair(
            a.audio(self._stretch), b.audio(self._stretch), a.rate_hz, *spectra, self._floors[first].floor_hz
        )
        return [_pair_account(self._names[first], self._names[second], found)]

    def _choose_pair(self) -> PairChoice:
        """The two parts asked for, else kick and bass as names or sound tell."""
        if self._pair_names is not None:
            return PairChoice((self._names.index(self._pair_names[0]), self._names.index(self._pair_names[1])))
        notable = (*self._owners.owners, *self._owners.others)
        return choose_pair(self._names, notable, [floor.kind for floor in self._floors])


def _pair_account(first: str, second: str, found: Pair) -> PairAccount:
    timing, gain = found.timing, found.sum_gain
    thirds = tuple(
        ThirdOctaveAccount(band.centre_hz, 100.0 * band.overlap, band.first_over_second_db) for band in found.bands
    )
    account = PairAccount(
        first, second, found.verdict, timing.coincidences, timing.by_chance, timing.in_step,
        timing.first_notes, timing.second_notes, 100.0 * found.time_overlap, timing.gap_ms, timing.spread_ms,
        gain.gain_db, gain.spread_db, gain.flipped_db, gain.flip_db, gain.nudge_ms, gain.nudge_db,
        100.0 * found.overlap, found.second_under_first_db, thirds,
    )  # fmt: skip
    return replace(account, why=remarks.why_of_pair(account, found.reason))


def _values(array: FloatArray) -> tuple[float, ...]:
    return tuple(float(value) for value in array)

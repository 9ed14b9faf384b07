"""Slow low-end analyses in slices: lowest notes, rumble, decays, kick and bass, high-pass trials.

``look`` runs one slice of a round over all parts that are playing, ``try_on`` one slice of a high-pass trial. A slice
takes a few milliseconds. Results stay in ``parts`` and the other attributes until newer ones replace them; while
nothing plays, no part is analysed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from dsp.core.framing import longest_unbroken
from dsp.core.lag import Lag, find_lag
from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.lowend.bar_lanes import AFTER_HIT_SECONDS, BARS, bar_seconds, bar_starts, folded
from dsp.lowend.decay import Ring, filter_floor_ms
from dsp.lowend.high_pass import SLOPES_DB_PER_OCTAVE, Price, price
from dsp.lowend.high_pass_trial import LOWEST_CUTOFF_HZ, Trial
from dsp.lowend.low_part import LowPart, Rumble, common_spectra
from dsp.lowend.low_spectrum import LowSpectra
from dsp.lowend.low_stream import KEPT_SECONDS, LowStream
from dsp.lowend.lowest_note import DRUM, LowestNote
from dsp.lowend.onsets import onsets
from dsp.lowend.pair import Pair, pair
from dsp.lowend.part_names import PairChoice, choose_pair
from dsp.lowend.trial_run import Cutoff, TrialRun

NAN = float("nan")
NO_NOTE = LowestNote(NAN, reason="nothing so far")
NO_RUMBLE = Rumble(NAN, NAN, NAN, np.empty(0), np.empty(0))
NO_RING = Ring(0, NAN, NAN, NAN, NAN, NAN)
NOT_TRIED = Trial(NAN, NAN, NAN, NAN)

TRIED_SECONDS = 10.0
LEAST_TRIED_SECONDS = 2.0
PIECE_SECONDS = 0.25
"""Captured sound per slice with four cut-offs at once; a slice with one cut-off takes four times as much."""
ASKED_AGAIN_EVERY = 4
"""The requested cut-off is tried again, on newer sound, in every fourth turn."""
MOST_LISTENED_FOR = 8
"""Note onsets and decays are searched in this many parts at most, those with the largest shares."""
PAIR_SECONDS = KEPT_SECONDS
BRIEF_PAIR_SECONDS, HITS_ENOUGH = 16.0, 12
"""The shorter stretch is used when it holds this many hits, since each hit costs time."""
LANE_COLUMNS = 96
LAG_SECONDS = 10.0
LONGEST_LAG_SECONDS = 0.25
SPECTRUM_HZ = 20.0 * 2.0 ** (np.arange(81) / 18.0)
"""Edges of the 80 bands, 18 to the octave, in which a part's low spectrum is shown: 20 to 435 Hz."""


@dataclass
class PartFindings:
    """Findings of one part. ``spectrum_db`` is the level of its loud frames in the bands between ``SPECTRUM_HZ``.

    ``prices`` and ``trials`` go with ``SLOPES_DB_PER_OCTAVE``, at the highest affordable cut-off; there are none
    before the lowest note is known. ``begins`` are seconds of the stream's ``kept_seconds``.
    """

    note: LowestNote = NO_NOTE
    rumble: Rumble = NO_RUMBLE
    ring: Ring = NO_RING
    spectrum_db: FloatArray = field(default_factory=lambda: np.full(len(SPECTRUM_HZ) - 1, np.nan))
    prices: tuple[Price, ...] = ()
    trials: tuple[Trial, ...] = ()
    begins: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class Asked:
    """A requested cut-off and its price and trial so far; ``done`` when the trial has ended."""

    part: int
    slope_db_per_octave: int
    cutoff_hz: float
    price: Price | None = None
    trial: Trial = NOT_TRIED
    done: bool = False


class LowRounds:
    """Slices of work over one ``LowStream``; ``names`` are those of its parts.

    ``owners``, ``notable`` (owners among them, strongest first) and ``spoken_of``, which is tried before others, are
    kept up to date by the caller.
    """

    def __init__(self, stream: LowStream, names: Sequence[str]) -> None:
        self._stream = stream
        self._names = tuple(names)
        self.tempo_bpm = NAN
        self.asked: Asked | None = None
        self.reset()

    def reset(self) -> None:
        """Clear all findings; the requested cut-off is kept."""
        self.parts = [PartFindings() for _ in self._stream.parts]
        self.owners: tuple[int, ...] = ()
        self.notable: tuple[int, ...] = ()
        self.spoken_of = -1
        self.lag = Lag(0.0, 0.0, 0.0)
        self.pair: Pair | None = None
        self.choice = PairChoice(None)
        self.lanes = np.full((2, LANE_COLUMNS), np.nan)
        self.lane_seconds = NAN
        self.rounds = 0
        self._bar_start = NAN
        self._round: Iterator[None] = iter(())
        self._trying: Iterator[None] = iter(())
        self._asking: Iterator[None] = iter(())
        self._next_tried = 0
        if self.asked is not None:
            self.ask(self.asked.part, self.asked.slope_db_per_octave, self.asked.cutoff_hz)

    def begin_round(self) -> None:
        """Restart the round over all parts at its first slice."""
        self._round = self._look()

    def look(self) -> bool:
        """Run one slice of the round; False when the round has ended."""
        return next(self._round, self) is not self

    def try_on(self) -> None:
        """Run one slice of a trial: the requested cut-off first, otherwise the next part in turn."""
        if self.asked is not None and not self.asked.done:
            if next(self._asking, self) is self:
                self._asking = self._try_asked()
        elif next(self._trying, self) is self:
            self._trying = self._try_next()

    def ask(self, part: int, slope_db_per_octave: int, cutoff_hz: float) -> None:
        """Try this cut-off on one part before anything else."""
        self.asked = Asked(part, slope_db_per_octave, cutoff_hz)
        self._price_asked()
        self._asking = self._try_asked()

    @property
    def is_asked(self) -> bool:
        """Whether a cut-off was requested and its trial has not ended."""
        return self.asked is not None and not self.asked.done

    @property
    def has_untried(self) -> bool:
        """Whether a part that is playing and has prices was never tried."""
        active = self._stream.active
        return any(found.prices and not found.trials and active(part) for part, found in enumerate(self.parts))

    def forget_asked(self) -> None:
        """Drop the requested cut-off."""
        self.asked = None

    # The round

    def _look(self) -> Iterator[None]:
        if self._stream.mix is not None:
            self.lag = self._find_lag()
            yield
        playing = [part for part in self._in_order() if self._stream.active(part)]
        for part in playing:
            self._find_note(part)
            yield
        for part in self.notable[:MOST_LISTENED_FOR]:
            self._find_begins(part)
            yield
        rings = [part for part in playing if self.parts[part].note.kind == DRUM or part in self.owners]
        for part in rings[:MOST_LISTENED_FOR]:
            self._find_ring(part)
            yield
        self.choice = choose_pair(self._names, self.notable, [part.note.kind for part in self.parts])
        if self.pair_parts is not None:
            self._find_pair(*self.pair_parts)
            yield
            self._fold(*self.pair_parts)
        self.rounds += 1

    def _in_order(self) -> list[int]:
        """All parts, the notable ones first."""
        return [*self.notable, *(part for part in range(len(self.parts)) if part not in self.notable)]

    def _find_lag(self) -> Lag:
        together, mix = (self._recent(part, LAG_SECONDS) for part in (self._stream.sum, self._stream.mix))
        rate_hz = self._stream.sum.rate_hz
        lag = find_lag(together, mix, round(LONGEST_LAG_SECONDS * rate_hz))
        return Lag(lag.frames / rate_hz, lag.correlation, lag.gain)

    @staticmethod
    def _recent(part: LowPart | None, seconds: float) -> FloatArray:
        assert part is not None
        return np.nan_to_num(part.kept()[-round(seconds * part.rate_hz) :]).astype(np.float64)

    def _find_note(self, number: int) -> None:
        part, found = self._stream.parts[number], self.parts[number]
        found.note = part.lowest_note()
        mix = self._stream.mix or self._stream.sum
        found.rumble = part.rumble(found.note.floor_hz, mix.rows(), found.note.kind)
        found.spectrum_db = spectrum_db(part.spectra())
        if np.isfinite(found.note.floor_hz):
            found.prices = tuple(self._price(number, slope, None) for slope in SLOPES_DB_PER_OCTAVE)
        else:
            found.prices, found.trials = (), ()
        if self.asked is not None and self.asked.part == number:
            self._price_asked()

    def _price(self, number: int, slope: int, cutoff_hz: float | None) -> Price:
        found = self.parts[number]
        return price(found.note.offer_hz, slope, cutoff_hz, found.rumble.power, found.rumble.frequency_hz)

    def _stretch(self) -> tuple[slice, float]:
        """The longest kept stretch without a gap, and its start in seconds; the same for all parts."""
        first = self._stream.parts[0]
        kept = first.kept()
        stretch = longest_unbroken(kept)
        return stretch, self._stream.kept_seconds - (len(kept) - stretch.start) / first.rate_hz

    def _find_begins(self, number: int) -> None:
        part = self._stream.parts[number]
        stretch, began = self._stretch()
        self.parts[number].begins = began + onsets(part.audio(stretch), part.rate_hz)

    def _find_ring(self, number: int) -> None:
        part, found = self._stream.parts[number], self.parts[number]
        floor_hz = found.note.floor_hz
        if not np.isfinite(floor_hz) or floor_hz * np.sqrt(2.0) >= part.rate_hz / 2.0:
            found.ring = NO_RING
            return
        stretch, began = self._stretch()
        begins = [self.parts[other].begins - began for other in {*self.notable, number}]
        ring = part.ring(floor_hz, np.sort(np.concatenate(begins)), stretch)
        floor_ms = ring.filter_floor_ms
        found.ring = (
            ring if np.isfinite(floor_ms) else replace(ring, filter_floor_ms=filter_floor_ms(part.rate_hz, floor_hz))
        )

    # Kick and bass

    @property
    def pair_parts(self) -> tuple[int, int] | None:
        """Kick and bass, None while there are no two such parts."""
        return self.choice.parts

    def _find_pair(self, first: int, second: int) -> None:
        a, b = self._stream.parts[first], self._stream.parts[second]
        stretch, _ = self._stretch()
        seconds = self._pair_seconds(self.parts[first].begins)
        recent = slice(max(stretch.start, stretch.stop - round(seconds * a.rate_hz)), stretch.stop)
        spectra = common_spectra(a, b)
        floor_hz = self.parts[first].note.floor_hz
        self.pair = pair(a.audio(recent), b.audio(recent), a.rate_hz, *spectra, floor_hz)

    def _pair_seconds(self, begins: FloatArray) -> float:
        """Eight bars at a known tempo; otherwise the shortest span with enough hits."""
        if np.isfinite(self.tempo_bpm):
            return min(BARS * bar_seconds(self.tempo_bpm), PAIR_SECONDS)
        recent = np.count_nonzero(begins >= self._stream.kept_seconds - BRIEF_PAIR_SECONDS)
        return BRIEF_PAIR_SECONDS if recent >= HITS_ENOUGH else PAIR_SECONDS

    def _fold(self, first: int, second: int) -> None:
        stretch, began = self._stretch()
        a, b = (self._stream.parts[part] for part in (first, second))
        end = (stretch.stop - stretch.start) / a.rate_hz
        hits = self.parts[first].begins - began
        hits = hits[(hits >= 0.0) & (hits <= end)]
        if np.isfinite(self.tempo_bpm):
            self.lane_seconds = bar_seconds(self.tempo_bpm)
            starts = bar_starts(hits, self.lane_seconds, end, self._bar_start - began)
            self._bar_start = began + float(starts[-1]) if len(starts) else NAN
        else:
            self.lane_seconds, starts = AFTER_HIT_SECONDS, hits[hits >= end - PAIR_SECONDS]
        self.lanes = np.stack(
            [folded(part.audio(stretch), part.rate_hz, starts, self.lane_seconds, LANE_COLUMNS) for part in (a, b)]
        )

    # High-passes on captured sound

    def _try_next(self) -> Iterator[None]:
        """The next part with a price: those never tried first, then every second turn one that is notable."""
        turn, self._next_tried = self._next_tried, self._next_tried + 1
        if turn % ASKED_AGAIN_EVERY == ASKED_AGAIN_EVERY - 1:
            yield from self._try_asked()
            return
        known = [part for part in self._in_order() if self.parts[part].prices and self._stream.active(part)]
        notable = [part for part in known if part in self.notable]
        untried = [part for part in known if not self.parts[part].trials]
        group = untried or (notable if turn % 2 == 0 and notable else known)
        if not group:
            return
        part = untried[0] if untried else group[(turn // 2) % len(group)]
        part = self.spoken_of if self.spoken_of in untried else part
        costs = self.parts[part].prices
        usable = [number for number, cost in enumerate(costs) if self._can_try(cost.cutoff_hz)]

        def keep(trials: list[Trial]) -> None:
            found = [NOT_TRIED] * len(costs)
            for number, trial in zip(usable, trials, strict=True):
                found[number] = trial
            self.parts[part].trials = tuple(found)

        cutoffs = [(costs[number].slope_db_per_octave, costs[number].cutoff_hz) for number in usable]
        if cutoffs:
            yield from self._run(part, cutoffs, PIECE_SECONDS, keep)

    def _can_try(self, cutoff_hz: float) -> bool:
        return LOWEST_CUTOFF_HZ <= cutoff_hz < 0.45 * self._stream.rate_hz

    def _try_asked(self) -> Iterator[None]:
        asked = self.asked
        if asked is None:
            return
        place = (asked.part, asked.slope_db_per_octave, asked.cutoff_hz)

        def keep(trials: list[Trial]) -> None:
            now = self.asked
            if now is not None and place == (now.part, now.slope_db_per_octave, now.cutoff_hz):
                self.asked = replace(now, trial=trials[0], done=True)

        if not self._can_try(asked.cutoff_hz):
            keep([NOT_TRIED])
            return
        cutoff = (asked.slope_db_per_octave, asked.cutoff_hz)
        yield from self._run(asked.part, [cutoff], len(SLOPES_DB_PER_OCTAVE) * PIECE_SECONDS, keep)

    def _price_asked(self) -> None:
        asked = self.asked
        if asked is not None and np.isfinite(self.parts[asked.part].note.floor_hz):
            cost = self._price(asked.part, asked.slope_db_per_octave, asked.cutoff_hz)
            self.asked = replace(asked, price=cost)

    def _run(
        self, part: int, cutoffs: list[Cutoff], piece_seconds: float, keep: Callable[[list[Trial]], None]
    ) -> Iterator[None]:
        """One trial on the newest captured sound; ends early when that sound is overwritten meanwhile."""
        stream, capture = self._stream, self._stream.capture
        mix, gain, late = self._mix_to_try_in()
        first = max(capture.start, capture.end - round(TRIED_SECONDS * stream.rate_hz)) + max(0, -late)
        frames = capture.end - max(0, late) - first
        if frames < LEAST_TRIED_SECONDS * stream.rate_hz:
            return
        columns = stream.part_columns[part]
        run = TrialRun(stream.rate_hz, frames, len(columns), cutoffs, self.parts[part].note.floor_hz, gain)
        piece = round(piece_seconds * stream.rate_hz)
        for at in range(first, first + frames, piece):
            count = min(piece, first + frames - at)
            try:
                run.push(capture.read(at, count, columns), capture.read(at + late, count, mix))
            except IndexError:
                return
            yield
        trials = []
        for number in range(len(cutoffs)):
            trials.append(run.result(number))
            yield
        keep(trials)

    def _mix_to_try_in(self) -> tuple[tuple[int, int], float, int]:
        """Columns, gain and lag in frames of the mix if it lines up, otherwise of the sum."""
        columns = self._stream.mix_columns
        if columns is None or not self.lag.sure:
            return self._stream.sum_columns, 1.0, 0
        return (columns[0], columns[-1]), self.lag.gain, round(self.lag.frames * self._stream.rate_hz)


def spectrum_db(spectra: LowSpectra) -> FloatArray:
    """Mean level of the rows in the bands between ``SPECTRUM_HZ``, a full-scale sine 0 dB; NaN without rows."""
    if not len(spectra.bins):
        return np.full(len(SPECTRUM_HZ) - 1, np.nan)
    running = np.concatenate([[0.0], np.cumsum(spectra.bins.mean(axis=0))])
    # Bins are as wide as the distance between them, half of it to either side.
    half = 0.5 * float(spectra.frequency_hz[1])
    edges = np.concatenate([spectra.frequency_hz - half, [spectra.frequency_hz[-1] + half]])
    return power_to_db(np.asarray(2.0 * np.diff(np.interp(SPECTRUM_HZ, edges, running))))

"""The live low-end ledger: who owns 20 to 120 Hz now, since the mark and in the whole sitting, and what may go.

Sound is worked through in hops of about 50 ms. A hop is five turns of about 10 ms: three for what is followed
(``low_stream``), one for a slice of looking back, one for a slice of trying high-passes (``low_rounds``), so
that no tick of a live chain has to wait for all of it. Turns are counted in frames: any block size gives the same.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray, check_block
from dsp.lowend.bar_lanes import BARS, bar_seconds
from dsp.lowend.likeness import Alike, with_cancelling
from dsp.lowend.low_rounds import NAN, LowRounds
from dsp.lowend.low_stream import STEPS, LowStream
from dsp.lowend.shares import LowSums, Owners, owners_of

LAST, MARKED, SITTING = "last", "marked", "sitting"
SPANS = (LAST, MARKED, SITTING)
LAST_SECONDS = 10.0
TURNS = STEPS + 2
LOOK_EVERY_HOPS, LOOK_AT_MANY_EVERY_HOPS, MANY_PARTS = 4, 6, 16
"""A slice of looking back in every fourth hop, five a second; less often with more than so many parts."""
ROUND_HOPS = 80
"""No round begins sooner than four seconds after the last."""
TRY_NEW_EVERY_HOPS, TRY_NEW_OF_MANY_EVERY_HOPS, TRY_EVERY_HOPS = 2, 3, 8
NOTABLE_RUMBLE_DB = -20.0
"""Under-rumble against the mix's lows: 1 % of them (judgement)."""
SPOKEN_OF_MARGIN_DB = 3.0


class LowLedger:
    """Follows ``parts`` and ``mix``, columns of blocks ``(frames, channels)``, one or two columns each.

    ``names`` are the parts' names. Ask ``sums`` for one of ``SPANS``; ``stream`` and ``rounds`` hold the rest. Raises
    ValueError without a part, or for one of no or more than two columns, or of columns that are not there. ``hops``
    counts those taken.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: int,
        names: Sequence[str],
        parts: Sequence[Sequence[int]],
        mix: Sequence[int] | None = None,
    ) -> None:
        feeds = [*parts, *([mix] if mix is not None else [])]
        if not parts or any(len(columns) not in (1, 2) for columns in feeds):
            raise ValueError("A low-end part has one channel or two; there must be at least one part.")
        if not all(0 <= column < channels for columns in feeds for column in columns):
            raise ValueError(f"A low-end part or mix lies on a channel outside the {channels} there are.")
        self._channels = channels
        self._columns = np.array([column for columns in feeds for column in columns], dtype=np.intp)
        self.names = tuple(names)
        self.stream = LowStream(rate_hz, [len(columns) for columns in parts], len(mix) if mix is not None else 0)
        self.rounds = LowRounds(self.stream, names)
        self._turn_frames = self.stream.hop_frames // TURNS
        self._tempo_bpm = NAN
        self._chosen: int | None = None
        self._wanted = (12, NAN)
        self._asked: tuple[int, int, float] | None = None
        self.reset()

    def reset(self) -> None:
        """Forget the signal; tempo and the requested cut-off are kept."""
        self.stream.reset()
        self.rounds.reset()
        # Two of them: while one fills, the stream works on the other.
        self._filling, self._full = np.zeros((2, self.stream.hop_frames, self.stream.channels))
        self._filled = 0
        self._turn = TURNS
        self.hops = 0
        self._round_hop = -ROUND_HOPS
        self._spoken_of = -1
        self._ask()
        self.mark()

    def mark(self) -> None:
        """Restart the sums since the mark."""
        self.stream.sitting.mark()
        self._marked_at_seconds = self.stream.loud_seconds

    def save_state(self) -> SavedState:
        """The sums since reset and since the mark."""
        return {"marked_at_seconds": self._marked_at_seconds, **inside("stream", self.stream.save_state())}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; the look back starts empty."""
        self._marked_at_seconds = float(kept["marked_at_seconds"])
        self.stream.restore_state(of("stream", kept))

    def keep_time(self, tempo_bpm: float) -> None:
        """Look back over eight bars of four beats at this tempo, or ten seconds when it is NaN."""
        if tempo_bpm == self._tempo_bpm or (np.isnan(tempo_bpm) and np.isnan(self._tempo_bpm)):
            return
        self._tempo_bpm = self.rounds.tempo_bpm = tempo_bpm
        self.stream.span(BARS * bar_seconds(tempo_bpm) if np.isfinite(tempo_bpm) else LAST_SECONDS)

    def want(self, part: int | None, slope_db_per_octave: int, cutoff_hz: float) -> None:
        """Have this cut-off tried first, on ``part`` or, when that is None, the part spoken of; none when NaN."""
        self._chosen, self._wanted = part, (slope_db_per_octave, cutoff_hz)
        self._ask()

    def process(self, block: FloatArray) -> None:
        """Take ``(frames, channels)`` of any length."""
        check_block(block, self._channels)
        done = 0
        while done < len(block):
            to_turn = self._turn_frames - self._filled % self._turn_frames
            count = min(to_turn, len(block) - done, self.stream.hop_frames - self._filled)
            place = self._filling[self._filled : self._filled + count]
            # Faster than an assignment; "clip" only spares a copy, all columns are there.
            np.take(block[done : done + count], self._columns, axis=1, out=place, mode="clip")
            self._filled += count
            done += count
            if self._filled % self._turn_frames == 0 and self._turn < TURNS:
                self._do_turn()
            if self._filled == self.stream.hop_frames:
                self._begin_hop()

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        while self._turn < TURNS:
            self._do_turn()
        if self._filled:
            self.stream.take(self._filling[: self._filled].copy())
            for step in range(STEPS):
                self.stream.step(step)
            self._filled = 0
        self.stream.skip(frames)

    def _begin_hop(self) -> None:
        while self._turn < TURNS:
            self._do_turn()
        self._filling, self._full = self._full, self._filling
        self.stream.take(self._full)
        self._filled = 0
        self._turn = 0
        self.hops += 1

    def _do_turn(self) -> None:
        turn, self._turn = self._turn, self._turn + 1
        if turn < STEPS:
            self.stream.step(turn)
        elif turn == STEPS:
            self._look()
        else:
            self._try_on()

    def _look(self) -> None:
        every = LOOK_EVERY_HOPS if len(self.names) <= MANY_PARTS else LOOK_AT_MANY_EVERY_HOPS
        if not self.stream.playing or self.hops % every:
            return
        found = self.owned(self.sums(LAST))
        self.rounds.owners = found.owners
        self.rounds.notable = (*found.owners, *found.others)
        if not self.rounds.look() and self.hops - self._round_hop >= ROUND_HOPS:
            self._round_hop = self.hops
            self._spoken_of = self._choose_spoken_of(found)
            self._ask()
            self.rounds.spoken_of = self.spoken_of
            self.rounds.begin_round()

    def _ask(self) -> None:
        slope, cutoff_hz = self._wanted
        asked = (self.spoken_of, slope, cutoff_hz) if self.spoken_of >= 0 and np.isfinite(cutoff_hz) else None
        if asked == self._asked:
            return
        self._asked = asked
        if asked is not None:
            self.rounds.ask(*asked)
        else:
            self.rounds.forget_asked()

    def _try_on(self) -> None:
        """The requested cut-off in every hop, untried parts in every second or third, the others less often."""
        new = TRY_NEW_EVERY_HOPS if len(self.names) <= MANY_PARTS else TRY_NEW_OF_MANY_EVERY_HOPS
        every = new if self.rounds.has_untried else TRY_EVERY_HOPS
        if self.rounds.is_asked or (self.stream.playing and self.hops % every == 0):
            self.rounds.try_on()

    # What is read

    def sums(self, span: str) -> LowSums:
        """The sums of one of ``SPANS``."""
        if span == LAST:
            return self.stream.last.last()
        return self.stream.sitting.since_mark() if span == MARKED else self.stream.sitting.whole()

    def alike(self) -> tuple[Alike, ...]:
        """Parts that held the same lows in the last ten seconds of sound, those that cancel first."""
        return self.stream.likeness.alike()

    def owned(self, sums: LowSums) -> Owners:
        """Who holds the low end of these sums, and which parts take from it or cancel each other."""
        return with_cancelling(owners_of(sums.share_percent[0]), self.alike())

    def heard_seconds(self, span: str) -> float:
        """Sound that has gone into one of ``SPANS`` so far, pauses of more than a second left out."""
        if span == LAST:
            return self.stream.heard_seconds
        return self.stream.loud_seconds - (self._marked_at_seconds if span == MARKED else 0.0)

    @property
    def spoken_of(self) -> int:
        """The chosen part; without a choice, the most notable one; -1 while there is none.

        In this order: the part with most under its lowest note that is no owner, the part with the largest share that
        is no owner, an owner with rumble, the first owner.
        """
        return self._spoken_of if self._chosen is None else self._chosen

    def _choose_spoken_of(self, found: Owners) -> int:
        rumbles = np.array([part.rumble.against_mix_lows_db for part in self.rounds.parts])
        rumbles = np.where(rumbles > NOTABLE_RUMBLE_DB, rumbles, -np.inf)
        owners = np.isin(np.arange(len(rumbles)), found.owners)
        for group in (~owners, owners):
            worst = int(np.argmax(np.where(group, rumbles, -np.inf)))
            if group[worst] and np.isfinite(rumbles[worst]):
                before = self._spoken_of
                stays = before >= 0 and group[before] and rumbles[before] > rumbles[worst] - SPOKEN_OF_MARGIN_DB
                return before if stays else worst
            if found.others:
                return found.others[0]
        return found.owners[0] if found.owners else self._spoken_of

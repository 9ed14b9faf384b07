"""Follows a pair live: finds its lag, notices when it moves, and keeps the newest phrase lined up.

Sound is taken in pieces of a quarter of a second, on a grid that begins at the last gap, so blocks of any size give
the same. A piece counts only when the one after it has the same lag and polarity: what a bypass with another latency
leaves half-way is no squeeze. Two pieces in a row that agree on another lag begin another phrase.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.core.types import FloatArray
from dsp.stage.alignment import NOT_RELATED, Alignment, line_up
from dsp.stage.lag_search import NEAR_COARSE, Fit, PieceCheck, lag_of_lows, search
from dsp.stage.pair_buffer import PairBuffer, Phrase, Sound

LISTENING, SILENT, UNRELATED, LINING_UP, FOUND = "listening", "silent", "unrelated", "lining up", "found"
BOTH, BEFORE, AFTER = "both", "before", "after"

LONGEST_LAG_SECONDS = 0.5
PIECE_SECONDS = 0.25
PIECE_LAG_SECONDS = 0.1
"""How far a lag can move and be found again at once; further, it is searched for."""
SEARCHED_PIECES = 16
FIRST_SEARCH, SEARCH_EVERY, SEARCH_LATER = 4, 2, 8
"""Pieces after which the lag is first searched for, then again; and again once a whole search has failed."""
SILENCE_POWER = 1e-9
"""Mean square, -90 dBFS."""
PATIENCE = 6
"""Pieces in a row: of silence before it is called so, or of no agreement before the lag is searched for again."""
AS_GOOD, AS_GOOD_NEAR = 0.97, 0.85
"""A lag is another one only where it correlates better than the usual one by this factor, as in files; within
``HOME_FRAMES`` by more, since a filter delays some notes more than others (judgement)."""
ASTRAY = 0.3
"""Correlation under which a piece has no lag at all (judgement)."""
SAME_FRAMES = 1.5
HOME_FRAMES = 24
"""The phase of a stage may keep the best lag of a piece so far from the one that was found."""
WANDER_SECONDS, WANDER_TIMES, WANDER_WITHIN_SECONDS = 0.02, 3, 20.0
SETTLED_PIECES = 8
"""A lag that moves so little so often, each time before it has fitted so many pieces, wanders (judgement): the stage
moves in time, as tape does. A bypass that is flipped stays longer."""
WANDERS_FRAMES = 12.0
WANDERING, SURE_LOWS = 0.5, 0.7
"""Correlation of the lows that a piece needs of a stage that moves in time, and of one whose highs do not tell."""
LEAST_SECONDS = 1.0

WANDERS = "The delay wanders: the stage moves in time, which counts as added."


class PairFollower:
    """Takes blocks ``(2 * channels, frames)``: the channels before, then those after.

    ``state`` is a word of this module, ``silent_side`` says which side a ``SILENT`` one means.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz = rate_hz
        self._piece = round(PIECE_SECONDS * rate_hz)
        self._longest = round(LONGEST_LAG_SECONDS * rate_hz)
        self._check = PieceCheck(rate_hz, self._piece, round(PIECE_LAG_SECONDS * rate_hz))
        self._sound = PairBuffer(channels, SEARCHED_PIECES * self._piece + 2 * (self._longest + self._piece))
        self.phrase = Phrase(rate_hz, channels)
        self.alignment = NOT_RELATED
        self.state, self.silent_side = LISTENING, ""
        self._aligned = self.wanders = False
        self._fitted = 0
        self._came_from = NOT_RELATED
        self._settled = False
        self._lows: list[float] = []
        self._moves: list[int] = []
        self._start_at(0)

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences on the lag."""
        moved = _moved(self._came_from, self.alignment)
        return tuple(note for note in (moved, WANDERS if self.wanders else "") if note)

    def mark(self, frame: int) -> None:
        """The figures since the mark begin at this frame of the stream."""
        self.phrase.mark(frame)

    def go_on(self, frame: int) -> None:
        """What is pushed next is at this frame; another one than the next is a gap."""
        if frame != self._sound.end:
            self.phrase.cut()
            self._sound.restart(frame)
            self._start_at(frame)

    def push(self, block: Sound) -> None:
        """Take a block of any length."""
        for start in range(0, block.shape[1], self._piece):
            self._sound.push(block[:, start : start + self._piece])
            while self._step():
                pass

    @property
    def _lag(self) -> int:
        return round(self.alignment.lag_frames)

    def _start_at(self, frame: int) -> None:
        """Take pieces from this frame on."""
        self._since = self._next = frame
        if self._aligned:
            self._next = max(frame, self._sound.first - self._lag)
        self._held: list[int] = []
        self._home: int | None = None
        self._silent = self._odd = 0
        self._candidate: Fit | None = None

    def _step(self) -> bool:
        """Take one piece; False when it is not there yet."""
        start, lag = self._next, self._lag if self._aligned else 0
        if not self._sound.covers(start, self._piece, lag):
            return False
        self._next += self._piece
        before, after = self._sound.sides(start, self._piece, lag)
        quiet = [float(np.square(side).mean()) < SILENCE_POWER for side in (before, after)]
        if any(quiet):
            self._take_silence(start, quiet)
        elif self._aligned:
            self._silent = 0
            self._judge(start, self._check.fit(before, after, self.alignment.inverted, self._home or 0))
        else:
            self._silent = 0
            self._look()
        return True

    # Without a lag.

    def _look(self) -> None:
        """Search for the lag when it is time."""
        pieces = (self._next - self._since) // self._piece
        every = SEARCH_EVERY if pieces <= SEARCHED_PIECES else SEARCH_LATER
        if pieces < FIRST_SEARCH or pieces % every:
            return
        frames = min(pieces, SEARCHED_PIECES) * self._piece
        start = self._next - frames
        last = pieces >= SEARCHED_PIECES
        found = search(*self._double(start, frames, 0), self.rate_hz, self._longest, last=last)
        if found.related:
            self._line_up(found, start)
        elif last:
            self.state, self.wanders = UNRELATED, False
            self.phrase.restart()

    def _double(self, start: int, frames: int, lag: int) -> tuple[FloatArray, FloatArray]:
        before, after = self._sound.sides(start, frames, lag)
        return before.T.astype(np.float64), after.T.astype(np.float64)

    def _line_up(self, found: Alignment, start: int) -> None:
        """Go on from ``start`` with this lag; another one than before begins another phrase."""
        before, self.alignment = self.alignment, found
        self._aligned = True
        near = abs(before.lag_frames - found.lag_frames) <= WANDER_SECONDS * self.rate_hz
        if before.related and near and before.inverted == found.inverted and self._fitted < SETTLED_PIECES:
            self._note_wander(start)
        self._fitted, self._settled = 0, False
        if _is_same(before, found) or (self.wanders and near):
            self.phrase.cut()
        else:
            self._came_from = before
            self.phrase.restart()
            self.state = LINING_UP if before.related else LISTENING
        self._start_at(start)

    # With a lag.

    def _judge(self, start: int, fit: Fit) -> None:
        """Count the pieces before this one where it fits; otherwise wait for the next to agree."""
        if self._home is None:
            self._home = fit.offset if abs(fit.offset) <= HOME_FRAMES else 0
            fit = Fit(fit.best, fit.best, fit.offset, fit.inverted) if self._home == fit.offset else fit
        if self._fits(fit) or ((self.wanders or fit.best < ASTRAY) and self._fits_lows(start, fit)):
            self._fitted += 1
            self._odd, self._candidate = 0, None
            self._count_held()
            self._held = [start]
            if self._fitted == SETTLED_PIECES and not self._settled:
                self._settle(start)
            return
        self._odd += 1
        self._held.append(start)
        last, self._candidate = self._candidate, fit if fit.best >= ASTRAY else None
        if last is not None and self._candidate is not None and _agree(last, fit):
            self._move(start, fit)
        elif self._odd >= PATIENCE:
            self._lose(start)

    def _fits(self, fit: Fit) -> bool:
        if fit.best < ASTRAY or fit.inverted != self.alignment.inverted:
            return False
        by = abs(fit.offset - (self._home or 0))
        return by <= SAME_FRAMES or fit.here >= (AS_GOOD_NEAR if by <= HOME_FRAMES else AS_GOOD) * fit.best

    def _fits_lows(self, start: int, fit: Fit) -> bool:
        """Whether the lows of a piece fit: at the usual lag, or near it where the lag wanders."""
        longest = round(WANDER_SECONDS * self.rate_hz)
        by, correlation = lag_of_lows(*self._double(start, self._piece, self._lag), self.rate_hz, longest)
        if fit.inverted != self.alignment.inverted:
            return False
        if self.wanders:
            return correlation >= WANDERING
        fits = correlation >= SURE_LOWS and abs(by) <= NEAR_COARSE
        self._lows = [*self._lows, by][-SEARCHED_PIECES:] if fits else []
        self.wanders = len(self._lows) >= SETTLED_PIECES and float(np.ptp(self._lows)) > WANDERS_FRAMES
        return fits

    def _settle(self, start: int) -> None:
        """Find the fraction of the lag again in the pieces that have fitted: there are more of them now."""
        self._settled = True
        frames, lag = SETTLED_PIECES * self._piece, self._lag
        begin = start + self._piece - frames
        if self.wanders or not self._sound.covers(begin, frames, lag):
            return
        fine = line_up(*self._double(begin, frames, lag), HOME_FRAMES)
        if not fine.related:
            return
        self.alignment = replace(self.alignment, lag_frames=lag + fine.lag_frames, correlation=fine.correlation)
        if self._lag != lag:
            self.phrase.restart()
            self._start_at(begin)

    def _move(self, start: int, fit: Fit) -> None:
        """Two pieces agree on another lag or polarity."""
        by = fit.offset - (self._home or 0)
        frames = self._piece - max(0, by)
        lag = self._lag + by
        rough = Alignment(float(lag), fit.best, fit.inverted, related=True)
        if self._sound.covers(start, frames, lag):
            fine = line_up(*self._double(start, frames, lag), HOME_FRAMES)
            if fine.related:
                rough = Alignment(lag + fine.lag_frames, fine.correlation, fine.inverted, related=True)
        self._line_up(rough, start)

    def _note_wander(self, frame: int) -> None:
        recent = [at for at in self._moves if frame - at <= WANDER_WITHIN_SECONDS * self.rate_hz]
        self._moves = [*recent, frame]
        self.wanders = self.wanders or len(self._moves) >= WANDER_TIMES

    def _lose(self, start: int) -> None:
        """The lag no longer fits and no other does: search again, in what comes."""
        self._aligned = False
        self.state = LINING_UP
        self._start_at(start)
        self._next = start + self._piece

    def _count_held(self) -> None:
        for start in self._held:
            self.phrase.push(start, *self._sound.sides(start, self._piece, self._lag))
        if self.phrase.seconds >= LEAST_SECONDS:
            self.state, self.silent_side = FOUND, ""

    def _take_silence(self, start: int, quiet: list[bool]) -> None:
        """A short silence counts where sound is on both sides of it; a longer one is left out."""
        self._silent += 1
        if self._silent < PATIENCE:
            if self._held:
                self._held.append(start)
            return
        if self._aligned and self._silent == PATIENCE:
            self._held = self._held[:1] if not self._odd else []
            self._count_held()
            self.phrase.cut()
            self._held, self._odd, self._candidate = [], 0, None
        self._since = self._next
        self.state, self.silent_side = SILENT, BOTH if all(quiet) else BEFORE if quiet[0] else AFTER


def _is_same(one: Alignment, other: Alignment) -> bool:
    same = abs(one.lag_frames - other.lag_frames) <= SAME_FRAMES and one.inverted == other.inverted
    return one.related and same


def _agree(one: Fit, other: Fit) -> bool:
    return abs(one.offset - other.offset) <= SAME_FRAMES and one.inverted == other.inverted


def _moved(before: Alignment, now: Alignment) -> str:
    """One sentence on what changed, empty at first and where nothing did."""
    if not before.related:
        return ""
    if abs(before.lag_frames - now.lag_frames) > SAME_FRAMES:
        moved = f"moved from {round(before.lag_frames)} to {round(now.lag_frames)} samples".replace("-", "−")
        return f"The delay {moved}; the figures restarted there."
    turned = before.inverted != now.inverted
    return "The polarity of the sound after changed; the figures restarted there." if turned else ""

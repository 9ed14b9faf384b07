"""What was heard and what is missing since R: frames of each, and every gap with its start and its length.

A gap has one of three causes: frames that the source dropped, a source that stopped and came back, and an engine that
was replaced. The first has its length at once. The others stay open, are counted while they last, and end where the
first new frame began, so opening a source belongs to the gap. No thread; times are handed in. [dsp]
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

from meter.audio.loss import LossDetector
from meter.audio.source import Source, SourceInfo
from meter.engine.messages import RecordEvent
from meter.engine.start_source import COMES_BACK
from meter.engine.state_saver import Counts
from meter.engine.watchdog import last_sound
from meter.figures import duration
from meter.logbook.day_record import GAP, STATE

MISSING_STATES = ("lost", "reopening", "waiting")
"""In these nothing is heard that should be: the time counts as missing."""
ONE_GAP_SECONDS = 1.0
"""Frames that are dropped again within this time are one gap: a full ring drops every block."""
TELL_SECONDS = 5.0
"""A device flags that it dropped frames, not how many: the clock tells that, up to so much later."""
COUNT_SECONDS = 1.0
"""An open gap is counted in steps of this length."""


@dataclass
class _Open:
    """A gap that goes on: from ``since`` (monotonic), which was ``at`` by the time of day, counted up to ``to``."""

    since: float
    at: float
    to: float
    slept: float = 0.0
    is_numbered: bool = False
    is_told_only: bool = False


@dataclass
class _Dropped:
    """Frames that were dropped one after the other: the first ``at`` this time of day, from ``oldest`` to ``newest``
    in monotonic seconds."""

    at: float
    frames: int
    oldest: float
    newest: float

    def includes(self, when: float) -> bool:
        """Whether frames that were dropped then belong to this gap."""
        return self.oldest - ONE_GAP_SECONDS <= when <= self.newest + ONE_GAP_SECONDS


class Gaps:
    """``skip`` tells the meters of missing frames, ``tell`` takes one event for each gap that is over, ``report`` the
    same in words for the feed line.

    ``frames`` were heard, ``lost`` are missing, ``count`` is the number of gaps; all since R.
    """

    def __init__(
        self,
        skip: Callable[[int], None],
        tell: Callable[[RecordEvent], None],
        report: Callable[[str], None],
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._skip = skip
        self._tell = tell
        self._report = report
        self._wall = wall
        self._rate_hz = self._flagged = 0
        self._open: _Open | None = None
        self._dropped: _Dropped | None = None
        self._clock: LossDetector | None = None
        self.forget()

    def forget(self) -> None:
        """Count from zero; a gap that goes on is counted from here."""
        self.frames = self.lost = self.count = 0
        if self._open is not None:
            self._open.is_numbered = False

    def restart(self) -> None:
        """Another format: what is still open of a gap is told, and not counted among frames of another rate."""
        self.forget()
        if self._open is not None:
            self._open.is_told_only = True

    def leave(self, now: float) -> None:
        """Another source is chosen: the gap of the last one ends here."""
        self._settle_dropped(math.inf)
        if self._open is not None:
            self._end(now)
        self._clock = None

    def follow(self, info: SourceInfo) -> None:
        """This source was opened: its frames are compared with the clock where it has one of its own."""
        self._rate_hz = info.rate_hz
        self._flagged = 0
        self._clock = LossDetector(info.rate_hz, info.latency_seconds) if info.kind in COMES_BACK else None

    def go_on(self, counts: Counts, since: float, now: float) -> None:
        """Go on with the counts of an engine before this one, which heard up to ``since``.

        The gap after it is not among the gaps: the window counts it.
        """
        self.frames, self.lost, self.count = counts
        self.open(since, now)
        if self._open is not None:
            self._open.is_numbered = True

    @property
    def counts(self) -> Counts:
        """Frames heard, frames lost, gaps."""
        return self.frames, self.lost, self.count

    def open(self, since: float, now: float) -> None:
        """Nothing was heard after ``since``; without effect in a gap, and before anything was heard."""
        if self._open is None and self.frames + self.lost > 0:
            self._open = _Open(since, self._wall() - (now - since), since)

    def sleep(self, seconds: float, since: float, now: float) -> None:
        """The machine slept, by a clock that does not stop then; nothing was heard after ``since``."""
        self.open(since, now)
        if self._open is not None:
            self._open.slept += seconds
            self._open.at -= seconds
            self._open.to -= seconds

    def grow(self, now: float, least_seconds: float = 0.0) -> None:
        """Count an open gap up to this moment, unless that is less than ``least_seconds`` more."""
        gap = self._open
        if gap is None or gap.is_told_only or now - gap.to < least_seconds:
            return
        frames = round((now - gap.to) * self._rate_hz)
        if frames > 0:
            gap.to += frames / self._rate_hz
            self._count(frames, numbered=gap.is_numbered)
            gap.is_numbered = True

    def hear(self, source: Source | None, waiting_frames: int, now: float) -> None:
        """Frames wait to be measured: a gap that is open ends where they begin."""
        if self._open is None or waiting_frames <= 0:
            return
        newest = last_sound(source) if self._clock is not None else None
        self._end(now if newest is None else newest - waiting_frames / self._rate_hz)

    def drop(self, frames: int, when: float, now: float) -> None:
        """The source reported that frames were dropped at this monotonic second."""
        self._flagged += frames
        self._drop(frames, when, now)

    def _drop(self, frames: int, when: float, now: float) -> None:
        run = self._dropped
        if run is not None and run.includes(when):
            run.frames += frames
            run.newest = max(run.newest, when)
        else:
            self._settle_dropped(math.inf)
            self._dropped = _Dropped(self._wall() - (now - when), frames, when, when)
        self._count(frames, numbered=run is self._dropped)

    def compare(self, source: Source | None, now: float, *, idle: bool) -> bool:
        """Compare delivered frames with the clock; True where frames were lost that the source did not report."""
        if self._clock is None or source is None:
            return False
        if idle:  # nothing plays, so nothing is delivered and nothing is lost
            self._clock.reset()
            return False
        counts = source.statistics()
        known = int(counts.get("frames", 0)) + self._flagged
        event = self._clock.push(known, int(counts.get("last_callback_ns", 0)))
        if event is None:
            return False
        if event.kind == "gap":
            self._drop(event.frames, event.at_ns / 1e9, now)
            return True
        self._take_back(event.frames)
        return False

    def tend(self, now: float, state: str) -> None:
        """Count a gap that goes on, and tell those that are over."""
        if state in MISSING_STATES:
            self.grow(now, COUNT_SECONDS)
        self._settle_dropped(now)

    def _count(self, frames: int, *, numbered: bool) -> None:
        self.lost += frames
        self.count += not numbered
        self._skip(frames)

    def _take_back(self, frames: int) -> None:
        """What was taken for lost only came late."""
        taken = min(frames, self.lost)
        if not taken:
            return
        self.lost -= taken
        self.count = max(0, self.count - 1)
        words = f"{duration(taken / self._rate_hz)} that was missing has come late; nothing is missing there."
        self._tell(RecordEvent(STATE, words, self._wall()))

    def _end(self, at: float) -> None:
        self.grow(at)
        gap, self._open = self._open, None
        if gap is not None and (seconds := at - gap.since + gap.slept) > 0.0:
            words = ", while the computer slept" if gap.slept else ""
            self._tell_gap(gap.at, seconds, words, on_line=not gap.is_told_only)

    def _settle_dropped(self, now: float) -> None:
        run = self._dropped
        if run is not None and now - run.newest > TELL_SECONDS:
            self._dropped = None
            self._tell_gap(run.at, run.frames / self._rate_hz)

    def _tell_gap(self, at: float, seconds: float, why: str = "", *, on_line: bool = True) -> None:
        clock = time.strftime("%H:%M:%S", time.localtime(at))
        words = f"Dropout of {duration(seconds)} at {clock}{why}."
        self._tell(RecordEvent(GAP, words, at, seconds=seconds))
        if on_line:
            self._report(words)

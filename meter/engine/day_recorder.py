"""Between the engine and the day record: cuts readings into seconds, says when each was, and hands on events. [dsp]

Seconds go by on the audio clock, lost frames included. They are placed on the wall clock where a segment begins, and
again where the two are too far apart.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Protocol

from dsp.core.types import FloatArray
from meter.audio.source import SourceInfo
from meter.engine.catch_up import APART_SECONDS, ASLEEP_SECONDS, CatchUp
from meter.engine.chain import Chain
from meter.engine.day_figures import DayFigures
from meter.engine.day_incidents import Incidents
from meter.engine.messages import RecordEvent
from meter.feeds import Feeds
from meter.logbook.clock import SittingClock
from meter.logbook.day_record import SEGMENT, Event, Second, Segment

RESTING_STATES = ("idle", "lost", "reopening", "waiting", "ended", "failed")
DEMO_KIND, DEMO_JOB = "demo", "demo"
"""What the demo shows is kept apart from the user's jobs."""
MOST_WORDS = 2_000


class DayLine(Protocol):
    """What leads to the day record; see ``RecorderThread``."""

    @property
    def day_sentence(self) -> str: ...
    def post(self, message: Second | Event | Segment) -> bool: ...


class DayRecorder:
    """Without a ``line`` nothing is recorded. ``run`` names this engine among others that write the same file."""

    def __init__(self, line: DayLine | None = None, clock: SittingClock | None = None, run: str = "") -> None:
        self._line = line
        self._clock = clock or SittingClock()
        self._run = run
        self._job = ""
        self._segment: Segment | None = None
        self._figures: DayFigures | None = None
        self._incidents: Incidents | None = None
        self._rate_hz = 1
        self._last_at: int | None = None
        self._measured = 0
        self.events_taken = 0
        """Number of the last event of the window."""
        self._frames: int | None = None
        self._at: int | None = None
        self._forget_place()

    @property
    def sentence(self) -> str:
        """What is wrong with the day record, or an empty string."""
        return self._line.day_sentence if self._line is not None else ""

    def open(self, job: str, kind: str) -> None:
        """Another source, not yet there: what comes belongs to this job."""
        self.rest()
        self._job = DEMO_JOB if kind == DEMO_KIND else job
        self._segment = self._figures = self._incidents = None
        self._measured = 0

    def begin(self, chain: Chain, info: SourceInfo, feeds: Feeds, *, going_on: bool = False) -> None:
        """A segment begins: the source is open in this format; the meters may be ``going_on`` on another output."""
        self.rest()
        if self._line is None:
            return
        self._clock.restart()
        columns = json.dumps({name: list(taken) for name, taken in feeds.items()}, ensure_ascii=False)
        began = self._clock.now()
        self._segment = Segment(self._run, began, self._job, info.name, info.rate_hz, info.channels, columns)
        self._rate_hz = info.rate_hz
        self._line.post(self._segment)
        channels = f"{info.channels} channel{'s' * (info.channels != 1)}"
        self.event(SEGMENT, f"Listening to {info.name}, {info.rate_hz} Hz, {channels}.", began)
        self.follow(chain, going_on=going_on)

    def follow(self, chain: Chain, *, going_on: bool = False) -> None:
        """Other meters measure the same source from now on; some may be ``going_on`` with what they counted."""
        self.rest()
        if self._segment is not None:
            self._figures, self._incidents = DayFigures(chain, self._segment), Incidents(chain)
            readings = chain.read()
            self._incidents.go_on(readings)
            if going_on:
                self._figures.go_on(readings)

    def attend(self, readings: FloatArray, measured: int, lost: int, state: str) -> None:
        """Account for the readings at so many frames measured and lost.

        Seconds without a measured frame have no row. Where no sound comes the second ends: the audio clock then tells
        nothing of the time.
        """
        if self._figures is None:
            return
        sounds, self._measured, frames = measured != self._measured, measured, measured + lost
        if (sounds or self._at is not None) and self._advance(frames):
            self._tell_incidents(readings, frames)
        if sounds:
            self._figures.take(readings)
        if state in RESTING_STATES and self._at is not None:
            self.rest()
            self._tell_incidents(readings, frames, at_the_end=True)

    def settle(self, readings: FloatArray, measured: int, lost: int, state: str) -> None:
        """The last readings before a reset, other meters, another source or the end."""
        self.attend(readings, measured, lost, state)
        if self._figures is not None and self._at is not None:
            self._figures.take(readings)  # with what meters had gathered
        self._tell_incidents(readings, measured + lost, at_the_end=True)

    def restart(self) -> None:
        """A reset follows: the audio clock and what meters count restart at 0."""
        self._frames = None if self._frames is None else 0
        self._measured = 0
        if self._figures is not None:
            self._figures.restart()
        if self._incidents is not None:
            self._incidents.restart()

    def _tell_incidents(self, readings: FloatArray, frames: int, *, at_the_end: bool = False) -> None:
        """Record overs and clipped runs that are new."""
        if self._incidents is None:
            return
        elapsed, now = frames / self._rate_hz, self._clock.now()
        for each in self._incidents.found(readings, elapsed, at_the_end=at_the_end):
            at = now - max(0.0, elapsed - each.place)
            self.event(each.kind, each.words, at, feed=each.feed, figures=each.figures)

    def rest(self) -> None:
        """The open second ends here, whole or not."""
        while self._figures is not None and self._at is not None:
            self._close_second(self._at)
            self._at = self._at + 1 if self._figures.waits else None
        self._forget_place()

    def take_event(self, event: RecordEvent) -> None:
        """Record an event of the window."""
        self.event(event.kind, event.words, event.at, feed=event.feed, seconds=event.seconds, figures=event.figures)
        self.events_taken = max(self.events_taken, event.number)

    def event(
        self,
        kind: str,
        words: str,
        at: float | None = None,
        *,
        feed: str = "",
        seconds: float | None = None,
        figures: Mapping[str, float] | None = None,
    ) -> None:
        """Record something that happened ``at`` (seconds since 1970, now without it) and lasted ``seconds``."""
        if self._line is None:
            return
        when = self._clock.now() if at is None or not math.isfinite(at) else at
        lasted = seconds if seconds is not None and math.isfinite(seconds) else None
        numbers = {key: value for key, value in (figures or {}).items() if math.isfinite(value)}
        text = json.dumps(numbers, ensure_ascii=False)
        words = _clean(words)
        self._line.post(Event(when, _clean(kind), words, self._job, _clean(feed), lasted, text, self._segment))

    def _forget_place(self) -> None:
        self._frames = self._at = None
        self._passed = 0
        """Frames since the segment was placed."""
        self._index = 0
        self._catch_up = CatchUp()

    def _advance(self, frames: int) -> bool:
        """Follow the audio clock; where a second ends, its row is handed over. True if one ended."""
        if self._frames is not None:
            self._passed += frames - self._frames
        self._frames = frames
        index = self._passed // self._rate_hz
        if self._at is None:
            self._at = self._first_second()
        ended = index > self._index
        if ended:
            self._close_second(self._at)
            self._at = self._place(self._at, self._at + index - self._index)
        self._index = max(self._index, index)
        return ended

    def _first_second(self) -> int:
        """The second since 1970 that begins now, after a pause; no row of this chain has it yet."""
        assert self._figures is not None
        self._clock.restart()  # by the clock as it is set now
        at = math.floor(self._clock.now())
        if self._last_at is None or at > self._last_at:
            return at
        if self._last_at - at < APART_SECONDS:
            return self._last_at + 1
        self._figures.renew()  # the clock was set back: rows of both times are kept
        return at

    def _close_second(self, at: int) -> None:
        assert self._figures is not None
        rows, self._last_at = self._figures.close(), at
        if rows and self._line is not None:
            self._line.post(Second(at, rows))

    def _place(self, last: int, counted: int) -> int:
        """The second since 1970 that begins now: as counted, or by the clock where the count is too far from it."""
        now = self._clock.now()
        behind = math.floor(now) - counted
        if behind < -1:  # never later than it is, but for an audio clock that is a little fast
            return max(last + 1, math.floor(now))
        if behind <= APART_SECONDS or (behind <= ASLEEP_SECONDS and self._catch_up.goes_on(behind, now)):
            return counted
        self._catch_up.forget()
        return max(last + 1, math.floor(now))


def _clean(words: str) -> str:
    """Words as SQLite can hold them, not endless."""
    return words[:MOST_WORDS].encode("utf-8", "replace").decode().replace("\0", "")

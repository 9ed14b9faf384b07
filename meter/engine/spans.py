"""Spans of the sound: those that marks begin, and passes, which begin and end with the transport. [dsp]"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from typing import Protocol

from dsp.core.types import FloatArray
from dsp.level.transport import Transport
from meter.engine.chain import Chain
from meter.engine.day_recorder import DayRecorder
from meter.engine.heard_output import HeardOutput
from meter.engine.messages import SpanEnded
from meter.engine.publisher import EngineOutput
from meter.feeds import MIX, Feeds
from meter.marks import AT_PLAY_PASS, AT_PLAY_RESET, MARK, PASS
from meter.readings import FeedStatus, Frame

QUIET_SECONDS = 0.3
"""From so much silence on play may have stopped (our own choice)."""
LATE_SECONDS = 1.0
"""A mark that was set longer ago waited for an engine: its place is earlier than the sound that is measured now."""
SILENT_STATES = ("idle", "lost", "waiting")


class Measuring(Protocol):
    """The engine, as spans need it."""

    @property
    def chain(self) -> Chain | None: ...

    output: HeardOutput
    day: DayRecorder

    def status(self) -> FeedStatus: ...
    def mark(self, kind: str = MARK) -> None: ...
    def reset(self) -> None: ...


class Spans:
    """``at_play`` is what happens when play starts: one of ``meter.marks.AT_PLAY``."""

    def __init__(self, output: EngineOutput, engine: Measuring) -> None:
        self._output = output
        self._engine = engine
        self._transport: Transport | None = None
        self._columns: list[int] | None = None
        self._stopped = False
        self._begun = 0.0
        """Where the last mark is on the audio clock."""
        self._before_silence: dict[str, float] | None = None
        self._play_began = 0.0
        """Where play started, or R was pressed, on the audio clock."""
        self.at_play = AT_PLAY_PASS
        self.wall: Callable[[], float] = time.time
        """Seconds since 1970."""

    def follow(self, feeds: Feeds, rate_hz: int, channels: int) -> None:
        """Another source: listen to its mix, or to all of it where it has none."""
        columns = list(feeds.get(MIX, ()))
        self._columns = columns if columns and columns != list(range(channels)) else None
        self._transport = Transport(rate_hz)
        self._stopped = False

    def parts(self, block: FloatArray) -> Iterator[tuple[FloatArray, bool | None]]:
        """Cut a block where play starts again or stops; True or False follows the part before that."""
        begin = 0
        for frame, plays in self._turns(block):
            yield block[begin:frame], plays
            begin = frame
        if begin < len(block):
            yield block[begin:], None

    def watch(self, state: str) -> None:
        """The engine's state: no sound comes any more is a stop too."""
        if state in SILENT_STATES and self._transport is not None and self._transport.pause():
            self._stopped = True
            self.turn(plays=False)

    def turn(self, plays: bool | None) -> None:
        """Play starts or stops here, by the sound; None is neither."""
        if plays is None:
            self._keep_before_silence()
            return
        if self.at_play == AT_PLAY_PASS and not plays:
            self.end(begins=False, stops=True)
        elif self.at_play == AT_PLAY_PASS:
            self._engine.mark(PASS)
        elif self.at_play == AT_PLAY_RESET and plays:
            self._engine.reset()

    def _keep_before_silence(self) -> None:
        """Read the figures when it has just become silent: two seconds of silence would widen the loudness range."""
        transport = self._transport
        if transport is None or not transport.plays or transport.silent_seconds < QUIET_SECONDS:
            self._before_silence = None
        elif self._before_silence is None and self.at_play == AT_PLAY_PASS:
            self._before_silence = self._figures()

    def _figures(self) -> dict[str, float]:
        chain = self._engine.chain
        return {} if chain is None else Frame(chain.layout, chain.read()).since_mark()

    def _turns(self, block: FloatArray) -> list[tuple[int, bool]]:
        """Starts and stops; the first sound of a source is no start, it may have been playing for long."""
        if self._transport is None or self._engine.output.suspended:
            return []
        found = []
        for frame, plays in self._transport.push(block if self._columns is None else block[:, self._columns]):
            if not plays or self._stopped:
                found.append((frame, plays))
            self._stopped = self._stopped or not plays
        return found

    def end(self, *, begins: bool, stops: bool = False, kind: str = MARK, at: float = math.nan) -> None:
        """Send the figures since the mark as those of a span that ends now, or when it stopped to sound.

        A mark that was set ``at`` an earlier time of day, while no engine answered, has its place there.
        """
        if self._engine.chain is None:
            return
        now, figures = self._engine.status().elapsed_seconds, self._before_silence
        now, at = self._placed(now, at)
        if stops and self._transport is not None:
            silent = self._transport.silent_seconds
            now, at = max(0.0, now - silent), at - silent
        if not stops or figures is None:
            figures = self._figures()
        self._before_silence = None
        self._begun = now if begins or stops else 0.0
        self._output.send(SpanEnded(now, at, figures, begins, kind, stops))
        self._record(now, at, figures, begins, kind, stops)

    def _placed(self, now: float, at: float) -> tuple[float, float]:
        """Place on the audio clock and time of day of a mark that was set ``at``, NaN for now."""
        wall = self.wall()
        late = wall - at
        if not late > LATE_SECONDS:  # NaN, too
            return now, wall
        return max(self._begun, now - late), at

    def _record(self, now: float, at: float, figures: dict[str, float], begins: bool, kind: str, stops: bool) -> None:
        """Put a mark, or the start or stop of play, into the day record, with the figures of the span that ended."""
        if stops:
            length = now - self._play_began
            self._engine.day.event(PASS, "Play stopped.", at, seconds=length, figures=figures)
        elif begins:
            words = "Play started." if kind == PASS else "Mark."
            self._engine.day.event(kind, words, at, figures=figures)
        if not stops and (kind == PASS or not begins):
            self._play_began = now if begins else 0.0

"""The engine: opens a source, empties its ring through the chain, publishes readings, notices when sound stops.

A plain class with no thread: the engine process, a headless command and the tests all call ``step`` in a loop.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from dsp.core.types import TICKS_PER_SECOND
from meter.audio.loss import LossDetector
from meter.audio.open import make_source
from meter.audio.ring_buffer import Consumer
from meter.audio.source import Source, SourceError, SourceInfo, SourceRequest
from meter.engine.chain import NAME_FEEDS, Chain
from meter.engine.day_recorder import DayRecorder
from meter.engine.guard import GuardedMeter, Timing
from meter.engine.heard_output import HeardOutput
from meter.engine.messages import FeedSentence, StateRestored
from meter.engine.meter_set import MeterSet
from meter.engine.publisher import EngineOutput, Publisher
from meter.engine.recorder import Recorder
from meter.engine.sanitise import ONLY_INVALID, Sanitiser
from meter.engine.spans import Spans
from meter.engine.start_source import BEHIND_SECONDS, COMES_BACK, MOST_TICKS_AT_ONCE, start_source
from meter.engine.state_saver import StateSaver, source_words
from meter.engine.status import Sentence, feed_status
from meter.engine.studies import Studies
from meter.engine.watchdog import SourceWatch, ZerosWatch, last_sound
from meter.feeds import Feeds, fitting_feeds
from meter.instances import Instance
from meter.marks import MARK
from meter.plugin.api import Settings
from meter.plugin.host import Plugin
from meter.plugin.services import RECORDER, holder
from meter.readings import FeedStatus

IDLE_PUBLISH_SECONDS = 0.1


class Engine:
    """Everything between a source and its readings. All methods are called from one thread. [dsp]"""

    def __init__(
        self,
        plugins: Sequence[Plugin],
        output: EngineOutput,
        *,
        clock: Callable[[], float] = time.monotonic,
        timing: Timing | None = None,
        open_source: Callable[[SourceRequest], Source] = make_source,
        set_aside: Mapping[str, str] | None = None,
        recorder: Recorder | None = None,
        day: DayRecorder | None = None,
        state_saver: StateSaver | None = None,
        on_meter: Callable[[int], None] = lambda _index: None,
        threaded_studies: bool = True,
        instances: Sequence[Instance] = (),
    ) -> None:
        self._output = output
        self._clock = clock
        self._open_source = open_source
        self._meter_set = MeterSet(plugins, timing, on_meter, set_aside or {}, output.send)
        self._meter_set.use(instances)
        self.meters = self._meter_set.meters
        self.output = HeardOutput(self.meters, output)
        self._leave_meter = partial(on_meter, -1)
        self._state_saver = state_saver or StateSaver(None)
        self._recorder, self._recorded = recorder, holder(RECORDER, self.meters)
        self._sentence = Sentence(lambda words: output.send(FeedSentence(words)))
        self.day = day or DayRecorder()
        self._publisher = Publisher(output, recorder, self.day)
        self.spans = Spans(output, self)
        self._studies = Studies(output.send, threaded=threaded_studies)
        self._last_publish = -1.0
        self.on_opening: Callable[[bool], None] = lambda _opening: None
        self._have_no_source()
        for meter in self.meters:
            self._tell_recorder(meter)

    def _have_no_source(self) -> None:
        self._request: SourceRequest | None = None
        self._feeds: Feeds | None = None
        self._fitting: Feeds = {}
        self._source: Source | None = None
        self._info: SourceInfo | None = None
        self._consumer: Consumer | None = None
        self._chain: Chain | None = None
        self._watch: SourceWatch | None = None
        self._losses: LossDetector | None = None
        self._silent_since = 0.0
        self._zeros: ZerosWatch | None = None
        self._state, self._unmapped = "starting", ""
        self._forget_counts()

    @property
    def state(self) -> str:
        """A word of ``STATES``."""
        return self._state

    @property
    def chain(self) -> Chain | None:
        """The chain at work, None before a source was opened."""
        return self._chain

    @property
    def latency_seconds(self) -> float:
        """Latency of the source as it was opened; NaN without one."""
        return self._info.latency_seconds if self._info is not None else float("nan")

    @property
    def waiting_seconds(self) -> float:
        """Sound in the ring that is not measured yet."""
        ring, info = self._consumer, self._info
        return ring.available / info.rate_hz if ring is not None and info is not None else 0.0

    def open(self, request: SourceRequest, feeds: Feeds | None = None, job: str = "") -> None:
        """Open another source; what was measured of the last one is forgotten. Never raises."""
        self.stop()
        self._publisher.settle(self._chain, self.status())
        self.day.open(job, request.kind)
        if self._recorder is not None:
            self._recorder.rest()
        if self._request is not None:
            self.spans.end(begins=False)
            self._state_saver.begin()
        self._request, self._feeds = request, feeds
        self._chain = self._watch = None
        self._publisher.renew()
        self._studies.follow(())
        self.output.leave()
        self._forget_counts()
        self._try_open()

    def stop(self) -> None:
        """Stop listening and release the source."""
        if self._source is not None:
            self._source.stop()
        self._source = self._consumer = None

    def close(self) -> None:
        """Stop for good; the exposure record is written and closed."""
        self.stop()
        self._studies.close()
        self._publisher.settle(self._chain, self.status())
        self.day.rest()
        if self._recorder is not None:
            self._recorder.close()

    def hold(self, held: bool) -> None:
        """Freeze or release the readings; measuring goes on, so that no listening time is missed."""
        self._publisher.hold(held)

    def reset(self) -> None:
        """Forget what was measured; settings and source stay."""
        self.spans.end(begins=False)
        self._publisher.settle(self._chain, self.status())
        self.day.restart()
        self._forget_counts()
        self._publisher.renew()
        self._state_saver.begin()
        self.output.begin()
        if self._chain is not None:
            self._chain.reset()
        self._studies.reset()

    def mark(self, kind: str = MARK) -> None:
        """Restart the figures since the mark; the rest goes on. Those of the span that ends are sent."""
        self.spans.end(begins=True, kind=kind)
        if self._chain is not None:
            self._chain.mark()
        self._studies.hurry()
        self._state_saver.hurry()

    def configure(self, meter_id: str, settings: Settings) -> None:
        """Change a meter's settings; a refusal becomes the sentence of the feed line."""
        meter = next((meter for meter in self.meters if meter.id == meter_id), None)
        try:
            if meter is None:
                raise ValueError(f"There is no meter “{meter_id}” to set.")
            meter.configure(settings)
            self.output.check()
            self._leave_meter()
            self._studies.hurry()
            self._tell_recorder(meter)
        except ValueError as error:
            self._sentence.report(str(error), self._clock())

    def use_instances(self, instances: Sequence[Instance]) -> None:
        """Measure these further instances of meters and no others; what goes on keeps what it measured."""
        if not self._meter_set.use(instances):
            return
        self.output.include()
        if self._chain is not None:
            before = self._chain
            self._publisher.settle(before, self.status())
            self._chain = self._make_chain(going_on=before.meters)
            self.day.follow(self._chain, going_on=True)
            self._studies.follow(self._chain.meters, going_on=before.meters)
            self._publisher.follow(self._chain)
            self._state_saver.hurry()

    def _tell_recorder(self, meter: GuardedMeter) -> None:
        if self._recorder is not None and meter is self._recorded:
            self._recorder.configure(meter.id, meter.settings)

    def step(self) -> bool:
        """Do what there is to do; True if sound was measured, False if there was none."""
        worked = self._take_sound()
        self._note_losses()
        self._judge()
        self.spans.watch(self._state)
        now = self._clock()
        self._sentence.follow(self._what_shifts(), now)
        if worked or now - self._last_publish >= IDLE_PUBLISH_SECONDS:
            self._last_publish = now
            kind = self._info.kind if self._info is not None else ""
            self._publisher.publish(self._chain, self.status(), kind, self._state)
        if self._chain is not None:
            if not self._publisher.held:
                self._studies.attend(now)
            counts, busy = (self._frames, self._lost, self._gaps), self.waiting_seconds >= 1.0 / TICKS_PER_SECOND
            self._state_saver.attend(self._chain, counts, now, self._state, busy=busy)
        return worked

    def status(self) -> FeedStatus:
        """The feed line as it stands."""
        return feed_status(
            self._request,
            self._info,
            self._source,
            state="held" if self._publisher.held and self._state == "running" else self._state,
            sentence=self._sentence.words,
            counts=(self._frames, self._lost, self._gaps),
            invalid_samples=self._sanitiser.invalid_samples if self._sanitiser else 0,
            quarantined=self._publisher.faults or {},
        )

    def _forget_counts(self) -> None:
        self._frames = self._lost = self._gaps = 0
        self._sanitiser: Sanitiser | None = Sanitiser(self._info.rate_hz) if self._info else None

    def _try_open(self) -> None:
        assert self._request is not None
        now = self._clock()
        self.on_opening(True)
        source: Source | None = None
        try:
            source = self._open_source(self._request)
            info = source.open()
            consumer = start_source(source, info, partial(self._use_chain_for, info))
        except (SourceError, ValueError) as error:
            if source is not None:
                source.stop()
            self._open_failed(str(error), now)
            return
        finally:
            self.on_opening(False)
        self._source, self._info, self._consumer = source, info, consumer
        if self._watch is None:
            self._watch = SourceWatch(info.latency_seconds, idle_is_normal=info.idle_is_normal)
        self._watch.opened(now)
        self._losses = LossDetector(info.rate_hz, info.latency_seconds) if info.kind in COMES_BACK else None
        self._state = "starting"
        self._zeros = ZerosWatch(info.kind, info.rate_hz)
        self._sentence.say(" ".join(words for words in (self._unmapped, info.note) if words))

    def _open_failed(self, sentence: str, now: float) -> None:
        self._sentence.say(sentence)
        if self._watch is None and self._request is not None and self._request.kind in COMES_BACK:
            self._watch = SourceWatch(0.0)
        if self._watch is None:
            self._state = "failed"
            return
        self._watch.open_failed(now)
        self._state = "waiting"

    def _use_chain_for(self, info: SourceInfo) -> None:
        """Keep the chain over a gap of the same source; make a new one when rate or channels differ."""
        assert self._request is not None
        old = self._info
        self.output.follow(info)
        same = old is not None and (old.rate_hz, old.channels) == (info.rate_hz, info.channels)
        if self._chain is not None and same:
            return
        self._fitting, unmapped = fitting_feeds(self._feeds, info.channel_names, info.channels)
        self._sanitiser, self._info = Sanitiser(info.rate_hz), info
        if self._meter_set.follow(self._fitting):
            self.output.include()
        self._chain = self._make_chain()
        self._unmapped = " ".join(words for words in (unmapped, self._chain.assumed(info.name, NAME_FEEDS)) if words)
        self.spans.follow(self._fitting, info.rate_hz, info.channels)
        self._carry_on(self._chain, source_words(self._request, info, self._fitting), info.rate_hz)
        self._studies.follow(self._chain.meters)
        self._publisher.follow(self._chain)
        self.day.begin(self._chain, info, self._fitting)

    def _make_chain(self, going_on: Sequence[GuardedMeter] = ()) -> Chain:
        """The chain of all meters for the source that is open."""
        assert self._info is not None
        info = self._info
        shape = (info.rate_hz, info.channels, self._fitting, info.channel_names)
        return Chain(self.meters, *shape, self._leave_meter, info.roles, going_on)

    def _carry_on(self, chain: Chain, source: str, rate_hz: int) -> None:
        """Restore the state of the engine before this one, if there is one."""
        counts = self._state_saver.restore_state(chain, source, rate_hz, self._clock())
        if counts is not None:
            self._frames, self._lost, self._gaps = counts
        self._output.send(StateRestored(self._state_saver.sentence))

    def _take_sound(self) -> bool:
        if self._consumer is None or self._info is None or self._chain is None:
            return False
        tick = max(1, self._info.rate_hz // TICKS_PER_SECOND)
        gap = self._consumer.gap()
        if gap:
            self._lose(gap)
        available = self._consumer.available
        if available > BEHIND_SECONDS * self._info.rate_hz:
            self._chain.blame_for_loss()
        ended = self._source is not None and self._source.ended()
        whole = available if ended else available // tick * tick
        block = self._consumer.read(min(whole, MOST_TICKS_AT_ONCE * tick))
        if len(block):
            self._measure(block)
        return bool(gap or len(block))

    def _measure(self, block: Any) -> None:
        assert self._sanitiser is not None
        assert self._chain is not None
        if self._zeros is not None:
            self._zeros.take(block)
        for part, plays in self.spans.parts(block):
            self._frames += len(part)
            for piece in self._sanitiser.pieces(part):
                self._chain.take(piece)
            self.spans.turn(plays)

    def _lose(self, frames: int) -> None:
        assert self._chain is not None
        self._lost, self._gaps = self._lost + frames, self._gaps + 1
        self._chain.skip(frames)
        self._chain.blame_for_loss()

    def _note_losses(self) -> None:
        """Frames that a device lost without a flag: delivered frames against the clock."""
        if self._losses is None or self._source is None:
            return
        counts = self._source.statistics()
        event = self._losses.push(int(counts.get("frames", 0)), int(counts.get("last_callback_ns", 0)))
        if event is not None and event.kind == "gap":
            self._lose(event.frames)
        elif event is not None:
            # What was taken for lost only came late.
            self._lost = max(0, self._lost - event.frames)

    def _what_shifts(self) -> str:
        """What shifts or shortens the readings, kept up to date by sources that watch for it."""
        if self._state == "invalid":
            return ONLY_INVALID
        note: str = getattr(self._source, "note", "") if self._state == "running" else ""
        return (self._zeros.sentence if self._zeros is not None else "") or note

    def _judge(self) -> None:
        source, watch, info = self._source, self._watch, self._info
        if watch is None:
            return
        if source is not None and info is not None and not info.live and source.ended() and not source.fault():
            drained = self._consumer is None or not self._consumer.available
            self._state = "ended" if drained else self._arriving()
            return
        now = self._clock()
        verdict = watch.judge(now, last_sound(self._source), faulty=source is not None and source.ended())
        if verdict.state == "lost" and source is not None:
            self._sentence.say(source.fault() or f"No sound comes from {self.status().source}; waiting for it.")
            self._silent_since = last_sound(self._source) or now
            self.stop()
        self._state = self._arriving() if verdict.state == "running" else verdict.state
        if verdict.reopen:
            self._reopen(now)

    def _arriving(self) -> str:
        return "invalid" if self._sanitiser is not None and self._sanitiser.only_invalid else "running"

    def _reopen(self, now: float) -> None:
        """Try again; what was missed is a gap of its length on the wall."""
        before = self._info
        self._try_open()
        if self._source is None or before is None or self._info is None:
            return
        if (before.rate_hz, before.channels) == (self._info.rate_hz, self._info.channels):
            self._lose(int((now - self._silent_since) * self._info.rate_hz))
        else:
            self._sentence.report(f"{self._info.name} came back in another format; measuring restarted.", now)

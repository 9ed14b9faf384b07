"""The engine: opens a source, empties its ring through the chain, publishes readings, notices when sound stops.

A plain class with no thread: the engine process, a headless command and the tests all call ``step`` in a loop.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from dsp.core.types import TICKS_PER_SECOND
from meter.audio.open import make_source
from meter.audio.source import Source, SourceError, SourceInfo, SourceRequest
from meter.engine.chain import NAME_FEEDS, Chain
from meter.engine.day_recorder import DayRecorder
from meter.engine.gaps import Gaps
from meter.engine.guard import GuardedMeter, Timing
from meter.engine.heard_output import HeardOutput
from meter.engine.heard_source import HeardSource
from meter.engine.messages import FeedSentence, SourceOpened, StateRestored
from meter.engine.meter_set import MeterSet
from meter.engine.publisher import EngineOutput, Publisher
from meter.engine.recorder import Recorder
from meter.engine.spans import Spans
from meter.engine.start_source import BEHIND_SECONDS, MOST_TICKS_AT_ONCE
from meter.engine.state_saver import StateSaver, source_words
from meter.engine.state_words import StateEvents, state_sentence
from meter.engine.status import Sentence, feed_status
from meter.engine.studies import Studies
from meter.engine.watchdog import SleepWatch, SourceWatch, last_sound
from meter.feeds import Feeds, fitting_feeds
from meter.instances import Instance
from meter.logbook.clock import steady_seconds
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
        steady: Callable[[], float] | None = None,
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
        self._heard = HeardSource(open_source)
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
        self._states = StateEvents(self.day.take_event)
        self._gaps = Gaps(self._skip, self.day.take_event, lambda words: self._sentence.report(words, clock()))
        self._sleep = SleepWatch(steady or (steady_seconds if clock is time.monotonic else clock))
        self.spans = Spans(output, self)
        self.studies = Studies(output.send, threaded=threaded_studies)
        self._last_publish = -1.0
        self.on_opening: Callable[[bool], None] = lambda _opening: None
        self._have_no_source()
        for meter in self.meters:
            self._tell_recorder(meter)

    def _have_no_source(self) -> None:
        self._feeds: Feeds | None = None
        self._fitting: Feeds = {}
        self._chain: Chain | None = None
        self._watch: SourceWatch | None = None
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
        return self._heard.latency_seconds

    @property
    def waiting_seconds(self) -> float:
        """Sound in the ring that is not measured yet."""
        return self._heard.waiting_seconds

    def open(self, request: SourceRequest, feeds: Feeds | None = None, job: str = "") -> None:
        """Open another source; what was measured of the last one is forgotten. Never raises."""
        self.stop()
        self._publisher.settle(self._chain, self.status())
        self._gaps.leave(self._clock())
        self.day.open(job, request.kind)
        if self._recorder is not None:
            self._recorder.rest()
        if self._heard.request is not None:
            self.spans.end(begins=False)
            self._state_saver.begin()
        self._heard.choose(request)
        self._feeds = feeds
        self._chain = self._watch = None
        self._publisher.renew()
        self.studies.follow(())
        self.output.leave()
        self._forget_counts()
        self._try_open()

    def stop(self) -> None:
        """Stop listening and release the source."""
        self._heard.stop()

    def close(self) -> None:
        """Stop for good; the exposure record is written and closed."""
        self.stop()
        self.studies.close()
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
        self.studies.reset()

    def mark(self, kind: str = MARK, at: float = math.nan) -> None:
        """Restart the figures since the mark; the rest goes on. Those of the span that ends are sent.

        ``at`` is when it was set, in seconds since 1970; NaN is now.
        """
        self._gaps.grow(self._clock())
        self.spans.end(begins=True, kind=kind, at=at)
        if self._chain is not None:
            self._chain.mark()
        self.studies.hurry()
        self._state_saver.hurry()

    def configure(self, meter_id: str, settings: Settings) -> None:
        """Change a meter's settings; a refusal becomes the sentence of the feed line."""
        try:
            meter = self._meter_set.find(meter_id)
            meter.configure(settings)
            self.output.check()
            self._leave_meter()
            self.studies.hurry()
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
            self.studies.follow(self._chain.meters, going_on=before.meters)
            self._publisher.follow(self._chain)
            self._state_saver.hurry()

    def _tell_recorder(self, meter: GuardedMeter) -> None:
        if self._recorder is not None and meter is self._recorded:
            self._recorder.configure(meter.id, meter.settings)

    def step(self) -> bool:
        """Do what there is to do; True if sound was measured, False if there was none."""
        self._look_for_sleep(self._clock())
        worked = self._take_sound()
        now = self._clock()
        if self._gaps.compare(self._heard.source, now, idle=self._state == "idle") and self._chain is not None:
            self._chain.blame_for_loss()
        self._judge()
        self._gaps.tend(now, self._state)
        self.spans.watch(self._state)
        self._sentence.follow(self._heard.remark(self._state), now)
        self._states.follow(self._state, self._heard.name, self._sentence.words)
        if worked or now - self._last_publish >= IDLE_PUBLISH_SECONDS:
            self._last_publish = now
            kind = self._heard.info.kind if self._heard.info is not None else ""
            self._publisher.publish(self._chain, self.status(), kind, self._state)
        if self._chain is not None:
            if not self._publisher.held:
                self.studies.attend(now)
            busy = self.waiting_seconds >= 1.0 / TICKS_PER_SECOND
            heard_to = self._heard.heard_to(now, self._state)
            self._state_saver.attend(self._chain, self._gaps.counts, now, self._state, busy=busy, heard_to=heard_to)
        return worked

    def status(self) -> FeedStatus:
        """The feed line as it stands."""
        return feed_status(
            self._heard.request,
            self._heard.info,
            self._heard.source,
            state="held" if self._publisher.held and self._state == "running" else self._state,
            sentence=self._sentence.words,
            counts=self._gaps.counts,
            invalid_samples=self._heard.invalid_samples,
            quarantined=self._publisher.faults or {},
        )

    def _forget_counts(self) -> None:
        self._gaps.forget()
        self._heard.forget()

    def _try_open(self) -> None:
        now = self._clock()
        self.on_opening(True)
        try:
            info = self._heard.open(self._use_chain_for)
        except (SourceError, ValueError) as error:
            self._open_failed(str(error), now)
            return
        finally:
            self.on_opening(False)
        if self._watch is None:
            self._watch = SourceWatch(info.latency_seconds, idle_is_normal=info.idle_is_normal)
        self._watch.opened(now)
        self._gaps.hear(self._heard.source, self._heard.waiting_frames, self._clock())
        self._state = "starting"
        self._sentence.say(" ".join(words for words in (self._unmapped, info.note) if words))

    def _open_failed(self, sentence: str, now: float) -> None:
        self._sentence.say(sentence)
        if self._watch is None and self._heard.comes_back:
            self._watch = SourceWatch(0.0)
        if self._chain is None:
            self._output.send(SourceOpened(self._heard.name))
        if self._watch is not None:
            self._watch.open_failed(now)
        self._state = "failed" if self._watch is None else "waiting"

    def _use_chain_for(self, info: SourceInfo) -> None:
        """Keep the chain over a gap of the same source; make a new one when rate or channels differ."""
        assert self._heard.request is not None
        same = self._heard.format == (info.rate_hz, info.channels)
        if self._chain is not None and not same:
            self._end_segment()
        self._gaps.follow(info)
        self.output.follow(info)
        if self._chain is not None and same:
            self._go_on_with(info)
            return
        self._fitting, unmapped = fitting_feeds(self._feeds, info.channel_names, info.channels)
        self._heard.info = info
        self._heard.forget()
        if self._meter_set.follow(self._fitting):
            self.output.include()
        self._chain = self._make_chain()
        self._unmapped = " ".join(words for words in (unmapped, self._chain.assumed(info.name, NAME_FEEDS)) if words)
        self.spans.follow(self._fitting, info.rate_hz, info.channels)
        self._carry_on(self._chain, source_words(self._heard.request, info, self._fitting))
        self.studies.follow(self._chain.meters)
        self._publisher.follow(self._chain)
        self.day.begin(self._chain, info, self._fitting)

    def _go_on_with(self, info: SourceInfo) -> None:
        """The same format again: what was measured goes on, on another output, too."""
        old = self._heard.info
        assert self._heard.request is not None
        if self._chain is not None and old is not None and old.identity != info.identity:
            self._state_saver.follow(source_words(self._heard.request, info, self._fitting))
            self.day.begin(self._chain, info, self._fitting, going_on=True)

    def _end_segment(self) -> None:
        """The source comes in another format: nothing that was measured so far goes on."""
        self._publisher.settle(self._chain, self.status())
        self.spans.end(begins=False)
        self._state_saver.begin()
        self._publisher.renew()
        self.output.leave()
        self._gaps.restart()

    def _make_chain(self, going_on: Sequence[GuardedMeter] = ()) -> Chain:
        """The chain of all meters for the source that is open."""
        info = self._heard.info
        assert info is not None
        shape = (info.rate_hz, info.channels, self._fitting, info.channel_names)
        return Chain(self.meters, *shape, self._leave_meter, info.roles, going_on)

    def _carry_on(self, chain: Chain, source: str) -> None:
        """Restore the state of the engine before this one, if there is one."""
        now = self._clock()
        kept = self._state_saver.restore_state(chain, source, now)
        if kept is not None:
            self._gaps.go_on(*kept, now)
        self._output.send(StateRestored(self._state_saver.sentence))

    def _take_sound(self) -> bool:
        ring, info, source = self._heard.ring, self._heard.info, self._heard.source
        if ring is None or info is None or source is None or self._chain is None:
            return False
        tick = max(1, info.rate_hz // TICKS_PER_SECOND)
        gap = ring.gap()
        if gap:
            self._gaps.drop(gap, (now := self._clock()) - self.waiting_seconds, now)
            self._chain.blame_for_loss()
        available = ring.available
        self._gaps.hear(source, available, self._clock())
        if available > BEHIND_SECONDS * info.rate_hz:
            self._chain.blame_for_loss()
        whole = available if source.ended() else available // tick * tick
        block = ring.read(min(whole, MOST_TICKS_AT_ONCE * tick))
        if len(block):
            self._measure(block)
        return bool(gap or len(block))

    def _measure(self, block: Any) -> None:
        assert self._chain is not None
        self._heard.look_at(block)
        for part, plays in self.spans.parts(block):
            self._gaps.frames += len(part)
            for piece in self._heard.pieces(part):
                self._chain.take(piece)
            self.spans.turn(plays)

    def _skip(self, frames: int) -> None:
        if self._chain is not None:
            self._chain.skip(frames)

    def _look_for_sleep(self, now: float) -> None:
        """A machine that slept missed what was played meanwhile; its sound devices are opened again."""
        slept = self._sleep.look(now)
        if slept and self._watch is not None and self._heard.comes_back:
            if self._recorder is not None:
                self._recorder.sleep(slept)
            if self._state != "idle":
                self._gaps.sleep(slept, self._heard.heard_to(now, self._state), now)
            self._states.sleep(slept, self._heard.name)
            self.stop()
            self._watch.woke(now)

    def _judge(self) -> None:
        heard, watch = self._heard, self._watch
        if watch is None:
            return
        if heard.is_over:
            self._state = heard.arriving if heard.waiting_frames else "ended"
            return
        now = self._clock()
        verdict = watch.judge(now, last_sound(heard.source), faulty=heard.source is not None and heard.source.ended())
        if verdict.state == "lost" and heard.source is not None:
            self._sentence.say(state_sentence("lost", heard.name, heard.fault))
            self._gaps.open(heard.heard_to(now, self._state), now)
            self.stop()
        self._state = heard.arriving if verdict.state == "running" else verdict.state
        if verdict.reopen:
            self._reopen(now)

    def _reopen(self, now: float) -> None:
        """Try again; what was missed is a gap up to the first frame that comes then."""
        before = self._heard.format
        self._try_open()
        if self._heard.source is not None and before not in (None, self._heard.format):
            self._sentence.report(f"{self._heard.name} came back in another format; measuring restarted.", now)

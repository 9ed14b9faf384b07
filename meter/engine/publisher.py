"""Hands readings, the feed status and what changed beside them to the output. [dsp]"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.day_recorder import DayRecorder
from meter.engine.messages import EventsRecorded, FaultsChanged, LayoutChanged, RecorderSentence, ToWindow
from meter.engine.recorder import Recorder
from meter.engine.status import pack_status
from meter.readings import FeedStatus

NO_LAYOUT = 0
"""The generation of a status without readings, as when a source cannot be opened: no layout is announced for it."""


class EngineOutput(Protocol):
    """Where readings and messages go."""

    def publish(self, generation: int, status: FloatArray, values: FloatArray) -> None:
        """The newest readings, replacing the last."""
        ...

    def send(self, message: ToWindow) -> None:
        """A message; must not block."""
        ...


class Publisher:
    """Publishes one chain at a time; ``held`` readings stay as they are while measuring goes on."""

    def __init__(self, output: EngineOutput, recorder: Recorder | None, day: DayRecorder) -> None:
        self._output = output
        self._recorder = recorder
        self._day = day
        self._events_recorded = 0
        self._recorder_sentence = ""
        self._frozen: FloatArray | None = None
        self._held = False
        self._generation = NO_LAYOUT
        self.faults: dict[str, str] | None = None
        """As they were published last, None before that."""

    @property
    def held(self) -> bool:
        """Whether the readings are frozen."""
        return self._held

    def hold(self, held: bool) -> None:
        """Freeze the readings, or release them."""
        self._held = held
        self._frozen = None

    def renew(self) -> None:
        """Another source or a reset: frozen readings are taken again."""
        self._frozen = None

    def follow(self, chain: Chain) -> None:
        """Announce the layout of a new chain."""
        self._generation += 1
        self.faults = self._frozen = None
        self._output.send(LayoutChanged.of(self._generation, chain.layout))

    def publish(self, chain: Chain | None, status: FeedStatus, kind: str, state: str) -> None:
        """Publish the newest readings; ``kind`` and ``state`` are those of the source, for the recorder."""
        self._tell()
        if chain is None:
            self._output.publish(NO_LAYOUT, pack_status(status), np.empty(0))
            return
        values = self._readings(chain, status, kind, state)
        faults = chain.faults
        if faults != self.faults:
            self.faults = faults
            self._output.send(FaultsChanged(dict(faults)))
        self._output.publish(self._generation, pack_status(status), values)

    def settle(self, chain: Chain | None, status: FeedStatus) -> None:
        """The day record gets the readings of all sound so far: a reset, another source or the end follows."""
        if chain is not None:
            self._day.settle(chain.read(), status.frames, status.lost_frames, status.state)

    def _readings(self, chain: Chain, status: FeedStatus, kind: str, state: str) -> FloatArray:
        values = chain.read_live() if state == "running" else chain.read()
        if self._recorder is not None and kind:
            self._recorder.attend(chain.layout, values, kind, state)
        self._day.attend(values, status.frames, status.lost_frames, state)
        if not self._held:
            return values
        if self._frozen is None:
            self._frozen = values.copy()
        return self._frozen

    def _tell(self) -> None:
        """Say what is wrong with the records, and which events of the window are in them."""
        sentences = (self._recorder.sentence if self._recorder is not None else "", self._day.sentence)
        sentence = " ".join(words for words in sentences if words)
        if sentence != self._recorder_sentence:
            self._recorder_sentence = sentence
            self._output.send(RecorderSentence(sentence))
        if self._day.events_taken != self._events_recorded:
            self._events_recorded = self._day.events_taken
            self._output.send(EventsRecorded(self._events_recorded))

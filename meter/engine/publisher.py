"""Hands readings, the feed status and what changed beside them to the output. [dsp]"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.messages import FaultsChanged, LayoutChanged, RecorderSentence, ToWindow
from meter.engine.recorder import Recorder
from meter.engine.status import pack_status
from meter.readings import FeedStatus


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

    def __init__(self, output: EngineOutput, recorder: Recorder | None) -> None:
        self._output = output
        self._recorder = recorder
        self._recorder_sentence = ""
        self._frozen: FloatArray | None = None
        self._held = False
        self._generation = 0
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
        if chain is None:
            self._output.publish(self._generation, pack_status(status), np.empty(0))
            return
        values = self._readings(chain, kind, state)
        faults = chain.faults
        if faults != self.faults:
            self.faults = faults
            self._output.send(FaultsChanged(dict(faults)))
        self._output.publish(self._generation, pack_status(status), values)

    def _readings(self, chain: Chain, kind: str, state: str) -> FloatArray:
        values = chain.read_live() if state == "running" else chain.read()
        self._record(chain, values, kind, state)
        if not self._held:
            return values
        if self._frozen is None:
            self._frozen = values.copy()
        return self._frozen

    def _record(self, chain: Chain, values: FloatArray, kind: str, state: str) -> None:
        """Let the recorder note what was heard and fill in what it knows."""
        if self._recorder is None or not kind:
            return
        self._recorder.attend(chain.layout, values, kind, state)
        if self._recorder.sentence != self._recorder_sentence:
            self._recorder_sentence = self._recorder.sentence
            self._output.send(RecorderSentence(self._recorder_sentence))

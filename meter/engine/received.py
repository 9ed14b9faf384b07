"""What the messages of one engine say, kept on the side that shows it, and put back into frames."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import msgspec

from dsp.core.types import FloatArray
from meter.engine.messages import (
    CountingSuspended,
    FaultsChanged,
    FeedSentence,
    FindingsDropped,
    FindingsMade,
    GuestThreads,
    LayoutChanged,
    MetersLoaded,
    OutputChanged,
    RecorderSentence,
    SourceOpened,
    SpanEnded,
    StateRestored,
    ToWindow,
)
from meter.engine.status import unpack_status
from meter.marks import MarkList
from meter.plugin.host import Plugin, load_object
from meter.plugin.where import interrupted, reason_of
from meter.readings import Frame, Layout

FindingsType = Callable[[str], type | None]
"""The type of the findings called ``meter.study``, None for one that is not known."""

CLOCK_BACK_SECONDS = 3.0
"""Counts that are restored go back by what was not saved, at most about this much."""


class Received:
    """``apply`` takes each message, ``frame`` makes a frame of a snapshot."""

    def __init__(self, findings_type: FindingsType) -> None:
        self._findings_type = findings_type
        self._output = ""
        self._output_changes = 0
        self.marks = MarkList()
        self._last: Frame | None = None
        self.forget()

    def forget(self) -> None:
        """Another engine starts: drop all but the marks and the output that was heard last."""
        self.layouts: dict[int, Layout] = {}
        self._source = ""
        self._device_channels = 0
        self._sentences: dict[type, str] = {}
        self.meters: list[str] = []
        self.foreign: frozenset[str] = frozenset()
        self.threaded: frozenset[str] = frozenset()
        self._further: dict[str, str] = {}
        self.restored = ""
        self._faults: dict[str, str] = {}
        self._findings: Mapping[str, Any] = {}

    def apply(self, message: ToWindow) -> None:
        """Keep what one message says."""
        match message:
            case LayoutChanged():
                self.layouts[message.generation] = message.layout
            case SourceOpened():
                self._source, self._device_channels = message.source, message.device_channels
                if message.output:
                    self._follow(message.output)
            case CountingSuspended() | FeedSentence() | OutputChanged() | RecorderSentence():
                self._sentences[type(message)] = message.sentence
            case MetersLoaded():
                self.meters = list(message.ours)
                self.foreign = frozenset(name for name, ours in message.ours.items() if not ours)
                self._further = message.further
            case StateRestored():
                self.restored = message.sentence
            case FaultsChanged():
                self._faults = message.faults
            case GuestThreads():
                self.threaded = frozenset(message.meters)
            case FindingsMade():
                self._decode(message)
            case FindingsDropped():
                self._findings = {key: found for key, found in self._findings.items() if key in message.but}
            case SpanEnded():
                self._end_span(message)

    def meter(self, index: int) -> str:
        """The meter at this place of the engine's list; empty for none."""
        return self.meters[index] if 0 <= index < len(self.meters) else ""

    def meter_of(self, instance_id: str) -> str:
        """The meter of an instance: the id itself for a first one."""
        return self._further.get(instance_id, instance_id)

    def guests_but(self, left_out: Collection[str]) -> frozenset[str]:
        """Instances of meters by others that run, without those of the meters left out."""
        return frozenset(name for name in self.foreign if self.meter_of(name) not in left_out)

    def sentence(self, note: str = "") -> str:
        """Everything that is to be said now, with a ``note`` of this side at the end."""
        order = (CountingSuspended, FeedSentence, OutputChanged, RecorderSentence)
        found = [self._sentences.get(kind, "") for kind in order]
        return " ".join(words for words in (*found, note) if words)

    def frame(self, generation: int, status: FloatArray, values: FloatArray, note: str = "") -> Frame | None:
        """The readings as a frame, None while their layout is not known here."""
        layout = self.layouts.get(generation, Layout(()))
        if len(values) != layout.total:
            return None
        found = unpack_status(status, self._source, self.sentence(note), self._faults)
        found = replace(
            found,
            output=self._output,
            output_changes=self._output_changes,
            device_channels=self._device_channels or found.channels,
        )
        self._follow_clock(found.elapsed_seconds)
        self._last = Frame(layout, values, found, self._findings, self.marks.marks)
        return self._last

    def _end_span(self, message: SpanEnded) -> None:
        if message.stops:
            self.marks.stop(message.now, message.at, message.figures)
        elif message.begins:
            self.marks.begin(message.now, message.at, message.figures, message.kind)
        else:
            self.marks.restart(message.now, message.at, message.figures)
            self._last = None

    def _follow_clock(self, now: float) -> None:
        """An engine that could not go on with the counts of the last one restarts the audio clock unasked."""
        last = self._last
        if last is not None and now < last.status.elapsed_seconds - CLOCK_BACK_SECONDS:
            self.marks.restart(last.status.elapsed_seconds, time.time(), last.since_mark())

    def _decode(self, message: FindingsMade) -> None:
        meter_id, _, study = message.key.partition(".")
        kind = self._findings_type(f"{self.meter_of(meter_id)}.{study}")
        if kind is None:
            return
        try:
            found: object = msgspec.msgpack.decode(message.encoded, type=kind)
        except BaseException as error:  # a type by others may run code of its own
            if interrupted(error):
                raise
            reason = f"the findings of its study “{study}” cannot be read ({reason_of(error)})"
            fault = f"Meter “{meter_id}”: {reason}."
            self._faults = {**self._faults, meter_id: fault}
            return
        self._findings = {**self._findings, message.key: found}

    def _follow(self, output: str) -> None:
        """Count every change of output, also one that was over before it was shown."""
        if output != self._output:
            self._output_changes += bool(self._output)
            self._output = output


def findings_types(plugins: Callable[[], Sequence[Plugin]]) -> FindingsType:
    """Look up findings by the manifests of ``plugins``, which is called once, when the first type is wanted."""
    known: dict[str, type | None] = {}
    entries: dict[str, tuple[Plugin, str]] = {}

    def find(key: str) -> type | None:
        if not entries:
            entries.update(
                (f"{plugin.id}.{study.key}", (plugin, study.findings))
                for plugin in plugins()
                for study in (plugin.manifest.study if plugin.manifest else ())
            )
        if key not in known:
            known[key] = _load(*entries[key]) if key in entries else None
        return known[key]

    return find


def _load(plugin: Plugin, dotted: str) -> type | None:
    """The type, None where the author's module fails on this side."""
    try:
        found = load_object(plugin, dotted)
    except BaseException as error:
        if interrupted(error):
            raise
        return None
    return found if isinstance(found, type) else None

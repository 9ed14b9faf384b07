"""What an engine has said, kept on the side that shows it: layouts, names, sentences; no snapshot carries those."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dsp.core.types import FloatArray
from meter.engine.status import unpack_status
from meter.readings import Frame, Layout


class EngineWords:
    """Hears the messages of one engine and puts its words back into frames."""

    def __init__(self) -> None:
        self._output = ""
        self._output_changes = 0
        self.forget()

    def forget(self) -> None:
        """Another engine begins: none of the last one's words hold, but for the output it listened to last."""
        self.layouts: dict[int, Layout] = {}
        self._source = ""
        self._sentence = ""
        self._ledger = ""
        self._across = ""
        self._suspended = ""
        self.meters: list[str] = []
        self.foreign: frozenset[str] = frozenset()
        self.state_saver = ""
        self._faults: dict[str, str] = {}

    def hear(self, message: dict[str, Any]) -> None:
        """Keep what one message says."""
        match message["say"]:
            case "layout":
                self.layouts[message["generation"]] = Layout.from_plain(message["slots"])
            case "source":
                self._source = message["source"]
                self._follow(message.get("output", ""))
            case "suspended":
                self._suspended = message["sentence"]
            case "across":
                self._across = message["sentence"]
            case "sentence":
                self._sentence = message["sentence"]
            case "ledger":
                self._ledger = message["sentence"]
            case "meters":
                self.meters = list(message["ours"])
                self.foreign = frozenset(name for name, ours in message["ours"].items() if not ours)
            case "handover":
                self.state_saver = message["sentence"]
            case "faults":
                self._faults = message["faults"]

    def sentence(self, note: str = "") -> str:
        """Everything that is to be said now, with a ``note`` of this side at the end."""
        return " ".join(
            words for words in (self._suspended, self._sentence, self._across, self._ledger, note) if words
        )

    def frame(self, generation: int, status: FloatArray, values: FloatArray, note: str = "") -> Frame | None:
        """The readings as a frame, None while their layout is not known here."""
        layout = self.layouts.get(generation, Layout(()))
        if len(values) != layout.total:
            return None
        found = unpack_status(status, self._source, self.sentence(note), self._faults)
        found = replace(found, output=self._output, output_changes=self._output_changes)
        return Frame(layout, values, found)

    def _follow(self, output: str) -> None:
        """Count every change, also one that was over before anybody looked."""
        if output != self._output:
            self._output_changes += bool(self._output)
            self._output = output

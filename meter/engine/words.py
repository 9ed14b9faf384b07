"""What an engine has said, kept on the side that shows it: layouts, names, sentences; no snapshot carries those."""

from __future__ import annotations

from typing import Any

from dsp.types import FloatArray
from meter.engine.status import unpack_status
from meter.readings import Frame, Layout


class EngineWords:
    """Hears the messages of one engine and puts its words back into frames."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Another engine begins: none of the last one's words hold."""
        self.layouts: dict[int, Layout] = {}
        self._source = ""
        self._sentence = ""
        self._ledger = ""
        self.meters: list[str] = []
        self.handover = ""
        self._faults: dict[str, str] = {}

    def hear(self, message: dict[str, Any]) -> None:
        """Keep what one message says."""
        match message["say"]:
            case "layout":
                self.layouts[message["generation"]] = Layout.from_plain(message["slots"])
            case "source":
                self._source = message["source"]
            case "sentence":
                self._sentence = message["sentence"]
            case "ledger":
                self._ledger = message["sentence"]
            case "meters":
                self.meters = message["ids"]
            case "handover":
                self.handover = message["sentence"]
            case "faults":
                self._faults = message["faults"]

    def sentence(self, note: str = "") -> str:
        """Everything that is to be said now, with a ``note`` of this side at the end."""
        return " ".join(words for words in (self._sentence, self._ledger, note) if words)

    def frame(self, generation: int, status: FloatArray, values: FloatArray, note: str = "") -> Frame | None:
        """The readings as a frame, None while their layout is not known here."""
        layout = self.layouts.get(generation, Layout(()))
        if len(values) != layout.total:
            return None
        return Frame(layout, values, unpack_status(status, self._source, self.sentence(note), self._faults))

"""The face of a meter that brings none: its readings as a plain table. Also the card of a meter that is missing."""

from __future__ import annotations

import math
from typing import ClassVar

import numpy as np
from PySide6.QtCore import QRect, QSize

from meter.figures import MINUS, NOT_YET, figure
from meter.gui.kit.label import RIGHT, Label, line_height
from meter.gui.kit.theme import SUBTITLE_PX
from meter.plugin.face import Face
from meter.readings import Frame, Layout, Slot

ROW_GAP_PX = 4
NAME_SHARE = 0.62
MOST_ROWS = 12
MOST_VALUES = 4
MOST_WRITTEN = 1e9
WHOLE_FROM = 1000.0
"""From here on a value is written whole, with thousands apart: a stranger may report rates and counts."""


class PlainFace(Face):
    """A table of labels and values, as many rows as there is room for. Made by ``plain_face``."""

    least: ClassVar[QSize] = QSize(200, 110)
    summary: ClassVar[str] = ""

    def __init__(self) -> None:
        super().__init__()
        self._slots: list[Slot] = []
        self._seen: Layout | None = None
        for row in range(MOST_ROWS):
            self.labels[f"name {row}"] = Label(SUBTITLE_PX, role="soft")
            self.labels[f"value {row}"] = Label(SUBTITLE_PX, align=RIGHT)
        self.setToolTip(self.summary)

    def arrange(self, inside: QRect) -> None:
        """Rows from the top down; the rest is hidden."""
        high = line_height(SUBTITLE_PX)
        room = (inside.height() + ROW_GAP_PX) // (high + ROW_GAP_PX)
        split = int(inside.width() * NAME_SHARE)
        for row in range(MOST_ROWS):
            name, value = self.labels[f"name {row}"], self.labels[f"value {row}"]
            if row >= min(room, len(self._slots)):
                name.hide()
                value.hide()
                continue
            top = inside.top() + row * (high + ROW_GAP_PX)
            name.place(QRect(inside.left(), top, split - 8, high))
            value.place(QRect(inside.left() + split, top, inside.width() - split, high))

    def take(self, frame: Frame) -> None:
        """Find this meter's slots again when the chain changed; the numbers themselves are words here."""
        if frame.layout is self._seen:
            return
        self._seen = frame.layout
        prefix = f"{self.meter_id}."
        self._slots = [slot for slot in frame.layout.slots if slot.key.startswith(prefix)]
        for row, slot in enumerate(self._slots[:MOST_ROWS]):
            self.labels[f"name {row}"].say(slot.label or slot.key.removeprefix(prefix).replace("_", " "))
        self.rearrange()

    def take_words(self, frame: Frame) -> None:
        """Write the values."""
        for row, slot in enumerate(self._slots[:MOST_ROWS]):
            self.say(f"value {row}", _value_words(slot, frame))

    def value_text(self) -> str:
        """Every row as ``label value``."""
        rows = [
            f"{self.labels[f'name {row}'].text} {self.labels[f'value {row}'].text}"
            for row in range(min(MOST_ROWS, len(self._slots)))
        ]
        return ", ".join(rows)


def _value_words(slot: Slot, frame: Frame) -> str:
    values = frame.vector(slot.key)
    if slot.size == 1:
        text = _number(float(values[0]))
        return text if text == NOT_YET else f"{text} {slot.unit}".rstrip()
    if slot.size > MOST_VALUES:
        known = int(np.count_nonzero(np.isfinite(values)))
        return f"{known} of {slot.size} values"
    words = "  ".join(_number(float(value)) for value in values)
    return f"{words} {slot.unit}".rstrip()


def _number(value: float) -> str:
    if math.isfinite(value) and abs(value) >= WHOLE_FROM:
        text = f"{value:,.0f}" if abs(value) < MOST_WRITTEN else f"{value:.3g}"
        return text.replace("-", MINUS)
    return figure(value)


def plain_face(meter_id: str, title: str, summary: str = "") -> PlainFace:
    """A table for one meter."""
    made = type("PlainFace", (PlainFace,), {"meter_id": meter_id, "title": title, "summary": summary})
    face: PlainFace = made()
    return face


def missing_face(meter_id: str, title: str, sentence: str) -> PlainFace:
    """A card that says in one sentence why there are no readings here."""
    face = plain_face(meter_id, title)
    face.show_fault(sentence)
    return face

"""Every reading as text, to read aloud, copy or paste; taken at one moment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime

from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QDialog, QHBoxLayout, QPlainTextEdit, QVBoxLayout, QWidget

from meter.figures import figure
from meter.gui.kit.widgets import KeyButton
from meter.gui.source.feed_words import detail_words
from meter.instances import feed_title
from meter.readings import PAIR_PREFIX, Frame, Slot

SIZE_PX = (680, 620)
MOST_VALUES = 64
"""A longer reading is drawn; as text it is told by its number of values and its ends."""
DECIMALS = {"s": 1, "min": 0, "h": 1, "ms": 1, "%": 1, "Hz": 1, "frames": 0}
"""Those of units that are not written to two decimals."""
NO_FRAME = "Nothing is measured yet."


class ReadingsText(QDialog):
    """A small window with the readings in words. ``names`` are the meters' names by id."""

    def __init__(self, parent: QWidget, names: Mapping[str, str]) -> None:
        super().__init__(parent)
        self._names = names
        self.setWindowTitle("readings as text")
        self.resize(*SIZE_PX)
        self.text = QPlainTextEdit()
        self.text.setReadOnly(True)
        self.text.setAccessibleName("readings")
        self.copy = KeyButton("copy", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        feet = QHBoxLayout()
        feet.addStretch(1)
        feet.addWidget(self.copy)
        feet.addWidget(self.leave)
        column = QVBoxLayout(self)
        column.addWidget(self.text)
        column.addLayout(feet)
        self.copy.clicked.connect(lambda: QGuiApplication.clipboard().setText(self.text.toPlainText()))
        self.leave.clicked.connect(self.close)

    def show_frame(self, frame: Frame | None, source: str, page: str) -> None:
        """Show every reading of a snapshot; ``page`` is what the faces of the page say."""
        self.text.setPlainText(readings_words(frame, source, datetime.now().astimezone(), page, self._names))
        self.show()
        self.raise_()
        self.text.setFocus()


def readings_words(frame: Frame | None, source: str, at: datetime, page: str, names: Mapping[str, str]) -> str:
    """All readings of a snapshot: source and time, what the faces of the page say, then every meter's every field.

    ``names`` are the meters' names by id. A reading without a value says why.
    """
    head = [f"source: {source or 'none'}", f"time: {at:%Y-%m-%d %H:%M:%S}"]
    if frame is None:
        return "\n".join([*head, NO_FRAME])
    status = frame.status
    head.append(f"state: {', '.join(filter(None, [*detail_words(status), status.sentence]))}")
    lines = [*head, "", page]
    meter = ""
    for slot in frame.layout.slots:
        meter_id = slot.key.partition(".")[0]
        if meter_id != meter:
            meter = meter_id
            fault = status.quarantined.get(meter_id, "")
            name = _meter_name(meter_id, frame, names)
            lines += ["", f"{name}{f' (set aside: {fault})' if fault else ''}"]
        lines.append(f"  {_label(slot)}: {_value_words(slot, frame)}")
    return "\n".join(lines)


def _meter_name(meter_id: str, frame: Frame, names: Mapping[str, str]) -> str:
    """A meter's name, with the stage where it stands for each pair."""
    feed = frame.layout.feed_of(meter_id)
    if not feed.startswith(PAIR_PREFIX):
        return names.get(meter_id, meter_id)
    meter = next(each.meter for each in frame.layout.instances if each.id == meter_id)
    return f"{names.get(meter, meter)}: {feed_title(feed)}"


def _label(slot: Slot) -> str:
    return slot.label or slot.key.partition(".")[2].replace("_", " ")


def _value_words(slot: Slot, frame: Frame) -> str:
    values = frame.vector(slot.key).tolist()
    numbers = [value for value in values if math.isfinite(value)]
    if not numbers:
        return slot.why_not(values[0]) if values else "no value"
    if len(values) > MOST_VALUES:
        ends = f"{figure(min(numbers))} to {figure(max(numbers))}"
        return f"{len(values):,} values, {ends} {slot.unit}".rstrip()
    unit, decimals = ("", 0) if slot.unit == "count" else (slot.unit, DECIMALS.get(slot.unit, 2))
    return f"{', '.join(_number(value, decimals) for value in values)} {unit}".rstrip()


def _number(value: float, decimals: int) -> str:
    return f"{value:,.0f}" if math.isfinite(value) and abs(value) >= 1000.0 else figure(value, decimals)

"""“I turned it to …”: where the monitor control stands and what is listened on, told with a key and a number."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QDialog, QHBoxLayout, QMenu, QVBoxLayout, QWidget

from meter.calibration.monitor_control import TURN_DOUBT_DB, setting_words, typed_change, typed_name
from meter.gui.calibration.widgets import field, form, say
from meter.gui.kit.theme import TEXT_PX
from meter.gui.kit.widgets import KeyButton, Paragraph
from meter.settings import HEARD_ON

MOST_NUMBERED = 9
ANOTHER = "another setting…"
ELSEWHERE = "I do not know: stop the estimate"
SIZE_PX = (480, 260)


class TurnMenu(QMenu):
    """Filled afresh each time; emits what was said."""

    turned = Signal(str)
    listens = Signal(str)
    another_asked = Signal()
    lost = Signal()

    def fill(self, names: tuple[str, ...], setting: str, heard_on: str, *, sure: bool) -> None:
        """Offer these settings; where it is ``sure`` where the control stands, that one is marked."""
        self.clear()
        self.addSection("monitor knob at")
        group = QActionGroup(self)
        for number, name in enumerate(names, 1):
            key = f"&{number}  " if number <= MOST_NUMBERED else ""
            self._add(
                group,
                f"{key}{plain(setting_words(name))}",
                lambda name=name: self.turned.emit(name),
                on=name == setting and sure,
            )
        self._add(None, ANOTHER, self.another_asked.emit)
        self.addSection("listening on")
        group = QActionGroup(self)
        for way in HEARD_ON:
            self._add(group, way, lambda way=way: self.listens.emit(way), on=way == heard_on)
        self.addSeparator()
        self._add(None, ELSEWHERE, self.lost.emit)

    def _add(self, group: QActionGroup | None, words: str, call: object, *, on: bool | None = None) -> None:
        action = QAction(words, self)
        if group is not None:
            group.addAction(action)
            action.setCheckable(True)
            action.setChecked(bool(on))
        action.triggered.connect(lambda _=False: call() if callable(call) else None)
        self.addAction(action)


class AnotherSetting(QDialog):
    """A name for a place of the control, and how far it is from full."""

    named = Signal(str, float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("another position of the monitor knob")
        self.setFixedSize(*SIZE_PX)
        self.name, self.change = (
            field("name of the setting", "for example late"),
            field("dB from the mix position", "for example −14"),
        )
        self.outcome = Paragraph(size_px=TEXT_PX)
        self.leave, self.keep = KeyButton("close", outlined=True), KeyButton("I moved it there", outlined=True)
        rows = form()
        rows.addRow("name", self.name)
        rows.addRow("dB from my mix position", self.change)
        feet = QHBoxLayout()
        feet.addStretch(1)
        for button in (self.leave, self.keep):
            feet.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(24, 18, 24, 18)
        column.setSpacing(12)
        column.addWidget(
            Paragraph(
                f"A typed change widens the doubt by {TURN_DOUBT_DB:.0f} dB; a calibration at that setting does not.",
                "soft",
                TEXT_PX,
            )
        )
        column.addLayout(rows)
        column.addWidget(self.outcome)
        column.addStretch(1)
        column.addLayout(feet)
        for line in (self.name, self.change):
            line.textChanged.connect(self._refresh)
            line.returnPressed.connect(self._keep)
        self.keep.clicked.connect(self._keep)
        self.leave.clicked.connect(self.close)
        self._refresh()

    def bring_up(self) -> None:
        """Open with nothing typed."""
        self.name.clear()
        self.change.clear()
        self.show()
        self.raise_()
        self.name.setFocus()

    def _refresh(self) -> None:
        sentence = self._objection()
        typed = self.name.text() and self.change.text()
        say(self.outcome, sentence if typed else "")
        self.keep.setEnabled(not sentence)

    def _objection(self) -> str:
        try:
            typed_name(self.name.text())
            typed_change(self.change.text())
        except ValueError as error:
            return str(error)
        return ""

    def _keep(self) -> None:
        if self._objection():
            return
        self.close()
        self.named.emit(typed_name(self.name.text()), typed_change(self.change.text()))


def plain(words: str) -> str:
    """A name with an ampersand must not become a shortcut."""
    return words.replace("&", "&&")

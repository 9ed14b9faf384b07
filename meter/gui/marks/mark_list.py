"""The list of marks: every span with its figures, overs and clipped runs where they were, and two spans compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import (
    QAbstractItemView,
    QDialog,
    QHBoxLayout,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from meter.gui.kit.theme import SUBTITLE_PX, current_theme, font, mixed
from meter.gui.kit.widgets import KeyButton, Paragraph
from meter.gui.marks.span_squeezes import SpanSqueezes
from meter.gui.marks.span_words import (
    Incident,
    SpanFigure,
    differences,
    figures_of,
    length,
    lost_words,
    time_of_day,
)
from meter.marks import Mark
from meter.readings import Frame, Layout
from meter.stage.span_receipt import same_bars, span_receipt
from meter.stage.words import receipt_sentence

SIZE_PX = (1160, 440)
COLUMNS = ("time", "name", "length")
NAME_COLUMN = 1
LONG_NAME = 10
ASK_TWO = "Click two spans to compare them. Double-click a name to change it; two letters stand for a name: ve verse."

OTHER_BARS = "No receipt: the two spectra have too little in common; play the same bars in both."


@dataclass(frozen=True)
class Row:
    """A span (``mark`` is its index) or an incident, in the order of time."""

    at: float
    cells: tuple[str, ...]
    mark: int = -1


def _heading(figure: SpanFigure) -> str:
    """Name and unit on two lines."""
    first, _, rest = figure.name.rpartition(" ") if len(figure.name) > LONG_NAME else (figure.name, "", "")
    return f"{first}\n{f'{rest} {figure.unit}'.strip()}".rstrip()


class MarkList(QDialog):
    """``named`` carries the index of a mark and its name, ``cleared`` that the list is to be emptied."""

    named = Signal(int, str)
    cleared = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("marks")
        self.resize(*SIZE_PX)
        self.table = QTableWidget(0, len(COLUMNS))
        self.compared = Paragraph(ASK_TWO, "soft")
        self.empty = KeyButton("clear the list", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        self.squeezes = SpanSqueezes()
        self._layout: Layout | None = None
        self._known: tuple[SpanFigure, ...] = ()
        self._rows: list[Row] = []
        self._figures: list[dict[str, float]] = []
        self._chosen: list[float] = []
        self._arrange()
        self.table.cellClicked.connect(self._click)
        self.table.itemChanged.connect(self._renamed)
        self.empty.clicked.connect(self.cleared)
        self.leave.clicked.connect(self.close)

    def _arrange(self) -> None:
        table = self.table
        table.setFont(font(SUBTITLE_PX))
        table.horizontalHeader().setFont(font(SUBTITLE_PX))
        table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        table.verticalHeader().hide()
        table.setShowGrid(False)
        table.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        table.setEditTriggers(QAbstractItemView.EditTrigger.DoubleClicked)
        table.setAccessibleName("marks")
        feet = QHBoxLayout()
        feet.addWidget(self.compared, 1)
        feet.addWidget(self.empty)
        feet.addWidget(self.leave)
        column = QVBoxLayout(self)
        column.addWidget(table, 1)
        column.addLayout(feet)

    def bring_up(self) -> None:
        """Show the list."""
        self.show()
        self.raise_()

    def show_frame(self, frame: Frame, found: Sequence[Incident], wall: float) -> None:
        """Show the spans of a snapshot and these overs and clipped runs; ``wall`` is the time of day."""
        self._layout = frame.layout
        self._head(figures_of(frame.layout))
        now = frame.status.elapsed_seconds
        running = frame.since_mark()
        self._figures = [running if mark.running else dict(mark.figures) for mark in frame.marks]
        rows = [
            Row(
                mark.at,
                (time_of_day(mark.at, wall), mark.name, *self._texts(number, mark.seconds(now))),
                number,
            )
            for number, mark in enumerate(frame.marks)
        ]
        rows += [Row(each.at, (time_of_day(each.at, wall), each.what, f"at {length(each.place)}")) for each in found]
        rows.sort(key=lambda row: row.at)
        if rows != self._rows:
            self._fill(rows)
        self._compare(frame.marks)

    def _head(self, known: tuple[SpanFigure, ...]) -> None:
        """A column for each figure that the meters have; those of before stay while no source is open."""
        if known and known != self._known:
            self._known, self._rows = known, []
            self.table.setColumnCount(len(COLUMNS) + len(known))
            self.table.setHorizontalHeaderLabels([*COLUMNS, *map(_heading, known)])

    def _texts(self, number: int, seconds: float) -> list[str]:
        """The length of a span with what is missing of it, and its figures."""
        figures = self._figures[number]
        whole = ", ".join(filter(None, (length(seconds), lost_words(figures, seconds))))
        return [whole, *(each.text(figures) for each in self._known)]

    def _fill(self, rows: list[Row]) -> None:
        if self.table.state() == QAbstractItemView.State.EditingState:
            return
        self._rows = rows
        self.table.blockSignals(True)
        self.table.setRowCount(len(rows))
        for place, row in enumerate(rows):
            cells = [*row.cells, *[""] * (self.table.columnCount() - len(row.cells))]
            for column, text in enumerate(cells):
                self._put(place, column, text, row)
        self.table.blockSignals(False)
        self._colour()

    def _put(self, place: int, column: int, text: str, row: Row) -> None:
        item = self.table.item(place, column)
        if item is None:
            item = QTableWidgetItem()
            self.table.setItem(place, column, item)
        if item.text() != text:
            item.setText(text)
        editable = row.mark >= 0 and column == NAME_COLUMN
        flags = Qt.ItemFlag.ItemIsEnabled
        item.setFlags(flags | Qt.ItemFlag.ItemIsEditable if editable else flags)

    def _colour(self) -> None:
        """Incidents in the colour of what is broken; the chosen spans on a lighter ground."""
        theme = current_theme()
        chosen, plain = mixed(theme.ink, theme.card, 0.75), QColor(Qt.GlobalColor.transparent)
        palette = self.table.palette()
        if palette.color(QPalette.ColorRole.Base) != theme.card:
            palette.setColor(QPalette.ColorRole.Base, theme.card)
            self.table.setPalette(palette)
        self.table.blockSignals(True)
        for place, row in enumerate(self._rows):
            ground = chosen if row.mark >= 0 and row.at in self._chosen else plain
            for column in range(self.table.columnCount()):
                if (item := self.table.item(place, column)) is not None:
                    item.setForeground(theme.ink if row.mark >= 0 else theme.broken_ink)
                    item.setBackground(ground)
        self.table.blockSignals(False)

    def _click(self, place: int, _column: int) -> None:
        """Choose a span, or the other one of two; a third click restarts the choice."""
        row = self._rows[place]
        if row.mark < 0:
            return
        if row.at in self._chosen:
            self._chosen.remove(row.at)
        else:
            self._chosen = [*self._chosen, row.at] if len(self._chosen) < 2 else [row.at]
        self._colour()
        self._say_compared()

    def _compare(self, marks: Sequence[Mark]) -> None:
        here = {mark.at for mark in marks}
        self._chosen = [at for at in self._chosen if at in here]
        self._say_compared()

    def _say_compared(self) -> None:
        chosen = [next(row for row in self._rows if row.mark >= 0 and row.at == at) for at in sorted(self._chosen)]
        if len(chosen) < 2:
            self._tell(ASK_TWO, "soft")
            return
        first, second = chosen
        found = differences(self._known, self._figures[first.mark], self._figures[second.mark])
        said = ", ".join(found) or "they have no figure in common"
        told = [f"{second.cells[NAME_COLUMN]} less {first.cells[NAME_COLUMN]}: {said}"]
        if receipt := self._receipt(first, second):
            told.append(receipt)
        self._tell("\n".join(told), "ink")

    def _receipt(self, first: Row, second: Row) -> str:
        """What the second span bought and paid against the first; empty where a spectrum is missing."""
        before, after = (self._of_the_mix(self._figures[row.mark]) for row in (first, second))
        found = span_receipt(before, after)
        if not (math.isfinite(found.low_share_before_percent) and math.isfinite(found.low_share_after_percent)):
            return ""
        if not same_bars(before, after):
            return OTHER_BARS
        harder = ", ".join(self.squeezes.changes(first.at, second.at))
        return " ".join(filter(None, (receipt_sentence(found), harder and f"Squeeze: {harder}.")))

    def _of_the_mix(self, figures: dict[str, float]) -> dict[str, float]:
        """Figures of first instances by the names of their fields."""
        layout = self._layout
        own = (key for key in figures if layout is not None and not layout.further_feed(key))
        return {key.partition(".")[2]: figures[key] for key in own}

    def _tell(self, words: str, role: str) -> None:
        if words != self.compared.text():
            self.compared.tint(role)
            self.compared.setText(words)

    def _renamed(self, item: QTableWidgetItem) -> None:
        row = self._rows[item.row()]
        if item.column() == NAME_COLUMN and row.mark >= 0 and item.text() != row.cells[NAME_COLUMN]:
            self.named.emit(row.mark, item.text())
            self._rows = []

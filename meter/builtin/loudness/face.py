"""Loudness: short-term and integrated as large figures, the other readings in rows, five minutes of history.

The history has a scale, the marks, and a target line: a value of one's own or one of the published targets below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySide6.QtCore import QRect, QSize
from PySide6.QtGui import QPainter, QRegion
from PySide6.QtWidgets import QInputDialog

from meter import figures as words
from meter.builtin.loudness.face_history import LEAST_PX, History
from meter.gui.kit.dialog_style import dress
from meter.gui.kit.label import RIGHT, Label, figure_room, line_height, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, px
from meter.plugin.face import Choice, Face
from meter.readings import Frame

WIDEST = f"{words.MINUS}88.8"
MOST_PX = 150
LEAST_FIGURE_PX = 26
SIDE_BY_SIDE_PX = 190
"""From this width on the two figures stand side by side."""
TWO_COLUMNS_PX = 380
GAP_PX = 20
HISTORY_PX = 60
"""Rows give way so that the history has at least so much."""
TENTH = 0.1
RANGE_SETTLES_SECONDS = 60.0
"""EBU Tech 3341 (2016): a live meter signals that the range is not stable in the first minute."""
RANGE_NOT_SETTLED = "range, still settling"
NO_TARGET = 0.0
TARGETS = (
    (-23.0, "EBU R 128 (2023)"),
    (-18.0, "speech, AES TD1008 (2021)"),
    (-16.0, "music by track, AES TD1008 (2021)"),
    (-14.0, "loudest track of an album, AES TD1008 (2021)"),
)
"""EBU R 128 v5, item h; AES TD1008 as three trade articles quote it."""


@dataclass(frozen=True)
class Row:
    """One reading below the figures: long and short label, unit, and the step that its span supports."""

    name: str
    words: str
    short: str
    unit: str
    step: float = TENTH
    key: str = ""


FIGURES = (
    Row("short_term", "short-term, 3 s", "short-term", "LUFS"),
    Row("integrated", "integrated, since R", "integrated", "LUFS"),
)
ROWS = (
    Row("range", "range", "range", "LU"),
    Row("momentary", "momentary, 0.4 s", "momentary", "LUFS", 0.5),
    Row("to_loudness", "peak to loudness", "PLR", "LU", key="peaks.to_loudness"),
    Row("short_to_loudness", "peak to loudness, 3 s", "PLR, 3 s", "LU", key="peaks.short_to_loudness"),
    Row("short_term_max", "max short-term", "max 3 s", "LUFS"),
    Row("momentary_max", "max momentary", "max 0.4 s", "LUFS"),
)
"""The most wanted first."""
OF_NOW = ("short_term", "momentary", "short_to_loudness")
"""Dim while no sound comes; what is since R stands."""


class LoudnessFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(540, 340)
    settled = ("incomplete",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "short_term": Label(MOST_PX, bold=True, sample=WIDEST, least_px=LEAST_FIGURE_PX),
            "integrated": Label(MOST_PX, bold=True, sample=WIDEST, least_px=LEAST_FIGURE_PX),
            "short_term_words": Label(TEXT_PX, role="soft"),
            "integrated_words": Label(TEXT_PX, role="soft"),
            "ago": Label(MARK_PX, role="faint"),
            "incomplete": Label(MARK_PX, role="broken_ink", align=RIGHT),
        }
        for row in ROWS:
            self.labels[f"{row.name}_words"] = Label(TEXT_PX, role="soft")
            self.labels[row.name] = Label(TEXT_PX, align=RIGHT)
        self._shown = {row.name: math.nan for row in (*FIGURES, *ROWS)}
        self._brief = False
        self._history = History()
        self._asker: QInputDialog | None = None

    @property
    def subtitle(self) -> str:
        target = self._target
        return "LUFS" if math.isnan(target) else f"LUFS, target {words.figure(target)}"

    @property
    def _target(self) -> float:
        target = self.settings.get("target_lufs", NO_TARGET)
        return float(target) if isinstance(target, float) and target < NO_TARGET else math.nan

    def choices(self) -> tuple[Choice, ...]:
        """Pause and continue integrated loudness and range together (EBU Tech 3341, 2.2); the target line."""
        heading, target = "integrated, range and max", "target line"
        return (
            Choice(heading, "running", "running", True),
            Choice(heading, "paused", "running", False),
            Choice(target, "none", "target_lufs", NO_TARGET),
            *(Choice(target, f"{words.figure(value)}: {name}", "target_lufs", value) for value, name in TARGETS),
            Choice(target, "another level…", run=self._ask_target),
        )

    def _ask_target(self) -> None:
        if self._asker is None:
            self._asker = QInputDialog(self)
            self._asker.setInputMode(QInputDialog.InputMode.DoubleInput)
            self._asker.setWindowTitle("Target line")
            self._asker.setLabelText("target in LUFS")
            self._asker.setDoubleRange(-60.0, -1.0)
            self._asker.setDoubleDecimals(1)
            self._asker.doubleValueSelected.connect(
                lambda value: self.setting_chosen.emit(self.meter_id, {"target_lufs": float(value)})
            )
        self._asker.setDoubleValue(TARGETS[0][0] if math.isnan(self._target) else self._target)
        dress(self._asker)
        self._asker.open()

    # Layout

    def arrange(self, inside: QRect) -> None:
        bottom = self._arrange_figures(inside)
        rest = QRect(inside.left(), bottom, inside.width(), inside.bottom() + 1 - bottom)
        row_high = line_height(TEXT_PX) + px(2)
        columns = 2 if rest.width() >= px(TWO_COLUMNS_PX) else 1
        needed = math.ceil(len(ROWS) / columns)
        least = max(px(HISTORY_PX), LEAST_PX) + px(8)
        lines = max(0, min(needed, (rest.height() - least) // row_high))
        if not lines:
            lines = max(0, min(needed, rest.height() // row_high))
        self._arrange_rows(QRect(rest.left(), rest.top(), rest.width(), lines * row_high), row_high, columns)
        top = rest.top() + lines * row_high + px(6)
        foot = line_height(MARK_PX)
        self._history.target = self._target
        self._history.arrange(QRect(inside.left(), top, inside.width(), inside.bottom() + 1 - top))
        self._arrange_foot(QRect(self._history.plot.left(), inside.bottom() + 1 - foot, inside.width(), foot))

    def _arrange_figures(self, inside: QRect) -> int:
        """The two figures, each under its words; return the bottom edge."""
        beside = inside.width() >= px(SIDE_BY_SIDE_PX)
        width = (inside.width() - px(GAP_PX)) // 2 if beside else inside.width()
        told = line_height(TEXT_PX)
        top = bottom = inside.top()
        for number, row in enumerate(FIGURES):
            left = inside.left() + number * (width + px(GAP_PX)) if beside else inside.left()
            room = inside.bottom() + 1 - top
            fits = room >= told + line_height(LEAST_FIGURE_PX, bold=True)
            self.labels[f"{row.name}_words"].place(QRect(left, top, width, told) if fits else QRect())
            under = top + (told if fits else 0)
            high = min(figure_room(inside.height(), 100), inside.bottom() + 1 - under)
            figure = self.labels[row.name]
            figure.place(QRect(left, under, width, high))
            figure.place(QRect(left, under, width, figure.line_height if figure.line_height <= high else 0))
            bottom = figure.rect.bottom() + 1 if figure.visible else top
            top = top if beside else bottom
        return bottom

    def _arrange_rows(self, place: QRect, row_high: int, columns: int) -> None:
        """Place as many rows as fit, in one or two columns."""
        width = (place.width() - px(GAP_PX) * (columns - 1)) // columns
        lines = place.height() // row_high
        value_width = text_width(f"{WIDEST} LUFS", TEXT_PX)
        self._brief = width < value_width + text_width(ROWS[3].words, TEXT_PX) + 6
        if self._brief:
            value_width = text_width(WIDEST, TEXT_PX) + 2
        for number, row in enumerate(ROWS):
            column, line = number % columns, number // columns
            box = QRect(place.left() + column * (width + px(GAP_PX)), place.top() + line * row_high, width, row_high)
            left = QRect(box.left(), box.top(), width - value_width - 6, row_high)
            right = QRect(box.right() + 1 - value_width, box.top(), value_width, row_high)
            self.labels[f"{row.name}_words"].place(left if line < lines and left.width() >= 40 else QRect())
            self.labels[row.name].place(right if line < lines else QRect())

    def _arrange_foot(self, place: QRect) -> None:
        ago, incomplete = self.labels["ago"], self.labels["incomplete"]
        if self._history.plot.isEmpty():
            ago.hide()
            incomplete.hide()
            return
        ago_width = text_width("last 5 min", MARK_PX)
        ago.place(QRect(place.left(), place.top(), ago_width, place.height()))
        room = self._history.plot.right() + 1 - place.left() - ago_width - 12
        incomplete.place(QRect(place.left() + ago_width + 12, place.top(), room, place.height()))

    # Picture

    def paint_still(self, painter: QPainter) -> None:
        self._history.draw_still(painter, self.theme)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if region.intersects(self._history.place):
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
            self._history.draw(painter, self.theme, self.measured)

    # Words

    def take_words(self, frame: Frame) -> None:
        for row in (*FIGURES, *ROWS):
            value = frame.number(self.key(row.key or row.name))
            self._shown[row.name] = words.settled(value, self._shown[row.name], row.step)
            stands = self.live or row.name not in OF_NOW
            role = "ink" if math.isfinite(value) and stands else "faint"
            large = row in FIGURES
            unit = "" if self._brief or large else row.unit
            self.say(row.name, words.with_unit(self._shown[row.name], unit, plus=row.unit == "LUFS"), role)
            told, short = self._row_words(row, frame)
            self.say(f"{row.name}_words", told, short=short)
        self.say("ago", "last 5 min")
        self.say("incomplete", self._remark(frame))
        history = frame.vector(self.key("history"))
        if self._history.follow(history, frame.marks, frame.status.elapsed_seconds):
            self.update(self._history.place)

    def _row_words(self, row: Row, frame: Frame) -> tuple[str, str]:
        if row in FIGURES:
            waits = math.isnan(self._shown[row.name]) and row.name == "short_term"
            return (words.waiting(self.live), "") if waits else (row.words, row.short)
        settling = frame.number(self.key("measured")) < RANGE_SETTLES_SECONDS
        if row.name == "range" and settling:
            return RANGE_NOT_SETTLED, "range"
        return row.words, row.short

    def _remark(self, frame: Frame) -> str:
        if self.settings.get("running") is False:
            return "integrated, range and max paused"
        return "incomplete: dropouts" if frame.number(self.key("incomplete")) == 1.0 else ""

    def value_text(self) -> str:
        figures = [f"{row.short} {words.with_unit(self._shown[row.name], row.unit)}" for row in FIGURES]
        rows = [f"{row.words} {self.labels[row.name].text}" for row in ROWS[:3]]
        return ", ".join([*figures, *rows])

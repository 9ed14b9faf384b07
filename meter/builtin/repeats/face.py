"""Bypass in a loop: how much louder one state is than the other, and where each turn of the loop was in which state.

Each turn of the loop is a row, the newest at the bottom. Full height is the second or louder state, a low line the
first or quieter one.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QRect, QRectF, QSize
from PySide6.QtGui import QColor, QGuiApplication, QPainter, QRegion

from meter import figures
from meter.builtin.repeats import face_words as told
from meter.builtin.repeats.findings import FOUND, FairRepeats, RepeatFindings
from meter.gui.kit.label import Label, line_height, text_width
from meter.gui.kit.theme import FIGURE_PX, MARK_PX, TEXT_PX, VERDICT_PX, px
from meter.plugin.face import Choice, Face
from meter.readings import Frame

STUDY = "states"
COPY_KEY = "C"
WIDEST = "+88.8"
NOTHING_FOUND = RepeatFindings()
STALE_SECONDS = 10.0
"""From this age on the words say how old the comparison is."""
ROW_PX, MOST_ROW_PX = 9, 28
NOTE_FROM_PX = 96
"""From this height on there is room for what plays now."""
COPIED_SECONDS = 2.5
LEAST_ROWS, MOST_TURNS = 2, 6
BESIDE_PX, LOW_PX = 560, 170
"""From this width on, and below this height, the picture stands beside the words."""
STEP_LU = 0.1
Turns = tuple[tuple[tuple[float, float, bool], ...], ...]


class RepeatsFace(Face):
    """See the module's description."""

    least = QSize(190, 84)
    preferred = QSize(420, 220)
    settled = ("sentence",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(FIGURE_PX + 28, bold=True, sample=WIDEST, least_px=26),
            "unit": Label(TEXT_PX, role="soft"),
            "sentence": Label(VERDICT_PX, lines=4, least_px=TEXT_PX, sample="Not fair: trim −0.9 dB."),
            "why": Label(TEXT_PX, role="soft", lines=6),
            "note": Label(MARK_PX, role="soft", lines=2),
            "legend": Label(MARK_PX, role="faint"),
        }
        self._fair: FairRepeats | None = None
        self._loop_seconds = 0.0
        self._turns: Turns = ()
        self._stale = False
        self._picture = QRect()
        self._rows, self._row_high, self._under_rows = MOST_TURNS, 0, 0
        self._copied, self._copied_at = "", math.nan

    @property
    def subtitle(self) -> str:
        return "same bars in both states, last 2 min"

    @property
    def needs_room(self) -> bool:
        """Small while nothing is compared."""
        return self._fair is not None

    def choices(self) -> tuple[Choice, ...]:
        return (Choice("trim", f"copy the trim\t{COPY_KEY}", run=self.copy_trim),)

    def press(self, key: str) -> bool:
        if key != COPY_KEY or self._fair is None or not told.trim_text(self._fair):
            return False
        self.copy_trim()
        return True

    def copy_trim(self) -> None:
        """Put the trim on the clipboard, as a figure that other programs take."""
        if self._fair is not None and (text := told.trim_text(self._fair)):
            QGuiApplication.clipboard().setText(text)
            self._copied, self._copied_at = text, math.nan

    # Layout

    def arrange(self, inside: QRect) -> None:
        figure, sentence, note = self.labels["figure"], self.labels["sentence"], self.labels["note"]
        self._picture = QRect()
        for label in self.labels.values():
            label.hide()
        if self._fair is None:
            self.labels["why"].place(inside)
            return
        beside = inside.width() >= px(BESIDE_PX) and inside.height() < px(LOW_PX)
        width = inside.width() // 2 - px(16) if beside else inside.width()
        note_high = note.line_height if inside.height() >= px(NOTE_FROM_PX) else 0
        box = QRect(inside.left(), inside.top(), width, inside.height() - note_high)
        if box.height() - line_height(TEXT_PX) >= px(40):
            room = box.height() - line_height(VERDICT_PX) - 2 if beside else round(0.4 * box.height())
            figure.place(QRect(box.left(), box.top(), width, max(px(36), min(room, px(54 if beside else 84)))))
            box.setTop(box.top() + figure.line_height + 2)
        fits = text_width(told.sentence_of(self._fair), VERDICT_PX) <= width
        lines = 1 if fits or box.height() < 2 * line_height(VERDICT_PX) else 2
        sentence.place(QRect(box.left(), box.top(), width, min(lines * line_height(VERDICT_PX) + 2, box.height())))
        box.setTop(sentence.rect.bottom() + px(8))
        self._picture = inside.adjusted(inside.width() // 2, 0, 0, 0) if beside else box
        self._arrange_rows()
        under = inside.bottom() + 1 - note_high if beside or self._picture.isEmpty() else self._under_rows
        note.place(QRect(inside.left(), under, width, note_high) if note_high else QRect())

    def _arrange_rows(self) -> None:
        """A row for each turn, and below them what they are where there is room for that."""
        legend, room = self.labels["legend"], self._picture.height()
        least = LEAST_ROWS * px(ROW_PX)
        legend_high = legend.line_height if room - legend.line_height - px(4) >= MOST_TURNS * px(ROW_PX) else 0
        self._row_high = min(px(MOST_ROW_PX), (room - legend_high) // max(LEAST_ROWS, self._rows))
        self._picture.setHeight(min(room - legend_high, self._row_high * self._rows) if room >= least else 0)
        top = self._picture.bottom() + 1
        legend.place(QRect(self._picture.left(), top, self._picture.width(), legend_high) if legend_high else QRect())
        self._under_rows = top + legend_high + px(4)

    # Words

    def take_words(self, frame: Frame) -> None:
        found: RepeatFindings = frame.findings.get(self.key(STUDY), NOTHING_FOUND)
        had = self._fair is not None, self._rows
        self._take_fair(found)
        self._rows = len(self._fair.turns) if self._fair is not None else 0
        if had != (self._fair is not None, self._rows):
            self.rearrange()
            self.room_changed.emit()
        if self._fair is None:
            self.say("why", told.waiting_words(found, self.live), "soft", told.waiting_short(found))
            return
        fair, stale = self._fair, found.outcome != FOUND or not self.live
        role = "faint" if stale else "ink"
        change, unit = told.figure_of(fair)
        self.say("figure", change, role)
        self.say("unit", unit)
        self.beside("figure", "unit")
        self.say("sentence", told.sentence_of(fair), role, told.sentence_short(fair))
        note, short = self._note(found, fair, stale), "" if stale else told.now_playing(fair)
        copied = self._copied_words(frame.status.elapsed_seconds)
        self.say("note", copied or note, short=copied or short)
        self.say("legend", told.legend(fair), short=told.LEGEND_SHORT)
        self._take_turns(fair.turns, stale)

    def _take_fair(self, found: RepeatFindings) -> None:
        """Keep the figures on show while no figure is a whole step away, so that they do not flutter."""
        new, old = found.fair, self._fair
        if found.outcome == FOUND:
            self._loop_seconds = found.loop_seconds
        if new is None or old is None or (new.marked, new.at < old.at) != (old.marked, False):
            self._fair = new
        elif new.at != old.at:
            near = abs(new.change_lu - old.change_lu) < 0.7 * STEP_LU
            near = near and not abs(new.low_change_db - old.low_change_db) >= 0.7 * STEP_LU
            self._fair = _with_figures_of(new, old) if near else new

    def _copied_words(self, now: float) -> str:
        """That the trim was copied, for a moment."""
        if self._copied and math.isnan(self._copied_at):
            self._copied_at = now
        if not 0.0 <= now - self._copied_at < COPIED_SECONDS:
            self._copied = ""
        return f"{self._copied} dB copied" if self._copied else ""

    def _note(self, found: RepeatFindings, fair: FairRepeats, stale: bool) -> str:
        if not stale:
            return f"{told.now_playing(fair)}, {told.evidence(fair, self._loop_seconds)}"
        if found.age_seconds < STALE_SECONDS or not self.live:
            return told.evidence(fair, self._loop_seconds)
        why = told.waiting_short(found)
        return f"{figures.age(found.age_seconds)}; now: {why}" if why else figures.age(found.age_seconds)

    # Picture

    def _take_turns(self, turns: Turns, stale: bool) -> None:
        if (turns, stale) != (self._turns, self._stale):
            self._turns, self._stale = turns, stale
            self.update(self._picture)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._picture.isEmpty() or not region.intersects(self._picture) or self._fair is None:
            return
        high = max(self._row_high, px(ROW_PX))
        rows = min(len(self._turns), self._picture.height() // high)
        colour = self.theme.faint if self._stale else self.measured
        for number, turn in enumerate(self._turns[:rows]):
            top = self._picture.top() + (rows - 1 - number) * high
            self._draw_turn(
                painter, QRect(self._picture.left(), top, self._picture.width(), high - px(3)), turn, colour
            )

    def _draw_turn(
        self, painter: QPainter, row: QRect, turn: tuple[tuple[float, float, bool], ...], colour: QColor
    ) -> None:
        painter.fillRect(row, self.theme.trough)
        for begin, end, second in turn:
            left, wide = row.left() + begin * row.width(), (end - begin) * row.width()
            high = row.height() if second else max(2.0, row.height() / 4.0)
            painter.fillRect(QRectF(left, row.bottom() + 1 - high, wide, high), colour)


def _with_figures_of(new: FairRepeats, old: FairRepeats) -> FairRepeats:
    return FairRepeats(
        old.verdict, old.change_lu, old.trim_db, old.low_change_db,
        new.seconds, new.marked, new.second_plays, new.at, new.turns,
    )  # fmt: skip

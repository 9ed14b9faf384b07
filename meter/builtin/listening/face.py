"""Listening: time left at this level under the chosen rule. Every figure is an estimate.

Without a calibration there is no number, only the button that starts one, and one row is enough.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF, QRegion
from PySide6.QtWidgets import QPushButton

from meter import figures as words
from meter.builtin.listening import face_words as say_as
from meter.builtin.listening.face_words import (
    A_WEEK_HOURS,
    CREEP_DB,
    DRIFT_ROWS,
    EARLY_PERCENT,
    FULL_PERCENT,
    LATE_PERCENT,
)
from meter.gui.kit.label import Label, figure_room, line_height, text_width
from meter.gui.kit.theme import MARK_PX, PADDING_PX, TEXT_PX, TITLE_PX, px
from meter.plugin.face import CORNER_PX, Choice, Face
from meter.readings import Frame

CALIBRATE, TURN, CAUTIONS = "calibrate", "turn", "cautions"
ESTIMATE = "estimate"
CAUTION = "Not a medical measurement."
WIDEST = "00 min to 00 h"
MOST_PX = 120
STATE_PX = 24
BUTTON_PX = 32
STRIP_PX = 84
"""An uncalibrated card less high than this is one row."""
VESSEL_WIDTH_PX = 58
VESSEL_LEAST_PX = 70
VESSEL_MOST_PX = 360
ROWS = ("now", "used", "other", "break", "creep", *DRIFT_ROWS, "quarter", "listened")
ARROW_PX = 13
OFFER, HALF_USED, MOST_USED = 1, 2, 3
"""Codes of the reading ``notice``."""

USUAL_PERSON = "me"


class ListeningFace(Face):
    """See the module's description."""

    least = QSize(170, 120)
    preferred = QSize(320, 380)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(MOST_PX, bold=True, sample=WIDEST, least_px=28),
            "state": Label(STATE_PX, role="faint", bold=True, sample="not calibrated", least_px=TEXT_PX),
            "left": Label(TEXT_PX, lines=2),
            "rule": Label(MARK_PX, role="soft", lines=3),
            "share_note": Label(TEXT_PX, role="ink", lines=3),
            "caution": Label(MARK_PX, role="soft", lines=2),
        }
        for name in ROWS:
            self.labels[name] = Label(TEXT_PX, role="soft", lines=1)
        self._calibrated = False
        self._vessel = QRect()
        self._share = self._creep = self._doubt_db = math.nan
        self._calibrate = self._make_button("Calibrate…", CALIBRATE)
        self._more = self._make_button("more", CAUTIONS)
        self._more.setAccessibleName("cautions about listening estimates")
        self.controls = [self._calibrate, self._more]

    def _make_button(self, text: str, action: str) -> QPushButton:
        button = QPushButton(text, self)
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.hide()
        button.clicked.connect(lambda: self.action_asked.emit(action))
        return button

    @property
    def subtitle(self) -> str:
        if not self._calibrated:
            return ""
        person = self.settings.get("person", USUAL_PERSON)
        return self._estimate() if person == USUAL_PERSON else f"{self._estimate()}, {person}"

    def _estimate(self) -> str:
        """The subtitle of every figure: the word "estimate" and its uncertainty."""
        return (
            f"estimate ±{words.figure(math.ceil(self._doubt_db), 0)} dB"
            if math.isfinite(self._doubt_db)
            else ESTIMATE
        )

    def choices(self) -> tuple[Choice, ...]:
        again = "calibrate again…" if self._calibrated else "calibrate…"
        return (
            Choice("listening", again, run=lambda: self.action_asked.emit(CALIBRATE)),
            Choice("listening", "I moved the monitor knob…", run=lambda: self.action_asked.emit(TURN)),
            Choice("listening", "about listening time and your ears", run=lambda: self.action_asked.emit(CAUTIONS)),
            Choice("unheard time", "list only", "count_gaps", False),
            Choice("unheard time", "count at the level before", "count_gaps", True),
        )

    @property
    def needs_room(self) -> bool:
        """With a calibration there is an estimate to show."""
        return self._calibrated

    def arrange(self, inside: QRect) -> None:
        if not self._calibrated and self.height() < px(STRIP_PX):
            self._arrange_strip()
            return
        bottom = self._arrange_foot(inside)
        top = self._arrange_head(inside, bottom)
        self._arrange_vessel(QRect(inside.left(), top, inside.width(), bottom - top))

    def _arrange_strip(self) -> None:
        """Title, state and button on one row."""
        for label in self.labels.values():
            label.hide()
        self._more.hide()
        self._vessel = QRect()
        padding = px(PADDING_PX)
        high = min(px(BUTTON_PX), self.height() - 8)
        button_width = text_width("Calibrate…", TEXT_PX) + px(16)
        right = self.width() - padding - (px(CORNER_PX) if self._corner.isVisible() else 0)
        if padding + text_width(self.title, TITLE_PX, bold=True) + px(10) + button_width > right:
            self._corner.hide()  # its entries are in the menu of the right button, too
            right = self.width() - padding
        top = (self.height() - high) // 2
        self._place_button(QRect(right - button_width, top, button_width, high), top, high)
        self._calibrate.show()
        title = self._title
        title.place(QRect(padding, (self.height() - title.line_height) // 2, right - padding, title.line_height))
        self._corner.move(self._corner.x(), (self.height() - self._corner.height()) // 2)
        state = self.labels["state"]
        left = padding + math.ceil(title.text_width) + 12
        room = QRect(left, 0, right - button_width - 10 - left, line_height(STATE_PX, bold=True))
        state.place(room)
        state.place(QRect(left, (self.height() - state.line_height) // 2, room.width(), state.line_height))
        if state.elided:
            state.hide()

    def _arrange_foot(self, inside: QRect) -> int:
        """Place the caution and "more", which are always shown; return the bottom of the rest."""
        more_width = text_width("more", MARK_PX) + 12
        whole, room = text_width(CAUTION, MARK_PX), inside.width() - more_width - 4
        high = line_height(MARK_PX) + 4
        lines_high = line_height(MARK_PX) * (1 if whole <= room else 2)
        top = inside.bottom() - 1 - lines_high
        caution_width = min(whole, room)
        self.labels["caution"].place(QRect(inside.left(), top, caution_width, lines_high))
        top = inside.bottom() + 1 - high
        self._more.setGeometry(inside.left() + caution_width + 4, top, more_width, high)
        self._more.setStyleSheet(
            f"QPushButton {{ border: none; background: transparent; font-size: {px(MARK_PX)}px;"
            f" color: {self.theme.measured_ink.name()}; text-decoration: underline; }}"
            f"QPushButton:focus {{ border: 1px solid {self.theme.measured_ink.name()}; }}"
        )
        self._more.show()
        return self.labels["caution"].rect.top() - 6

    def _arrange_head(self, inside: QRect, bottom: int) -> int:
        """Place the figure, or the text and button instead of it; return their bottom edge."""
        self._calibrate.setVisible(not self._calibrated)
        figure = self.labels["figure"]
        top = inside.top()
        if self._calibrated:
            high = figure_room(inside.height(), 84)
            figure.place(QRect(inside.left(), top, inside.width(), high))
            figure.place(QRect(inside.left(), top, inside.width(), figure.line_height))
            top += figure.line_height + 2
        else:
            figure.hide()
            bottom -= px(BUTTON_PX) + 8
        for name, lines in (("state", 1), ("left", 2), ("rule", 3)):
            label = self.labels[name]
            label.place(QRect(inside.left(), top, inside.width(), label.line_height * lines))
            used = label.line_height * len(label.shown)
            fits = used and top + used <= bottom
            label.place(QRect(inside.left(), top, inside.width(), used) if fits else QRect())
            top += used + 5 if fits else 0
        if not self._calibrated:
            self._place_button(inside, top + 4, px(BUTTON_PX))
            top += px(BUTTON_PX) + 8
        return top

    def _place_button(self, inside: QRect, top: int, high: int) -> None:
        width = text_width("Calibrate…", TEXT_PX) + 36
        self._calibrate.setGeometry(inside.left(), top, min(width, inside.width()), high)
        line, ink, trough = (colour.name() for colour in (self.theme.faint, self.theme.ink, self.theme.trough))
        self._calibrate.setStyleSheet(
            f"QPushButton {{ border: 1px solid {line}; border-radius: 6px; background: {trough};"
            f" color: {ink}; font-size: {px(TEXT_PX)}px; }}"
            f"QPushButton:hover, QPushButton:focus {{ border-color: {self.theme.measured.name()}; }}"
        )

    def _arrange_vessel(self, place: QRect) -> None:
        """Place the vessel on the left and rows of text beside it; in a narrow card only the rows."""
        high = min(place.height() - 10, VESSEL_MOST_PX)
        shown = high >= VESSEL_LEAST_PX and place.width() >= 210
        self._vessel = QRect(place.left(), place.top() + 8, VESSEL_WIDTH_PX, high) if shown else QRect()
        column = place.adjusted(VESSEL_WIDTH_PX + 20 if shown else 0, 8, 0, 0)
        top = self._arrange_note(column, place.bottom())
        row = line_height(TEXT_PX) + 5
        for name in ROWS:
            label = self.labels[name]
            indent = ARROW_PX + 7 if name == "creep" else 0
            box = QRect(column.left() + indent, top, column.width() - indent, row - 5)
            told = self._calibrated or name in DRIFT_ROWS
            shown = told and bool(label.text) and box.bottom() <= place.bottom()
            label.place(box if shown else QRect())
            top += row if shown else 0

    def _arrange_note(self, column: QRect, bottom: int) -> int:
        """Place the note above the rows; return its bottom edge."""
        note = self.labels["share_note"]
        note.place(QRect(column.left(), column.top(), column.width(), bottom + 1 - column.top()))
        used = note.line_height * len(note.shown)
        if not self._calibrated or not used:
            note.hide()
            return column.top()
        note.place(QRect(column.left(), column.top(), column.width(), used))
        return column.top() + used + 6

    def _outline(self) -> QPainterPath:
        """Outline of the vessel: open at the top, rounded at the bottom."""
        box = QRectF(self._vessel).adjusted(0.5, 0.5, -0.5, -0.5)
        path = QPainterPath()
        path.moveTo(box.topLeft())
        round_px = 14.0
        path.lineTo(box.left(), box.bottom() - round_px)
        path.quadTo(box.left(), box.bottom(), box.left() + round_px, box.bottom())
        path.lineTo(box.right() - round_px, box.bottom())
        path.quadTo(box.right(), box.bottom(), box.right(), box.bottom() - round_px)
        path.lineTo(box.topRight())
        return path

    def paint_still(self, painter: QPainter) -> None:
        if self._vessel.isEmpty():
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen if self._calibrated else QPen(self.theme.line, 1, Qt.PenStyle.DotLine))
        painter.setBrush(self.theme.trough if self._calibrated else Qt.BrushStyle.NoBrush)
        painter.drawPath(self._outline())

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        self._paint_arrow(painter)
        if not self._calibrated or self._vessel.isEmpty() or not region.intersects(self._vessel):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        if self._share > 0.0:
            high = round(min(1.0, self._share / FULL_PERCENT) * self._vessel.height())
            painter.save()
            painter.setClipRect(
                QRect(self._vessel.left(), self._vessel.bottom() + 1 - high, self._vessel.width(), high),
                Qt.ClipOperation.IntersectClip,
            )
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(self._fill())
            painter.drawPath(self._outline())
            painter.restore()
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(self.theme.faint, 1))
        painter.drawPath(self._outline())
        painter.setPen(QPen(self.theme.soft, 1))
        for share in (EARLY_PERCENT, LATE_PERCENT):
            at = self._vessel.bottom() - round(share / FULL_PERCENT * self._vessel.height())
            painter.drawLine(self._vessel.right() - 12, at, self._vessel.right() - 1, at)

    def _paint_arrow(self, painter: QPainter) -> None:
        """Draw creep as an arrow beside its text: up, down or level."""
        row = self.labels["creep"].rect
        if row.isEmpty() or math.isnan(self._creep):
            return
        turn = 0.0 if abs(self._creep) < CREEP_DB else math.copysign(90.0, self._creep)
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.translate(row.left() - 7 - ARROW_PX / 2.0, row.center().y() + 1.0)
        painter.rotate(-turn)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(self.measured if turn <= 0.0 else self.theme.ink)
        half, shaft = ARROW_PX / 2.0, ARROW_PX / 7.0
        corners = ((-half, -shaft), (0, -shaft), (0, -half), (half, 0), (0, half), (0, shaft), (-half, shaft))
        painter.drawPolygon(QPolygonF([QPointF(across, down) for across, down in corners]))
        painter.restore()

    def _fill(self) -> QColor:
        return self.theme.ink if self._share >= LATE_PERCENT else self.measured

    def take_words(self, frame: Frame) -> None:
        calibrated, doubt_db = frame.number(self.key("calibrated")) == 1.0, frame.number(self.key("doubt"))
        if calibrated != self._calibrated or (doubt_db != self._doubt_db and not math.isnan(doubt_db)):
            told = calibrated != self._calibrated
            self._calibrated, self._doubt_db = calibrated, doubt_db
            self.rearrange()
            if told:
                self.room_changed.emit()
        self.say("caution", CAUTION)
        if calibrated:
            self._say_estimate(frame)
        else:
            self._say_uncalibrated(frame)

    def _say_uncalibrated(self, frame: Frame) -> None:
        for name in ("figure", "share_note"):
            self.say(name, "")
        self._say_in_rows(dict.fromkeys(ROWS, "") | say_as.drift_words(frame, self.key("drift.passage")))
        self._share = self._creep = math.nan
        state, why = say_as.state_and_why(str(self.settings.get("monitor_setting", "")))
        self._say_head("state", state)
        self._say_head("left", why, "soft")
        self._say_head("rule", "")

    def _say_estimate(self, frame: Frame) -> None:
        left, most = frame.number(self.key("time_left_low")), frame.number(self.key("time_left_high"))
        share = frame.number(self.key("share"))
        minute = frame.number(self.key("seat_minute"))
        waiting = math.isnan(left) or minute == -math.inf
        role = "faint" if waiting or left > A_WEEK_HOURS else "ink"
        self.say("figure", words.NOT_YET if waiting else words.hours_range(left, most), role)
        self._say_head("state", "")
        self._say_head("left", say_as.left_words(left, minute, live=self.live), "soft" if math.isnan(left) else "ink")
        self._say_head("rule", f"rule: {self.settings.get('rule', 'not named')}")
        self._say_rows(frame, share)
        notice, since_break = frame.number(self.key("notice")), frame.number(self.key("since_break"))
        offered = notice == OFFER and math.isfinite(since_break)
        said = say_as.offer_words(since_break) if offered else say_as.share_words(share)
        self._say_head("share_note", said, "ink")
        if share != self._share and not (math.isnan(share) and math.isnan(self._share)):
            self._share = share
            self.update(self._vessel)

    def _say_head(self, name: str, text: str, role: str | None = None) -> None:
        """Change a sentence of the head; a new text may need a new layout."""
        label = self.labels[name]
        if text == label.text and (role is None or role == label.role):
            return
        label.say(text, role)
        self.rearrange()

    def _say_rows(self, frame: Frame, share: float) -> None:
        now, listened = frame.number(self.key("seat_now")), frame.number(self.key("time_listened"))
        quarter = frame.number(self.key("seat_quarter_hour"))
        daily = self.settings.get("period") == "day"
        other = frame.number(self.key("share_week" if daily else "share_today"))
        self._creep = frame.number(self.key("creep"))
        said = {
            "now": say_as.now_words(now, str(self.settings.get("monitor_setting", ""))),
            "used": ""
            if math.isnan(share)
            else f"{say_as.percent(share)} of the {'day' if daily else 'week'}’s allowance",
            "other": "" if math.isnan(other) else say_as.other_words(other, daily=daily),
            "break": say_as.break_words(frame.number(self.key("since_break"))),
            "creep": say_as.creep_words(self._creep),
            "quarter": say_as.quarter_words(quarter),
            "listened": "" if math.isnan(listened) else f"listened {words.hours_and_minutes(listened)}",
        }
        self._say_in_rows(said | say_as.drift_words(frame, self.key("drift.passage")))

    def _say_in_rows(self, said: dict[str, str]) -> None:
        moved = any(bool(text) != bool(self.labels[name].text) for name, text in said.items())
        for name, text in said.items():
            self.say(name, text, "ink" if name == "now" else None, text.removesuffix("’s allowance"))
        if moved:
            self.rearrange()

    def value_text(self) -> str:
        if not self._calibrated:
            return f"{self.labels['state'].text or say_as.NOT_CALIBRATED}, {self.labels['left'].text} {CAUTION}"
        said = {name: label.text for name, label in self.labels.items()}
        facts = [
            f"{said['figure']} {said['left']}",
            *(said[name] for name in ("used", "break", "creep", "share_note")),
        ]
        return f"{', '.join(fact for fact in facts if fact)}, {self._estimate()}. {CAUTION}"

"""Peaks: a bar for each channel, peak hold in amber, the maximum since reset as a figure.

One or two channels are rows. Up to 32 are columns, with the maximum of all and its channel. Overs and clipped runs
are tags in the head of the card at every size.
"""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QPainter, QRegion

from meter import figures as words
from meter.builtin.peaks.face_tags import CLIP, OVER, Tags
from meter.gui.kit import scale
from meter.gui.kit.label import CENTRE, LEFT, RIGHT, Label, line_height, text_width
from meter.gui.kit.theme import FIGURE_PX, MARK_PX, TEXT_PX, TITLE_PX, VERDICT_PX, font
from meter.plugin.face import Choice, Face
from meter.readings import Frame

HOLDS_SECONDS = (1.5, 3.0, 10.0, 60.0)
WIDEST = f"{words.MINUS}88.8"
MOST_PX = 24
COLUMNS_PX, COLUMN_LABELS_PX = 110, 96
"""Minimum width and height of columns."""
BESIDE_GAP_PX = 18
WORST_WHERE = "channel 32"
LEAST_FIGURE_PX = 34
"""Minimum size of the figure in a card as flat as on the page."""
UNIT = "dBTP"
MARK_THICKNESS_PX = 3
TAG_GAP_PX = 10
OVERHANG_PX = 5
"""How far the numbers of the scale may reach into the padding of the card."""
SIDES = ("L", "R")


class PeaksFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(360, 150)

    def __init__(self) -> None:
        super().__init__()
        self._channels = 2
        self._bars: list[QRect] = []
        self._scale_left = 0
        self._highest = -1
        self._now: list[int] = []
        self._held: list[int] = []
        self._upright = False
        self._tags = Tags()
        self._make_labels()

    def _make_labels(self) -> None:
        least_px = LEAST_FIGURE_PX if self._channels > 2 else FIGURE_PX
        self.labels = {
            "figure": Label(64, bold=True, sample=WIDEST, least_px=least_px),
            "unit": Label(VERDICT_PX, role="soft"),
            "where": Label(VERDICT_PX, bold=True, sample=WORST_WHERE, least_px=TEXT_PX),
            "note": Label(MARK_PX, role="soft", lines=2),
        }
        for number in range(self._channels):
            align = CENTRE if self._channels > 2 else LEFT
            self.labels[f"name{number}"] = Label(MARK_PX, role="soft", align=align)
            self.labels[f"most{number}"] = (
                Label(TEXT_PX, align=CENTRE)
                if self._channels > 2
                else Label(MOST_PX, bold=True, align=RIGHT, sample=WIDEST, least_px=TEXT_PX)
            )

    @property
    def subtitle(self) -> str:
        return UNIT if self._tags.any else f"{UNIT} now, max since R"

    def choices(self) -> tuple[Choice, ...]:
        return tuple(Choice("peak hold", f"{seconds:g} s", "hold_seconds", seconds) for seconds in HOLDS_SECONDS)

    def arrange(self, inside: QRect) -> None:
        self._upright = self._channels > 2
        self._now, self._held = [-1] * self._channels, [-1] * self._channels
        self._arrange_tags()
        if self._upright:
            self._arrange_many(inside)
            return
        self.labels["where"].hide()
        note_high = line_height(MARK_PX)
        needed = 3 * line_height(VERDICT_PX) + 12 + note_high + 10
        top = inside.top() + self._arrange_figure(inside, inside.height() - needed)
        with_note = inside.bottom() - top >= needed - note_high
        note = QRect(inside.left(), inside.bottom() + 1 - note_high, inside.width(), note_high if with_note else 0)
        self.labels["note"].place(note)
        bottom = note.top() - 4 if with_note else inside.bottom() + 1
        self._arrange_rows(QRect(inside.left(), top, inside.width(), bottom - top))

    def _arrange_tags(self) -> None:
        """Put the tags at the right end of the title's line; subtitle and title are hidden where they do not fit."""
        title, subtitle = self._title.rect, self._subtitle
        beside = subtitle.visible and subtitle.rect.left() > title.left()
        line = QRect(title)
        if beside:
            line.setLeft(subtitle.rect.left() + math.ceil(subtitle.text_width) + TAG_GAP_PX)
        if not beside or not self._tags.place(line):
            line.setLeft(title.left() + text_width(self.title, TITLE_PX, bold=True) + TAG_GAP_PX)
            if beside:
                subtitle.hide()
            if not self._tags.place(line) and not self._tags.counted:
                self._title.hide()
                self._tags.place(title)
        for word in (OVER, CLIP):
            self.labels.pop(word, None)
        self.labels |= self._tags.labels

    def _arrange_figure(self, place: QRect, room: int, least_px: int = FIGURE_PX) -> int:
        """Place the figure at the top where it fits; return the height used."""
        figure = self.labels["figure"]
        if room < line_height(least_px, bold=True) or text_width(WIDEST, least_px, bold=True) > place.width():
            figure.hide()
            self.beside("figure", "unit")
            return 0
        figure.place(QRect(place.left(), place.top(), place.width(), min(line_height(64, bold=True), room)))
        self.beside("figure", "unit")
        return figure.line_height + 6

    def _arrange_many(self, inside: QRect) -> None:
        """Place the maximum and its channel above the columns or, in a flat card, left of them."""
        head = line_height(FIGURE_PX, bold=True) + line_height(VERDICT_PX, bold=True) + 6
        if inside.height() - head - line_height(MARK_PX) - 6 >= COLUMN_LABELS_PX:
            top = self._arrange_highest(inside, inside.height() - COLUMN_LABELS_PX - 2 * line_height(VERDICT_PX), 6)
            self._arrange_columns(QRect(inside.left(), top, inside.width(), inside.bottom() + 1 - top))
            return
        sizes = (FIGURE_PX, LEAST_FIGURE_PX)
        widths = [text_width(WIDEST, size_px, bold=True) + 4 for size_px in sizes]
        column = next((wide for wide in widths if wide + BESIDE_GAP_PX + COLUMNS_PX <= inside.width()), 0)
        where_high = line_height(VERDICT_PX, bold=True)
        if inside.height() - where_high < line_height(LEAST_FIGURE_PX, bold=True):
            where_high = line_height(TEXT_PX, bold=True)
        place = QRect(inside.left(), inside.top(), column, inside.height())
        shown = self._arrange_highest(place, inside.height() - where_high, 0) > inside.top()
        left = place.right() + BESIDE_GAP_PX if shown else inside.left()
        self._arrange_columns(QRect(left, inside.top(), inside.right() + 1 - left, inside.height()))

    def _arrange_highest(self, place: QRect, room: int, gap: int) -> int:
        """Place figure, channel and note from the top down, the figure at most ``room`` high; return the bottom."""
        where, note = self.labels["where"], self.labels["note"]
        top = place.top() + self._arrange_figure(place, room, LEAST_FIGURE_PX)
        if top == place.top():
            where.hide()
            note.hide()
            return top
        top += gap - 6
        high = min(line_height(VERDICT_PX, bold=True), place.bottom() + 1 - top)
        where.place(QRect(place.left(), top, place.width(), high))
        top = where.rect.top() + where.line_height + 2
        lines = min(2 if not gap else 1, (place.bottom() + 1 - top) // line_height(MARK_PX))
        note.place(QRect(place.left(), top, place.width(), lines * line_height(MARK_PX)))
        return top + lines * line_height(MARK_PX) + gap

    def _arrange_rows(self, place: QRect) -> None:
        name_width = text_width("L", MARK_PX) + 10
        roomy = place.width() >= 280
        most_width = text_width(WIDEST, MOST_PX if roomy else TEXT_PX, bold=True) + 8
        scale_high = line_height(MARK_PX) + 4
        row = min(60, max(line_height(TEXT_PX), (place.height() - scale_high) // max(1, self._channels)))
        thick = min(18 + max(0, row - 36) // 3, row - 8)
        self._bars = []
        for number in range(self._channels):
            top = place.top() + number * row
            middle = top + row // 2
            name, most = self.labels[f"name{number}"], self.labels[f"most{number}"]
            name.place(QRect(place.left(), middle - name.line_height // 2, name_width, name.line_height))
            most.place(QRect(place.right() + 1 - most_width, top, most_width, row))
            high = most.line_height
            most.place(QRect(place.right() + 1 - most_width, middle - high // 2, most_width, high))
            width = place.width() - name_width - most_width - 4
            self._bars.append(QRect(place.left() + name_width, middle - thick // 2, width, thick))

    def _arrange_columns(self, place: QRect) -> None:
        scale_width = text_width(f"{words.MINUS}40", MARK_PX) + 8
        high = line_height(MARK_PX)
        self._scale_left = place.left()
        pitch = (place.width() - scale_width) / self._channels
        with_figures = pitch >= text_width(WIDEST, TEXT_PX) + 4
        every = max(1, math.ceil((text_width("32", MARK_PX) + 6) / pitch))
        top = place.top() + (line_height(TEXT_PX) + 3 if with_figures else 2)
        self._bars = []
        for number in range(self._channels):
            left = round(place.left() + scale_width + number * pitch)
            right = round(place.left() + scale_width + (number + 1) * pitch)
            box = QRect(left, place.top(), right - left, line_height(TEXT_PX) if with_figures else 0)
            self.labels[f"most{number}"].place(box)
            wide = round(pitch * every)
            named = number % every == 0
            middle = (left + right) // 2
            under = QRect(middle - wide // 2, place.bottom() + 1 - high, wide if named else 0, high)
            self.labels[f"name{number}"].place(under)
            gap = 1 if pitch < 12 else max(2, round(pitch * 0.2))
            width = min(40, right - left - gap)
            self._bars.append(QRect(middle - width // 2, top, width, place.bottom() - high - 3 - top))

    def paint_still(self, painter: QPainter) -> None:
        for bar in self._bars:
            painter.fillRect(bar, self.theme.trough)
        if not self._bars or self._bars[0].isEmpty():
            return
        painter.setFont(font(MARK_PX))
        for mark in next((marks for marks in scale.PEAK_LABELS if self._fit(marks)), scale.PEAK_LABELS[-1]):
            draw = self._draw_level_mark if self._upright else self._draw_row_mark
            draw(painter, self._length(float(mark)), words.figure(float(mark), 0))

    def _fit(self, marks: tuple[int, ...]) -> bool:
        """Whether the numbers of these marks, in rising order, do not touch."""
        wide = [
            line_height(MARK_PX) if self._upright else text_width(words.figure(float(mark), 0), MARK_PX) + 6
            for mark in marks
        ]
        at = [self._length(float(mark)) for mark in marks]
        return all(at[n] + wide[n] / 2 <= at[n + 1] - wide[n + 1] / 2 for n in range(len(marks) - 1))

    def _draw_row_mark(self, painter: QPainter, offset: int, text: str) -> None:
        """A tick and a number below the rows, where they fit."""
        last = self._bars[-1]
        if last.bottom() + 7 + line_height(MARK_PX) > self.inside.bottom() + OVERHANG_PX:
            return
        at = last.left() + offset
        painter.setPen(self.theme.line)
        painter.drawLine(at, last.bottom() + 3, at, last.bottom() + 6)
        width = text_width(text, MARK_PX)
        high = line_height(MARK_PX)
        painter.setPen(self.theme.soft)
        painter.drawText(QRect(at - width // 2, last.bottom() + 7, width, high), Qt.AlignmentFlag.AlignCenter, text)

    def _draw_level_mark(self, painter: QPainter, offset: int, text: str) -> None:
        first, last = self._bars[0], self._bars[-1]
        at = first.bottom() + 1 - offset
        painter.setPen(self.theme.line)
        painter.drawLine(self._scale_left + text_width(text, MARK_PX) + 8, at, last.right(), at)
        high = line_height(MARK_PX)
        painter.setPen(self.theme.soft)
        box = QRect(self._scale_left, at - high // 2, text_width(text, MARK_PX), high)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def _length(self, level_db: float) -> int:
        """Length of a bar in pixels; 0 for silence and "not yet"."""
        if not self._bars or math.isnan(level_db):
            return 0
        whole = self._bars[0].height() if self._upright else self._bars[0].width()
        return round(scale.peak_place(level_db) * whole)

    def _stretch(self, number: int, first: int, last: int) -> QRect:
        """The part of a bar between two lengths."""
        bar = self._bars[number]
        if self._upright:
            return QRect(bar.left(), bar.bottom() + 1 - last, bar.width(), last - first)
        return QRect(bar.left() + first, bar.top(), last - first, bar.height())

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        for box in self._tags.boxes.values():
            painter.fillRect(box, self.theme.broken)
        for number, bar in enumerate(self._bars):
            if not region.intersects(bar.adjusted(-1, -1, 1, MARK_THICKNESS_PX + 1)) or self._now[number] < 0:
                continue
            painter.fillRect(self._stretch(number, 0, self._now[number]), self.measured)
            if number == self._highest:
                painter.fillRect(self._pointer(number), self.theme.held)
            held = self._held[number]
            if held > 0:
                painter.fillRect(self._stretch(number, held - MARK_THICKNESS_PX, held), self.theme.held)

    def take(self, frame: Frame) -> None:
        now, held = frame.vector(self.key("true")), frame.vector(self.key("true_hold"))
        if len(now) != self._channels and len(now):
            self._channels = len(now)
            self._make_labels()
            self.rearrange()
        for number in range(min(len(now), len(self._bars))):
            self._move(number, self._length(float(now[number])), self._length(float(held[number])))

    def _move(self, number: int, now: int, held: int) -> None:
        before, held_before = self._now[number], self._held[number]
        if now != before:
            first, last = min(now, max(before, 0)), max(now, before)
            self._now[number] = now
            self.update(self._stretch(number, first, last))
        if held != held_before:
            self._held[number] = held
            for each in (held_before, held):
                self.update(self._stretch(number, each - MARK_THICKNESS_PX, each))

    def take_words(self, frame: Frame) -> None:
        self._tell_overs(frame)
        most = frame.vector(self.key("true_max_each"))
        known = most[: self._channels]
        highest = int(np.nanargmax(known)) if np.any(known > -math.inf) else -1
        self._point_at(highest if self._upright else -1)
        for number in range(len(known)):
            value = float(known[number])
            at_top = self._upright and number == highest
            self.say(f"name{number}", self._name(frame, number), "held_ink" if at_top else "soft")
            self._say_level(f"most{number}", value)
        self._say_level("figure", value := frame.number(self.key("true_max")))
        self.say("unit", "" if math.isnan(value) else UNIT)
        self.beside("figure", "unit")
        self.say(
            "where", f"channel {self._name(frame, highest)}" if highest >= 0 and self._upright else "", "held_ink"
        )
        self.say("note", *self._note(frame, most))

    def _tell_overs(self, frame: Frame) -> None:
        """Update the tags; a longer count needs a new layout."""
        if self._tags.count(frame.number(self.key("overs")), frame.number(self.key("clipped"))):
            self.rearrange()
            self.take(frame)
        for word in self._tags.labels:
            self.say(word, self._tags.text(word))

    def _say_level(self, name: str, value: float) -> None:
        """A maximum; above 0 dBTP in the colour for faults."""
        text = words.figure(value, plus=True)
        over = text.startswith("+") and self._tags.any
        self.say(name, text, "broken_ink" if over else "ink" if math.isfinite(value) else "faint")

    def _name(self, frame: Frame, number: int) -> str:
        """``L`` or ``R`` of a pair, otherwise the channel number in the source, from 1."""
        if self._channels == 2:
            return SIDES[number]
        columns = self.columns(frame)
        return str((columns[number] if number < len(columns) else number) + 1)

    def _point_at(self, number: int) -> None:
        """Mark the bar of the channel with the highest peak."""
        if number != self._highest:
            for each in (self._highest, number):
                if 0 <= each < len(self._bars):
                    self.update(self._pointer(each).adjusted(0, -1, 0, 1))
            self._highest = number

    def _pointer(self, number: int) -> QRect:
        bar = self._bars[number]
        return QRect(bar.left(), bar.bottom() + 1, bar.width(), MARK_THICKNESS_PX)

    def _note(self, frame: Frame, most: np.ndarray) -> tuple[str, str]:
        told = []
        if (overs := frame.number(self.key("overs"))) >= 1.0:
            told.append(f"over 0 {UNIT} {_times(overs)}")
        if (clipped := frame.number(self.key("clipped"))) >= 1.0:
            told.append(f"clipped {_times(clipped)}")
        if told:
            return ", ".join(told), "broken_ink"
        if not len(most) or np.all(np.isnan(most)):
            return words.waiting(self.live), "soft"
        return f"never over 0 {UNIT}", "soft"

    def value_text(self) -> str:
        each = [
            f"{self.labels[f'name{n}'].text} {self.labels[f'most{n}'].text}" for n in range(min(2, self._channels))
        ]
        if self._channels > 2:
            each = [self.labels["figure"].text]
        told = f"max true peak since R {', '.join(each)} {UNIT}"
        return ", ".join(text for text in (told, self.labels["where"].text, self.labels["note"].text) if text)


def _times(count: float) -> str:
    return "once" if count == 1.0 else f"{words.figure(count, 0)} times"

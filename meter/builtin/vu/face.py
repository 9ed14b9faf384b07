"""Level: one dial with two hands, an arc for the usual range, a mark for the maximum.

VU marks lie where IEC 60268-17 puts them (deflection linear in rectified voltage). The PPM dials are linear in
decibels re the alignment (EBU Tech 3205-E: -12 to +12 for type II).
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from PySide6.QtCore import QLineF, QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPixmap, QRegion
from PySide6.QtWidgets import QInputDialog

from meter import figures as words
from meter.builtin.vu.face_alignment import ALIGNMENT_KEY, alignment_dialog
from meter.builtin.vu.face_dials import DIALS, VU, Dial
from meter.builtin.vu.face_hands import HALF_TRAVEL_DEGREES, HAND_FROM, HAND_TO, broad_width, hands_box
from meter.builtin.vu.face_home import FORGOTTEN, HOME_KEY, Home, learned
from meter.builtin.vu.face_words import SLOW, SLOW_SHORT, usual_words
from meter.gui.kit.dialog_style import dress
from meter.gui.kit.label import CENTRE, RIGHT, Label, fitting_px, line_height, text_width
from meter.gui.kit.theme import MARK_PX, SUBTITLE_PX, VERDICT_PX, font
from meter.plugin.face import Choice, Face
from meter.readings import Frame

BAND_AT = 0.95
HOME_AT, LEAST_ARC = 0.87, 0.003
LEGEND_PX = 16
MOST_PX = 28
"""Largest type of the sentence below the dial."""
TOLD_PEAKS_DB = 10.0
"""From this distance between peaks and usual level on, the note names the peaks (common practice, no source)."""
STOPPED_SECONDS = 1.5
"""From this age on the figures are said of what stopped: longer than a rest between two hits (our own choice)."""
USUAL_WIDEST = "sits at −00, hits +00 VU"
DIAL_LEAST_PX = 104
"""A dial lower than this takes the room of the second sentence."""
ALIGNMENT = "alignment_dbfs"
BALLISTICS = (("vu", "VU"), ("ppm_1", "PPM type I"), ("ppm_2", "PPM type II"))


class VuFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(360, 270)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "usual": Label(MOST_PX, bold=True, align=CENTRE, sample=USUAL_WIDEST, least_px=15),
            "note": Label(SUBTITLE_PX, role="soft", align=CENTRE, lines=2),
            "left": Label(MARK_PX, role="soft"),
            "right": Label(MARK_PX, role="soft", align=RIGHT),
        }
        self._movement = VU
        self._alignment = math.nan
        self._dial = QRect()
        self._pivot = QPointF()
        self._radius = 0.0
        self._hands: list[float] = []
        self._band = (math.nan, math.nan)
        self._highest = math.nan
        self._marked: QPixmap | None = None
        self._marked_for: tuple[object, ...] = ()
        self._last = ("", math.nan)
        self._dimmed = False
        self._home = Home()
        self._home_arc = (math.nan, math.nan)
        self._usual_dbfs = math.nan
        self._feed = ""
        self._asker: QInputDialog | None = None

    @property
    def subtitle(self) -> str:
        name = DIALS[self._movement].name
        if math.isnan(self._alignment):
            return name
        zero = f"{self._zero} {words.figure(self._alignment, 0)} dBFS"
        return zero if self._movement == VU else f"{name}, {zero}"

    @property
    def _zero(self) -> str:
        return f"0 {DIALS[self._movement].unit} ="

    def choices(self) -> tuple[Choice, ...]:
        levels = [Choice(self._zero, name, ALIGNMENT, level) for name, level in self.offered.get(ALIGNMENT, ())]
        other = Choice(self._zero, "another level…", run=self._ask_alignment)
        following = Choice(self._zero, f"the next of these ({ALIGNMENT_KEY})", run=self._choose_next)
        ballistics = [Choice("ballistics", name, "movement", value) for value, name in BALLISTICS]
        return (*levels, other, following, *ballistics, *self._home_choices())

    def _home_choices(self) -> tuple[Choice, ...]:
        learn = Choice("home range", f"here it sounds right ({HOME_KEY})", run=self._learn_home)
        forget = Choice("home range", "forget it", run=lambda: self.setting_chosen.emit(self.meter_id, FORGOTTEN))
        return (learn, forget) if self._home.known else (learn,)

    def _learn_home(self) -> None:
        """Keep the usual loud level now as home of this feed; nothing while it is not known."""
        if math.isfinite(self._usual_dbfs):
            self.setting_chosen.emit(self.meter_id, learned(self._usual_dbfs, self._feed, self._movement_name))

    @property
    def _movement_name(self) -> str:
        return BALLISTICS[self._movement][0]

    def press(self, key: str) -> bool:
        """Choose the next usual alignment below the present one, after the last the first; or learn the home."""
        keys = {ALIGNMENT_KEY: self._choose_next, HOME_KEY: self._learn_home}
        if key in keys:
            keys[key]()
        return key in keys

    def _choose_next(self) -> None:
        levels = sorted((float(level) for _, level in self.offered.get(ALIGNMENT, ())), reverse=True)
        below = [level for level in levels if level < self._alignment]
        if levels:
            self._chose_alignment(below[0] if below else levels[0])

    def _ask_alignment(self) -> None:
        if self._asker is None:
            self._asker = alignment_dialog(self, f"{self._zero} … dBFS", self._chose_alignment)
        if math.isfinite(self._alignment):
            self._asker.setDoubleValue(self._alignment)
        dress(self._asker)
        self._asker.open()

    def _chose_alignment(self, level: float) -> None:
        self.setting_chosen.emit(self.meter_id, {ALIGNMENT: level})

    def arrange(self, inside: QRect) -> None:
        note_width = text_width(SLOW_SHORT.format("00"), SUBTITLE_PX)
        note_lines = 1 if inside.width() >= note_width else 2
        room = min(inside.height() // 6, line_height(MOST_PX, bold=True))
        usual_px = fitting_px(USUAL_WIDEST, inside.width(), room, MOST_PX, 15, bold=True) or 15
        usual_high, note_high = line_height(usual_px, bold=True), note_lines * line_height(SUBTITLE_PX)
        words_high = usual_high + 3 + note_high
        if inside.height() < words_high + DIAL_LEAST_PX:
            words_high = usual_high
        with_dial = inside.height() - words_high >= 60
        top = inside.bottom() + 1 - words_high if with_dial else inside.top()
        self.labels["usual"].place(QRect(inside.left(), top, inside.width(), usual_high))
        room = inside.bottom() - top - usual_high - 2
        self.labels["note"].place(QRect(inside.left(), top + usual_high + 3, inside.width(), room))
        dial = QRect(inside.left(), inside.top(), inside.width(), top - inside.top() - 4)
        self._arrange_dial(dial if with_dial else QRect())

    def _arrange_dial(self, dial: QRect) -> None:
        self._dial = dial
        high = line_height(MARK_PX)
        for name, left in (("left", dial.left() + LEGEND_PX + 6), ("right", dial.right() - LEGEND_PX - 21)):
            self.labels[name].place(QRect(left, dial.bottom() - high, 16, high) if dial.height() >= 90 else QRect())
        if dial.isEmpty():
            return
        label_room = line_height(MARK_PX) + 14
        half = math.radians(HALF_TRAVEL_DEGREES)
        by_width = (dial.width() / 2.0 - 14.0) / math.sin(half) - label_room
        by_height = (dial.height() - label_room - 2.0) / (1.0 - HAND_FROM * math.cos(half))
        self._radius = max(20.0, min(by_width, by_height))
        used = label_room + self._radius * (1.0 - HAND_FROM * math.cos(half))
        top = dial.top() + max(0.0, (dial.height() - used) / 2.0)
        self._pivot = QPointF(dial.center().x() + 0.5, top + label_room + self._radius)

    def _at(self, place: float, share: float) -> QPointF:
        """The point at a place on the scale (0 to 1) and a share of the radius."""
        angle = math.radians((2.0 * place - 1.0) * HALF_TRAVEL_DEGREES)
        reach = self._radius * share
        return QPointF(self._pivot.x() + reach * math.sin(angle), self._pivot.y() - reach * math.cos(angle))

    def paint_still(self, painter: QPainter) -> None:
        if self._dial.isEmpty():
            return
        dial = DIALS[self._movement]
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._draw_arc(painter, 0.0, 1.0, 1.0, QPen(self.theme.line, 1.5))
        for mark in dial.marks:
            place, tall = dial.place(float(mark)), mark in dial.labels[0]
            pen = QPen(self.theme.ink if tall else self.theme.soft, 2.2 if mark == 0 else (1.4 if tall else 1.0))
            painter.setPen(pen)
            painter.drawLine(QLineF(self._at(place, 1.0), self._out(place, 9.0 if tall else 5.0)))
        self._draw_mark_labels(painter, dial)

    def _out(self, place: float, pixels: float) -> QPointF:
        return self._at(place, 1.0 + pixels / self._radius)

    def _draw_mark_labels(self, painter: QPainter, dial: Dial) -> None:
        """Numbers outside the arc, zero in bold."""
        for mark in self._shown_marks(dial):
            painter.setFont(font(MARK_PX, bold=mark == 0))
            painter.setPen(self.theme.ink if mark == 0 else self.theme.soft)
            text = words.figure(float(mark), 0, plus=True)
            painter.drawText(self._mark_box(dial, mark), Qt.AlignmentFlag.AlignCenter, text)

    def _shown_marks(self, dial: Dial) -> tuple[int, ...]:
        """The fullest set of marks in which no number touches its neighbour."""
        for marks in dial.labels:
            wide = [self._mark_box(dial, mark).adjusted(-3, 0, 3, 0) for mark in marks]
            if not any(one.intersects(other) for one, other in itertools.pairwise(wide)):
                return marks
        return dial.labels[-1]

    def _mark_box(self, dial: Dial, mark: int) -> QRectF:
        high = line_height(MARK_PX)
        width = text_width(words.figure(float(mark), 0, plus=True), MARK_PX, bold=mark == 0)
        middle = self._out(dial.place(float(mark)), 12.0 + high / 2.0)
        return QRectF(middle.x() - width / 2.0, middle.y() - high / 2.0, width, high)

    def _draw_arc(self, painter: QPainter, first: float, last: float, share: float, pen: QPen) -> None:
        reach = self._radius * share
        box = QRectF(self._pivot.x() - reach, self._pivot.y() - reach, 2.0 * reach, 2.0 * reach)
        start = 90.0 - (2.0 * last - 1.0) * HALF_TRAVEL_DEGREES
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        painter.setPen(pen)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawArc(box, round(start * 16.0), round((last - first) * 2.0 * HALF_TRAVEL_DEGREES * 16.0))

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._dial.isEmpty() or not region.intersects(self._dial):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        for pen, place in zip(self._pens(), self._hands, strict=False):
            if not math.isnan(place):
                painter.setPen(pen)
                painter.drawLine(self._hand(place))

    def _still_picture(self) -> QPixmap:
        """The still picture plus what changes a few times a second: usual range, maximum, legend."""
        still = super()._still_picture()
        if self.fault or self._dial.isEmpty():
            return still
        shown = (
            still.cacheKey(),
            self._band,
            self._home_arc,
            self._highest,
            len(self._hands),
            self.live,
            self._dimmed,
        )
        if self._marked is None or shown != self._marked_for:
            self._marked, self._marked_for = QPixmap(still), shown
            painter = QPainter(self._marked)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            self._draw_marked(painter)
            painter.end()
        return self._marked

    def _draw_marked(self, painter: QPainter) -> None:
        low, high = self._band
        if not math.isnan(low):
            colour = self.theme.faint if self._dimmed else self.theme.measured_deep
            self._draw_arc(painter, low, high, BAND_AT, QPen(colour, self._radius * 0.055))
        low, high = self._home_arc
        if high - low > LEAST_ARC:
            self._draw_arc(painter, low, high, HOME_AT, QPen(self.theme.ink, max(3.0, 0.02 * self._radius)))
        if not math.isnan(self._highest):
            painter.setPen(QPen(self.theme.held, 3.0))
            painter.drawLine(QLineF(self._at(self._highest, 0.91), self._at(self._highest, 1.0)))
        self._draw_legend(painter)

    def _draw_legend(self, painter: QPainter) -> None:
        """A short stroke of each hand beside its letter."""
        left = self.labels["left"]
        if len(self._hands) != 2 or not left.visible:
            return
        middle = left.rect.center().y() + 1
        broad, fine = self._pens()
        painter.setPen(broad)
        painter.drawLine(self._dial.left() + 3, middle, self._dial.left() + LEGEND_PX, middle)
        painter.setPen(fine)
        painter.drawLine(self._dial.right() - LEGEND_PX, middle, self._dial.right() - 3, middle)

    def _pens(self) -> tuple[QPen, QPen]:
        """A broad blue hand for left and a thin light one for right: both show when they overlap."""
        wide = broad_width(self._radius)
        ink = QColor(self.theme.ink if self.live else self.theme.faint)
        broad, fine = QPen(self.measured, wide), QPen(ink, max(1.8, 0.36 * wide))
        for pen in (broad, fine):
            pen.setCapStyle(Qt.PenCapStyle.RoundCap)
        return broad, fine

    def _hand(self, place: float) -> QLineF:
        return QLineF(self._at(place, HAND_FROM), self._at(place, HAND_TO))

    def take(self, frame: Frame) -> None:
        self._take_movement(frame)
        dial = DIALS[self._movement]
        now = frame.vector(self.key("now"))
        if len(now) > 2:
            now = np.array([np.max(now)])
        hands = [dial.place(float(level)) for level in now]
        if len(hands) != len(self._hands):
            self._hands = [math.nan] * len(hands)
        for number, place in enumerate(hands):
            self._move_hand(number, place)

    def _move_hand(self, number: int, place: float) -> None:
        """Repaint the old and the new place of a hand that moved by a third of a pixel or more."""
        before = self._hands[number]
        if math.isnan(place) and math.isnan(before):
            return
        if abs(place - before) * self._radius * math.radians(2 * HALF_TRAVEL_DEGREES) < 0.33:
            return
        self._hands[number] = place
        if self._dial.isEmpty():
            return
        self.update(hands_box(self._pivot, self._radius, (before, place)))

    def _take_movement(self, frame: Frame) -> None:
        movement, alignment = frame.number(self.key("movement")), frame.number(self.key("alignment"))
        kind = int(movement) if movement in DIALS else VU
        same = alignment == self._alignment or (math.isnan(alignment) and math.isnan(self._alignment))
        if kind != self._movement or not same:
            self._movement, self._alignment = kind, alignment
            self._last = ("", math.nan)  # it was said of another scale
            self.rearrange()
            self.take_words(frame)

    def take_words(self, frame: Frame) -> None:
        dial = DIALS[self._movement]
        self._take_home(frame)
        usual, low = frame.number(self.key("usual")), frame.number(self.key("usual_low"))
        places = (dial.place(low), dial.place(usual))
        highest = dial.place(frame.number(self.key("max")))
        if not np.array_equal((*places, highest), (*self._band, self._highest), equal_nan=True):
            self._band = (math.nan, math.nan) if math.isnan(places[0] + places[1]) else places
            self._highest = highest if highest > 0.0 else math.nan
            self.update(self._dial)
        self.say("left", "L" if len(self._hands) == 2 else "")
        self.say("right", "R" if len(self._hands) == 2 else "")
        if math.isnan(usual):
            self._say_last(frame)
            return
        text, role = self._usual_words(low, usual, dial)
        age = frame.number(self.key("age"))
        stopped = age >= STOPPED_SECONDS
        self._last = (text, frame.status.elapsed_seconds - (age if stopped else 0.0))
        self._dim(not self.live or stopped)
        self.say("usual", text, "faint" if self._dimmed else role)
        if stopped:
            self.say("note", words.age(age), "faint")
        else:
            self.say("note", self._note_words(frame, dial), "soft")

    def _take_home(self, frame: Frame) -> None:
        self._feed = frame.layout.feed_of(self.meter_id)
        self._usual_dbfs = frame.number(self.key("usual")) + self._alignment
        if self._home.follow(self.settings, self._feed, self._movement_name):
            self._last = ("", math.nan)  # it was said of another home
        low, high = self._home.range(self._alignment)
        arc = DIALS[self._movement].place(low), DIALS[self._movement].place(high)
        if not np.array_equal(arc, self._home_arc, equal_nan=True):
            self._home_arc = arc
            self.update(self._dial)

    def _dim(self, dimmed: bool) -> None:
        """The range on the scale dims with the words for it."""
        if dimmed != self._dimmed:
            self._dimmed = dimmed
            self.update(self._dial)

    def _say_last(self, frame: Frame) -> None:
        """While the level is too low to judge, keep the last text, dimmed, with its age."""
        text, at = self._last
        if not text or not frame.number(self.key("max")) > -math.inf:
            self._last = ("", math.nan)
            self.say("usual", words.waiting(self.live), "soft")
            self.say("note", "")
            return
        self.say("usual", text, "faint")
        self.say("note", words.age(frame.status.elapsed_seconds - at), "faint")

    def _usual_words(self, low: float, usual: float, dial: Dial) -> tuple[str, str]:
        home = self._home.word(self._usual_dbfs)
        roomy = self.inside.width() >= text_width(USUAL_WIDEST, VERDICT_PX - 4, bold=True)
        return usual_words(low, usual, dial.unit, home, roomy=roomy)

    def _note_words(self, frame: Frame, dial: Dial) -> str:
        over = frame.number(self.key("peak_over"))
        if self._home.known and math.isfinite(self._usual_dbfs):
            true_gap = frame.number(self.key("peaks.true_10s")) - self._usual_dbfs
            true_peaks = math.isfinite(true_gap)
            return self._fitting(*self._home.note(self._usual_dbfs, true_gap if true_peaks else over, true_peaks))
        if math.isfinite(over) and over > TOLD_PEAKS_DB and self._movement == VU:
            return self._fitting(*(text.format(words.figure(over, 0)) for text in (SLOW, SLOW_SHORT)))
        highest = frame.number(self.key("max"))
        several = len(frame.vector(self.key("now"))) > 2
        told = f"max {words.figure(highest, 1, plus=True)} {dial.unit} since R" if highest > -math.inf else ""
        return f"loudest channel, {told}".rstrip(", ") if several else told

    def _fitting(self, long: str, short: str) -> str:
        return long if text_width(long, SUBTITLE_PX) <= self.inside.width() else short

    def value_text(self) -> str:
        return ", ".join(
            text for text in (self.subtitle, self.labels["usual"].text, self.labels["note"].text) if text
        )

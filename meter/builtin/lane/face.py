"""The mix against references: a grey lane of what they do in each band, and one line of what the mix does.

Above tone, below width where there is room. The middle line is the median of the references, all matched in level.
Bands that the sentence names have the colour of text. The card stands on a page only while references are chosen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec
from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QPainter, QRegion

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.label import Label, line_height, text_width
from meter.gui.kit.steady import Steady
from meter.gui.kit.theme import MARK_PX, TEXT_PX, font, mixed, px
from meter.gui.kit.way import Way
from meter.lane.findings import FOUND, LISTENING, NO_REFERENCES, LaneBand, LaneFindings, LaneOutside
from meter.lane.words import FEW, MOST_TOLD, lane_words, outside_words, sentence
from meter.plugin.face import Choice, Face, Setting
from meter.readings import Frame

STUDY, ACTION, PREFIX = "against", "references", "reference_"
NOTHING_FOUND = LaneFindings()
OF = (("newest", "newest 20 s"), ("loud part", "loud part since R"))
SCALES_DB = (6.0, 12.0, 24.0)
SHRINK_AT = 0.75
"""A smaller scale is taken when everything fills less than this share of it."""
TONE_SHARE = 0.55
LEAST_PLOT_PX, LEAST_BOTH_PX = 44, 130
LINE_PX = 3
DWELL_SECONDS = 3.0
"""Other bands are named when they were outside for so long; figures follow at once (common practice, no source)."""
WRAPS = 0.9
"""Share of a line that words fill, at a guess."""
GAP_PX, BUTTON_PX = 6, 30
BUTTON_WORDS = "Choose reference files…"
PLOTS = ("tone", "width")
LOWS = "lows"
FIGURES = ("peak to loudness", "loudness range", LOWS)


class LaneFace(Face):
    """See the module's description."""

    least = QSize(200, 110)
    preferred = QSize(345, 340)
    settled = ("sentence",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "sentence": Label(TEXT_PX, lines=4),
            **{name: Label(MARK_PX, role="soft", lines=1) for name in FIGURES},
            "note": Label(MARK_PX, role="soft", lines=3),
        }
        self._found = self._taken = NOTHING_FOUND
        self._names: Steady[tuple[str, ...]] = Steady(DWELL_SECONDS)
        self._told: tuple[LaneOutside, ...] = ()
        self._waits = False
        self._plots: dict[str, QRect] = dict.fromkeys(PLOTS, QRect())
        self._full_db = dict.fromkeys(PLOTS, SCALES_DB[0])
        self._way = Way(self, {})
        self._way.button.setText(BUTTON_WORDS)
        self._way.button.clicked.connect(lambda: self.action_asked.emit(ACTION))
        self.controls = [self._way.button]
        self._chosen = False

    # What is shown

    @property
    def subtitle(self) -> str:
        if self._found.state != FOUND:
            return ""
        return f"{self._found.stretch}, dB re their median; {lane_words(self._found)}"

    @property
    def short_subtitle(self) -> str:  # type: ignore[override]  # changes with what is shown
        if self._found.state != FOUND:
            return ""
        count = self._found.used
        return {1: "dB re the reference", 2: "dB re the mean of 2"}.get(count, f"dB re the median of {count}")

    @property
    def needs_room(self) -> bool:
        """Without a reference there is nothing to show."""
        return self._chosen

    def choices(self) -> tuple[Choice, ...]:
        return (
            Choice("references", "choose reference files…", run=lambda: self.action_asked.emit(ACTION)),
            *(Choice("of the mix", name, "of", of) for of, name in OF),
        )

    def show_settings(self, settings: Mapping[str, Setting]) -> None:
        """Take the settings; with the first reference the card takes its place on the page."""
        before = self._chosen
        self._chosen = any(value for key, value in settings.items() if key.startswith(PREFIX))
        super().show_settings(settings)
        if self._chosen != before:
            self.room_changed.emit()

    def take_words(self, frame: Frame) -> None:
        found: LaneFindings = frame.findings.get(self.key(STUDY), NOTHING_FOUND)
        if found is not self._taken or self._waits:
            self._taken = found
            self._found = self._steadied(found, frame.status.elapsed_seconds)
            self._follow_scales()
            self.rearrange()
        found = self._found
        waits = found.state == LISTENING and not found.references
        said = words.waiting(self.live) if waits else sentence(found)
        self.say("sentence", said, "ink" if found.state == FOUND else "soft", short=in_short(found))
        for name in FIGURES:
            self.say(name, self._figure_words(name))
        self.say("note", self._note())

    def _figure_words(self, name: str) -> str:
        """``lows +1.2 dB (−0.8 to +0.9)``: the lane in brackets, if there is one; empty for what is not compared."""
        found = self._found
        figures = (found.peak_to_loudness_lu, found.loudness_range_lu, found.lows_db)
        each = dict(zip(FIGURES, figures, strict=True))[name]
        if math.isnan(each.difference):
            return ""
        said = f"{name} {words.with_unit(each.difference, 'dB' if name == LOWS else 'LU', plus=True)}"
        if math.isnan(each.lane_low):
            return said
        return f"{said} ({words.figure(each.lane_low, plus=True)} to {words.figure(each.lane_high, plus=True)})"

    def _steadied(self, found: LaneFindings, now: float) -> LaneFindings:
        """The findings, naming other things than before only after these lasted."""
        if found.state != FOUND:
            self._names.clear()
            return found
        told = found.outside[:MOST_TOLD]
        wanted = (str(found.used), *(f"{each.what} {each.low_hz} {each.high_hz}" for each in told))
        self._waits = self._names.follow(wanted, now) != wanted
        if not self._waits:
            self._told = told
        return msgspec.structs.replace(found, outside=self._told)

    def _note(self) -> str:
        """What one has to know before anything of it is believed: faults first."""
        faults = [each.fault for each in self._found.references if each.fault]
        if self._found.state != FOUND:
            return next(iter(self._found.notes), "")
        worth = [lane_words(self._found)] if self._found.used <= FEW else []
        return next(iter((*faults, *self._found.notes, *worth)), "")

    def value_text(self) -> str:
        said = " ".join(self.labels[name].text for name in ("sentence", *FIGURES, "note") if self.labels[name].text)
        return said or sentence(LaneFindings(NO_REFERENCES))

    def _follow_scales(self) -> None:
        for plot in PLOTS:
            most = max((abs(value) for value in self._values(plot) if math.isfinite(value)), default=0.0)
            now = self._full_db[plot]
            wanted = next((full for full in SCALES_DB if most <= full), SCALES_DB[-1])
            if wanted > now or most < SHRINK_AT * wanted:
                self._full_db[plot] = wanted

    def _values(self, plot: str) -> list[float]:
        return [value for band in self._found.bands for value in triple(band, plot)]

    # Where it is shown

    def arrange(self, inside: QRect) -> None:
        found = self._found.state == FOUND
        text = line_height(TEXT_PX)
        lines = 2 if inside.width() >= px(420) else 3 if inside.width() >= px(260) else 4
        if not found:
            lines = max(1, inside.height() // text)
        above = min(lines * text, max(text, inside.height() // 2)) if found else inside.height()
        self._place_button(inside, text)
        self.labels["sentence"].place(QRect(inside.left(), inside.top(), inside.width(), above))
        rest = QRect(inside.left(), inside.top() + above, inside.width(), inside.height() - above)
        self._arrange_below(rest if found else QRect())

    def _arrange_below(self, rest: QRect) -> None:
        """Plots, and below them figures and a note where the plots keep enough."""
        mark = line_height(MARK_PX)
        bottom = rest.bottom() + 1
        for name in ("note", *reversed(FIGURES)):
            high = mark * (self._note_lines(rest) if name == "note" else bool(self._figure_words(name)))
            fits = high and bottom - high - rest.top() - mark >= LEAST_BOTH_PX
            self.labels[name].place(QRect(rest.left(), bottom - high, rest.width(), high) if fits else QRect())
            bottom -= high if fits else 0
        gutter = text_width(f"{words.MINUS}12", MARK_PX) + 6
        top, floor = rest.top() + GAP_PX, bottom - mark - 3
        high, wide = floor - top, rest.width() - gutter
        self._plots = dict.fromkeys(PLOTS, QRect())
        if high < LEAST_PLOT_PX or wide < 60:
            return
        first = round(high * TONE_SHARE) if self._has_width() and high >= LEAST_BOTH_PX else high
        self._plots["tone"] = QRect(rest.left() + gutter, top, wide, first)
        if first < high:
            below = top + first + mark + 2
            self._plots["width"] = QRect(rest.left() + gutter, below, wide, floor - below)

    def _note_lines(self, rest: QRect) -> int:
        note = self._note()
        if not note or rest.isEmpty():
            return 0
        return min(3, math.ceil(text_width(note, MARK_PX) / (WRAPS * rest.width())))

    def _has_width(self) -> bool:
        return any(math.isfinite(band.width_difference_db) for band in self._found.bands)

    def _place_button(self, inside: QRect, below: int) -> None:
        shown = self._found.state == NO_REFERENCES and inside.height() >= below + px(BUTTON_PX) + GAP_PX
        self._way.button.setVisible(shown)
        if not shown:
            return
        width = min(text_width(BUTTON_WORDS, TEXT_PX) + 36, inside.width())
        self._way.button.setGeometry(inside.left(), inside.top() + below + GAP_PX, width, px(BUTTON_PX))
        self._way.colour(self.theme)

    # How it is drawn

    def paint_still(self, painter: QPainter) -> None:
        painter.setFont(font(MARK_PX))
        for plot, box in self._plots.items():
            if not box.isEmpty():
                self._draw_scale(painter, plot, box)
        lowest = self._plots["width"] if not self._plots["width"].isEmpty() else self._plots["tone"]
        if not lowest.isEmpty():
            self._draw_names(painter, lowest)

    def _draw_scale(self, painter: QPainter, plot: str, box: QRect) -> None:
        painter.fillRect(box, mixed(self.theme.card, self.theme.trough, 0.5))
        high = line_height(MARK_PX)
        full = self._full_db[plot]
        marks = (full / 2.0, 0.0, -full / 2.0) if box.height() >= 3.5 * high else (0.0,)
        for level in marks:
            at = self._y(box, level, full)
            painter.setPen(mixed(self.theme.card, self.theme.line, 0.7))
            painter.drawLine(box.left(), at, box.right(), at)
            painter.setPen(self.theme.faint)
            place = QRect(self.inside.left(), at - high // 2, box.left() - 6 - self.inside.left(), high)
            painter.drawText(place, Qt.AlignmentFlag.AlignRight, words.figure(level, 0, plus=True))
        if plot == "width":
            painter.setPen(self.theme.soft)
            painter.drawText(
                QRect(box.left(), box.top() - high - 1, box.width(), high), Qt.AlignmentFlag.AlignLeft, plot
            )

    def _draw_names(self, painter: QPainter, box: QRect) -> None:
        """Octaves from 63 Hz on, every second one where they would touch."""
        bands = self._found.bands
        octave = 2 * box.width() / max(1, len(bands))
        step = 2 if octave >= text_width("500", MARK_PX) + 8 else 4
        free = -1
        for number in range(3, len(bands) + 1, step):
            hz = bands[number].low_hz if number < len(bands) else bands[-1].high_hz
            text = scale.hertz_label(hz)
            width = text_width(text, MARK_PX)
            left = min(self._x(box, number) - width // 2, box.right() + 1 - width)
            if left < free:
                continue
            free = left + width + 6
            painter.setPen(self.theme.soft)
            place = QRect(left, box.bottom() + 3, width, line_height(MARK_PX))
            painter.drawText(place, Qt.AlignmentFlag.AlignCenter, text)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        for plot, box in self._plots.items():
            if not box.isEmpty() and region.intersects(box):
                painter.save()
                painter.setClipRect(box)
                self._draw_lane(painter, plot, box)
                self._draw_mix(painter, plot, box)
                painter.restore()

    def _draw_lane(self, painter: QPainter, plot: str, box: QRect) -> None:
        grey = mixed(self.theme.card, self.theme.faint, 0.45)
        for number, band in enumerate(self._found.bands):
            _, low, high = triple(band, plot)
            if math.isnan(low) or math.isnan(high):
                continue
            left, right = self._x(box, number), self._x(box, number + 1)
            top, bottom = (self._y(box, level, self._full_db[plot]) for level in (high, low))
            painter.fillRect(left, top, right - left, max(1, bottom - top + 1), grey)

    def _draw_mix(self, painter: QPainter, plot: str, box: QRect) -> None:
        """One step a band, joined by upright lines; named bands in the colour of text."""
        before: int | None = None
        for number, band in enumerate(self._found.bands):
            value = triple(band, plot)[0]
            if math.isnan(value):
                before = None
                continue
            left, right = self._x(box, number), self._x(box, number + 1)
            at = self._y(box, value, self._full_db[plot])
            colour = self.theme.ink if self._is_named(band, plot) else self.measured
            if before is not None:
                painter.fillRect(left, min(at, before), 1, abs(at - before) + 1, self.measured)
            painter.fillRect(left, at - LINE_PX // 2, right - left, LINE_PX, colour)
            before = at

    def _is_named(self, band: LaneBand, plot: str) -> bool:
        return any(
            each.what == plot and each.low_hz <= band.low_hz and band.high_hz <= each.high_hz
            for each in self._found.outside[:MOST_TOLD]
        )

    def _x(self, box: QRect, number: int) -> int:
        return box.left() + round(number * box.width() / max(1, len(self._found.bands)))

    @staticmethod
    def _y(box: QRect, level_db: float, full_db: float) -> int:
        room = box.height() - LINE_PX - 1
        return box.bottom() - LINE_PX // 2 - round(scale.straight_place(level_db, -full_db, full_db) * room)


def triple(band: LaneBand, plot: str) -> tuple[float, float, float]:
    """Difference and both edges of the lane of a band."""
    if plot == "tone":
        return band.difference_db, band.lane_low_db, band.lane_high_db
    return band.width_difference_db, band.width_lane_low_db, band.width_lane_high_db


def in_short(found: LaneFindings) -> str:
    """What the sentence names, without what it is compared with: the subtitle says that. Empty for nothing named."""
    return "; ".join(outside_words(each) for each in found.outside[:MOST_TOLD]) if found.state == FOUND else ""

"""Room for a high-pass, and its price: the spectrum of one part, its lowest note as a post, the zone free to cut.

The slider under the picture is its axis: it tries any cut-off. The four slopes stand below with what each cuts and
costs; a click on one selects it. Costs are stated, nothing is ordered.
"""

from __future__ import annotations

import math

import numpy as np
from msgspec.structs import replace
from PySide6.QtCore import QPoint, QRect, QSize, Qt
from PySide6.QtGui import QMouseEvent, QPainter, QPen, QPolygonF, QRegion
from PySide6.QtWidgets import QSlider

from meter import figures as words
from meter.builtin.low_end import face_data as data
from meter.builtin.low_end import face_mix as mix
from meter.builtin.low_end.face_data import SLOPES, Floats
from meter.builtin.low_end.face_shape import HIGH_HZ, LOW_HZ, low_shape, x_of
from meter.gui.kit import scale
from meter.gui.kit.label import Label, line_height, shortened, text_width
from meter.gui.kit.theme import HAIRLINE, MARK_PX, TEXT_PX, VERDICT_PX, font, mixed, px
from meter.lowend import words as sentences
from meter.lowend.findings import LowEndFindings, Offer, PartFindings
from meter.plugin.face import Choice, Face
from meter.readings import Frame

MARKED_HZ = (20.0, 30.0, 40.0, 60.0, 80.0, 120.0, 200.0, 300.0, 400.0)
STEPS = 300
ROW_PX = 23
OVERHANG_PX = 6
"""The selected slope is marked a little wider than the table."""
HEADINGS = ("dB/oct", "cut-off", "rumble\ncut", "delay\n(cycles)", "peak", "mix\npeak", "mix low\nend", "ring")
HEADING_LINES = 2
SAMPLES = ("24", "000 Hz", "100 %", "0.00", "−00.0", "−00.0", "−00.0", "−0,000")
DOUBTS = {"silent": "It is silent", "too little heard so far": "Too little heard so far"}
AUTOMATIC = "automatic"
STALE_SHARE = 0.55
"""How much of its colour the picture keeps when the music stopped."""
WORTH_CUTTING_DB = -45.0
"""Rumble further under the mix's lows than this is not worth a sentence about what goes."""


class PriceFace(Face):
    """See the module's description."""

    least = QSize(220, 140)
    preferred = QSize(450, 480)
    settled = ("name", "price")

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "name": Label(VERDICT_PX + 3, bold=True, sample="plucked pair", least_px=TEXT_PX),
            "why": Label(MARK_PX, role="soft"),
            "price": Label(TEXT_PX + 1, lines=3, least_px=TEXT_PX, sample="High-pass up to 100 Hz"),
        }
        self.slider = QSlider(Qt.Orientation.Horizontal, self)
        self.slider.setRange(0, STEPS)
        self.slider.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.slider.setAccessibleName("cut-off to try")
        self.slider.setToolTip("try any cut-off; a double click on the picture returns to 0.5 dB")
        self.slider.valueChanged.connect(self._try)
        self.controls = [self.slider]
        self._picture = QRect()
        self._table = QRect()
        self._shape = QPolygonF()
        self._under = QPolygonF()
        self._spectrum: Floats = np.empty(0)
        self._mapped, self._stale = True, False
        self._names: tuple[str, ...] = ()
        self._floor = math.nan
        self._cutoff = math.nan
        self._rows: list[tuple[str, ...]] = []
        self._columns: list[int] = []

    @property
    def subtitle(self) -> str:
        return "lows of one part, over its loud moments" if self._mapped else "20–240 Hz; no part is named"

    @property
    def slope(self) -> int:
        """The selected slope, dB per octave."""
        return int(str(self.settings.get("slope", "12")))

    def choices(self) -> tuple[Choice, ...]:
        part = "show"
        named = tuple(Choice(part, name, "part", name) for name in self._names)
        slopes = tuple(Choice("slope", f"{slope} dB per octave", "slope", f"{slope}") for slope in SLOPES)
        free = Choice("cut-off", "the highest that costs the lowest note 0.5 dB", "cutoff_hz", 0.0)
        return (Choice(part, AUTOMATIC, "part", ""), *named, *slopes, free)

    # Layout

    def arrange(self, inside: QRect) -> None:
        name, why, price = self.labels["name"], self.labels["why"], self.labels["price"]
        name.place(QRect(inside.left(), inside.top(), inside.width(), VERDICT_PX + 12))
        why_width = text_width(AUTOMATIC, MARK_PX) + 4
        beside = inside.width() >= text_width("plucked pair", VERDICT_PX + 3, bold=True) + why_width + 20
        down = name.rect.top() + round(name.ascent - why.ascent)
        why.place(QRect(inside.right() + 1 - why_width, down, why_width if beside else 0, why.line_height))
        table_high = len(SLOPES) * px(ROW_PX) + self._heading_px if inside.height() >= px(400) else 0
        lines = 3 if inside.height() >= 300 else 2
        slider_high = 22 if inside.height() >= 230 else 0
        axis = line_height(MARK_PX) + 2
        bottom = inside.bottom() + 1 - table_high
        self._table = QRect(inside.left(), bottom, inside.width(), table_high)
        price_top = bottom - lines * price.line_height - (8 if table_high else 0)
        price.place(QRect(inside.left(), price_top, inside.width(), lines * price.line_height))
        top = inside.top() + name.line_height + 4 + line_height(MARK_PX)
        high = price_top - 6 - axis - slider_high - top
        self._picture = QRect(inside.left(), top, inside.width(), high) if high >= 40 else QRect()
        shown = slider_high and not self._picture.isEmpty()
        self.slider.setVisible(bool(shown) and bool(self._names))
        # The handle is about as wide as it is high; its middle must run from edge to edge of the picture.
        under = self._picture.bottom() + 1 + axis
        self.slider.setGeometry(inside.left() - 8, under, inside.width() + 16, slider_high)
        self._arrange_columns()
        self._spectrum = np.empty(0)

    @property
    def _heading_px(self) -> int:
        return HEADING_LINES * line_height(MARK_PX) + 2

    def _arrange_columns(self) -> None:
        widths = [
            max(text_width(sample, TEXT_PX), *(text_width(line, MARK_PX) for line in heading.split("\n"))) + 8
            for sample, heading in zip(SAMPLES, HEADINGS, strict=True)
        ]
        count = len(widths)
        while count > 3 and sum(widths[:count]) > self._table.width():
            count -= 1
        spare = (self._table.width() - sum(widths[:count])) // count if count else 0
        self._columns = [self._table.left()]
        for width in widths[:count]:
            self._columns.append(self._columns[-1] + width + spare)

    # Numbers and words

    def take_words(self, frame: Frame) -> None:
        part = data.shown_part(frame, self.settings)
        if frame.parts != self._names or self._mapped != bool(frame.parts):
            self._names, self._mapped = frame.parts, bool(frame.parts)
            self.rearrange()
        stale = data.is_stale(frame) if frame.parts else mix.is_stale(frame)
        if stale != self._stale:
            self._stale = stale
            self.update()
        found = data.part_found(frame, part)
        offer = self._offer(data.findings(frame), found) if found is not None else None
        self._say_part(frame, part, found, offer)
        self._take_picture(frame, found, offer)
        self._take_rows(found)
        self._follow_slider()

    def _say_part(self, frame: Frame, part: int, found: PartFindings | None, offer: Offer | None) -> None:
        chosen = part >= 0 and self.settings.get("part") == frame.parts[part]
        why = "" if chosen or part < 0 else AUTOMATIC
        if not frame.parts:
            self.say("price", *self._of_mix(frame))
        elif found is None:
            self.say("price", words.waiting(self.live), "soft")
        else:
            sentence = self._price(found, offer)
            sentence = sentence if sentence.endswith("…") else data.with_age(sentence, frame)
            self.say("price", sentence, "soft" if self._stale else "ink", self._short_price(found, offer))
        name = self.labels["name"]
        shown = frame.parts[part] if part >= 0 else "" if frame.parts else "the mix"
        beside = name.width_of(shown) + 20 <= self.labels["why"].rect.left() - name.rect.left()
        self.say("name", shortened(shown, name.size_px, name.rect.width(), bold=True))
        self.say("why", why if beside else "")

    def _of_mix(self, frame: Frame) -> tuple[str, str, str]:
        """The strongest low and what stands here with parts, the role, and as much of both as there is room for."""
        strongest = mix.strongest_low(frame, self.live)
        whole = f"{strongest} {mix.PRICE_WOULD_SHOW}"
        return whole, "soft", data.first_fitting(self.labels["price"], mix.PRICE_WOULD_SHOW, strongest)

    def _price(self, found: PartFindings, offer: Offer | None) -> str:
        """One sentence: up to where, what it cuts, what it costs."""
        if offer is None:
            doubt = DOUBTS.get(sentences.doubt_of(found), "No pitch and no low peak that stays")
            return f"{doubt}: no price for a high-pass yet"
        where = "tried at" if self._is_tried else "up to"
        said = sentences.high_pass_words(self._told(found, offer), sentences.spared_note(found), where)
        end = "." if math.isfinite(offer.true_peak_change_db) else "; trying it…"
        return f"H{said[1:]}{end}"

    def _short_price(self, found: PartFindings, offer: Offer | None) -> str:
        """The same in few words, without the peak, or in fewer; empty where the sentence always fits."""
        if offer is None:
            return ""
        cut, note = sentences.rumble_cut(self._told(found, offer)), sentences.spared_note(found)
        cut = f"{cut}, " if cut else ""
        where = f"{offer.cutoff_hz:.0f} Hz, {offer.slope_db_per_octave} dB/oct: {cut}"
        cost = data.decibels(-offer.loss_at_floor_db)
        return data.first_fitting(self.labels["price"], f"High-pass {where}{note} {cost}", f"{where}{cost}")

    @staticmethod
    def _told(found: PartFindings, offer: Offer) -> Offer:
        """The offer, without the rumble it cuts where there is too little for a word."""
        is_worth_it = found.rumble_against_mix_lows_db > WORTH_CUTTING_DB
        return offer if is_worth_it else replace(offer, rumble_removed_percent=math.nan)

    @property
    def _tried_hz(self) -> float:
        """The cut-off that the user wants to know of, 0 for none."""
        cutoff = self.settings.get("cutoff_hz", 0.0)
        return cutoff if isinstance(cutoff, float) else 0.0

    @property
    def _is_tried(self) -> bool:
        return self._tried_hz > 0.0

    def _offer(self, found: LowEndFindings | None, part: PartFindings) -> Offer | None:
        """The requested cut-off with what is known of it so far, otherwise the free one at the chosen slope."""
        free = next((offer for offer in part.high_pass if offer.slope_db_per_octave == self.slope), None)
        if free is None or not self._is_tried:
            return free
        requested = found.requested if found is not None else None
        if requested is not None and requested.part == part.name and self._is_answer(requested.offer):
            return requested.offer
        return Offer(self.slope, self._tried_hz, *[math.nan] * 8)

    def _is_answer(self, offer: Offer) -> bool:
        return offer.cutoff_hz == self._tried_hz and offer.slope_db_per_octave == self.slope

    def _take_rows(self, found: PartFindings | None) -> None:
        offered = {offer.slope_db_per_octave: offer for offer in found.high_pass} if found is not None else {}
        rows = [(f"{slope}", *self._texts(offered.get(slope))) for slope in SLOPES]
        if rows != self._rows:
            self._rows = rows
            self.update(self._table.adjusted(-OVERHANG_PX, 0, OVERHANG_PX, 0))

    @staticmethod
    def _texts(offer: Offer | None) -> tuple[str, ...]:
        if offer is None:
            return (words.NOT_YET,) * (len(HEADINGS) - 1)
        return (
            f"{offer.cutoff_hz:.0f} Hz" if math.isfinite(offer.cutoff_hz) else words.NOT_YET,
            data.percent(offer.rumble_removed_percent),
            f"{offer.delay_cycles:.2f}" if math.isfinite(offer.delay_cycles) else words.NOT_YET,
            words.figure(offer.true_peak_change_db, plus=True),
            words.figure(offer.mix_true_peak_change_db, plus=True),
            words.figure(offer.mix_low_band_change_db, plus=True),
            words.figure(offer.ring_change_ms, 0, plus=True),
        )

    # Picture

    def _take_picture(self, frame: Frame, found: PartFindings | None, offer: Offer | None) -> None:
        account = data.findings(frame)
        frequencies, spectrum = np.empty(0), np.empty(0)
        if not frame.parts:
            frequencies, spectrum = mix.spectrum_of(frame)
        elif account is not None and found is not None:
            frequencies, spectrum = np.array(account.spectrum_hz), np.array(found.spectrum_db)
        floor = found.floor_hz if found is not None else math.nan
        cutoff = offer.cutoff_hz if offer is not None else math.nan
        same = np.array_equal(spectrum, self._spectrum, equal_nan=True)
        if same and words.figure(floor) == words.figure(self._floor) and cutoff == self._cutoff:
            return
        self._spectrum, self._floor, self._cutoff = spectrum.copy(), floor, cutoff
        self._shape = low_shape(self._picture, frequencies, spectrum)
        self._under = (
            low_shape(self._picture, frequencies, spectrum, floor / math.sqrt(2.0))
            if found is not None
            else QPolygonF()
        )
        self.update(self._picture.adjusted(-4, -line_height(MARK_PX), 4, 4))

    def paint_still(self, painter: QPainter) -> None:
        if self._picture.isEmpty():
            return
        painter.setFont(font(MARK_PX))
        free = -1
        for frequency in MARKED_HZ:
            at = x_of(self._picture, frequency)
            painter.setPen(mixed(self.theme.card, self.theme.line, 0.6))
            painter.drawLine(at, self._picture.top(), at, self._picture.bottom())
            text = f"{frequency:g}"
            width = text_width(text, MARK_PX)
            left = max(self.inside.left(), min(at - width // 2, self.inside.right() + 1 - width))
            if left < free:
                continue
            painter.setPen(self.theme.soft)
            painter.drawText(QRect(left, self._picture.bottom() + 3, width + 2, line_height(MARK_PX)), 0, text)
            free = left + width + 6
        painter.setPen(self.theme.line)
        painter.drawLine(self._picture.bottomLeft(), self._picture.bottomRight())

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        if not self._picture.isEmpty() and region.intersects(self._picture):
            self._draw_zone(painter)
            self._draw_shape(painter)
            self._draw_post(painter)
        if self._table.height() >= px(ROW_PX) and region.intersects(self._table) and self._rows and self._names:
            self._draw_table(painter)

    def _draw_zone(self, painter: QPainter) -> None:
        """Everything left of the cut-off, named."""
        if not math.isfinite(self._cutoff) or self._cutoff <= LOW_HZ:
            return
        right = x_of(self._picture, self._cutoff)
        zone = QRect(self._picture.topLeft(), QPoint(right, self._picture.bottom()))
        painter.fillRect(zone, mixed(self.theme.card, self.theme.ink, 0.08))
        painter.fillRect(QRect(right, self._picture.top(), 2, self._picture.height()), self.theme.soft)
        text = "tried" if self._is_tried else "room to cut"
        if text_width(text, MARK_PX) + 10 <= zone.width():
            painter.setFont(font(MARK_PX))
            painter.setPen(self.theme.ink)
            painter.drawText(zone.adjusted(6, 3, -4, 0), Qt.AlignmentFlag.AlignLeft, text)

    def _draw_shape(self, painter: QPainter) -> None:
        calm = STALE_SHARE if self._stale else 1.0
        for shape, colour, depth in (
            (self._shape, self.measured, 0.42 * calm),
            (self._under, self.theme.soft, 0.7 * calm),
        ):
            if shape.size():
                painter.setPen(QPen(mixed(self.theme.card, colour, calm), HAIRLINE))
                painter.setBrush(mixed(self.theme.card, colour, depth))
                painter.drawPolygon(shape)

    def _draw_post(self, painter: QPainter) -> None:
        """The lowest note, by its name."""
        note = data.note_words(self._floor)
        if not note or not LOW_HZ <= self._floor <= HIGH_HZ:
            return
        ink = self.theme.soft if self._stale else self.theme.ink
        at = x_of(self._picture, self._floor)
        painter.fillRect(QRect(at - 1, self._picture.top(), 3, self._picture.height()), ink)
        text = f"{note}  {self._floor:.0f} Hz"
        width = text_width(text, MARK_PX, bold=True)
        left = max(self.inside.left(), min(at - width // 2, self.inside.right() + 1 - width))
        painter.setFont(font(MARK_PX, bold=True))
        painter.setPen(ink)
        painter.drawText(QPoint(left, self._picture.top() - 5), text)

    def _draw_table(self, painter: QPainter) -> None:
        painter.setFont(font(MARK_PX))
        painter.setPen(self.theme.soft)
        self._draw_cells(painter, HEADINGS, self._table.top(), self._heading_px)
        painter.setFont(font(TEXT_PX))
        for number, row in enumerate(self._rows):
            top = self._table.top() + self._heading_px + number * px(ROW_PX)
            selected = SLOPES[number] == self.slope
            if selected:
                box = QRect(self._table.left(), top, self._table.width(), px(ROW_PX) - 1)
                box.adjust(-OVERHANG_PX, 0, OVERHANG_PX, 0)
                painter.fillRect(box, mixed(self.theme.card, self.theme.ink, 0.12))
                painter.fillRect(QRect(box.left(), top, 3, box.height()), self.theme.ink)
            painter.setPen(self.theme.ink if selected and not self._stale else self.theme.soft)
            self._draw_cells(painter, row, top, px(ROW_PX))

    def _draw_cells(self, painter: QPainter, texts: tuple[str, ...], top: int, high: int) -> None:
        upright = Qt.AlignmentFlag.AlignVCenter if high == px(ROW_PX) else Qt.AlignmentFlag.AlignBottom
        for column in range(len(self._columns) - 1):
            left, right = self._columns[column], self._columns[column + 1]
            side = Qt.AlignmentFlag.AlignLeft if column == 0 else Qt.AlignmentFlag.AlignRight
            painter.drawText(QRect(left, top, right - left, high), side | upright, texts[column])

        # The hand

    def _try(self, step: int) -> None:
        hertz = LOW_HZ * (HIGH_HZ / LOW_HZ) ** (step / STEPS)
        self.setting_chosen.emit(self.meter_id, {"cutoff_hz": round(hertz, 1)})

    def _follow_slider(self) -> None:
        """The handle stands at the cut-off that is shown, unless it is being moved."""
        if self.slider.isSliderDown() or not math.isfinite(self._cutoff):
            return
        step = round(scale.log_place(self._cutoff, LOW_HZ, HIGH_HZ) * STEPS)
        if step != self.slider.value():
            self.slider.blockSignals(True)
            self.slider.setValue(step)
            self.slider.blockSignals(False)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose a slope by a click on its row."""
        at = event.position().toPoint()
        row = (at.y() - self._table.top() - self._heading_px) // px(ROW_PX)
        if self._table.contains(at) and 0 <= row < len(SLOPES):
            self.setting_chosen.emit(self.meter_id, {"slope": f"{SLOPES[row]}"})
            return
        super().mousePressEvent(event)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Go back to the cut-off that costs 0.5 dB."""
        if self._picture.contains(event.position().toPoint()):
            self.setting_chosen.emit(self.meter_id, {"cutoff_hz": 0.0})

    def value_text(self) -> str:
        return f"{self.labels['name'].text}: {self.labels['price'].text}".strip(": ")

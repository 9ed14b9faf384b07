"""Who owns the low end: one fat bar of blocks named inside, the others in a list, and the same in four bands.

What cancels is drawn apart, under the end of the bar from which it takes. A dashed block is what the mix bus adds.
While no part is named the blocks are the bands of the mix, and a button leads to the parts.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QRect, QRectF, QSize, Qt
from PySide6.QtGui import QBrush, QColor, QMouseEvent, QPainter, QPen, QRegion

from meter import figures as words
from meter.builtin.low_end import face_blocks as blocks_of
from meter.builtin.low_end import face_data as data
from meter.builtin.low_end import face_mix as mix
from meter.builtin.low_end.face_blocks import LEAST_BAR_PX, Block
from meter.builtin.low_end.face_data import Part
from meter.gui.kit.label import RIGHT, Label, line_height, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, VERDICT_PX, font, mixed, px
from meter.gui.kit.way import Way
from meter.lowend import words as sentences
from meter.lowend.findings import CANCELS, OTHER, OWNER
from meter.plugin.face import Choice, Face
from meter.readings import Frame

MOST_BAR_PX = 76
CANCEL_PX = 18
BUS_FOOT_PX = 9
LISTED_PARTS = 4
LIST_SHARE, WAY_SHARE = 0.24, 0.32
BUTTON_PX = 34
LIST_FROM_PX = 700
SELECTED_PX = 2
"""Width of the frame of the part that is shown."""
MOST_BUS_SHARE = 0.25
SHADES = (0.0, 0.5, 0.24, 0.66)
"""How far a block is mixed into the card, by its part: neighbours differ, and no part changes colour."""
OFFERED_TEMPOS = (80.0, 90.0, 100.0, 110.0, 120.0, 130.0, 140.0)
"""For the hand on the mouse; any other is tapped."""


class OwnersFace(Face):
    """See the module's description. A click on a block shows its part on the page."""

    least = QSize(300, 110)
    preferred = QSize(1250, 220)
    settled = ("verdict",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "verdict": Label(VERDICT_PX, lines=2, least_px=TEXT_PX, sample="a and b own the low end"),
            "bus": Label(TEXT_PX, role="soft", align=RIGHT),
            "others": Label(MARK_PX, role="soft"),
            "mono": Label(TEXT_PX, role="soft", lines=2),
            "way": Label(TEXT_PX, lines=5),
        }
        for row in range(LISTED_PARTS):
            self.labels[f"other{row}"] = Label(TEXT_PX)
        for band in range(4):
            self.labels[f"band{band}"] = Label(MARK_PX, role="soft")
        self._way = Way(self, mix.WAYS)
        self._way.button.clicked.connect(lambda: self.action_asked.emit(self._way.action))
        self.controls = [self._way.button]
        self._way_place = QRect()
        self._bar = QRect()
        self._bands: list[QRect] = []
        self._parts: list[Part] = []
        self._blocks: list[list[Block]] = [[] for _ in range(5)]
        self._cancels: list[tuple[Part, QRect]] = []
        self._figures: dict[int, str] = {}
        self._bus = math.nan
        self._shown_part = -1
        self._settled = False
        self._mapped, self._one_channel = True, False
        self._shown: tuple[object, ...] = ()

    @property
    def subtitle(self) -> str:
        return f"20–120 Hz, {data.span_words(self.settings) if self._mapped else 'last 3 s of the mix'}"

    def choices(self) -> tuple[Choice, ...]:
        heading = "shares of"
        return (
            Choice(heading, "the last 8 bars, or 10 s without a tempo", "span", data.LAST),
            Choice(heading, "all since the mark", "span", data.MARKED),
            Choice(heading, "the whole sitting", "span", data.SITTING),
            Choice("tempo", "none", "tempo_bpm", 0.0),
            Choice("tempo", "tap it with B", run=lambda: self.action_asked.emit("tap")),
            Choice("tempo", "type it…", run=lambda: self.action_asked.emit("tempo")),
            *(Choice("tempo", f"{tempo:g} BPM", "tempo_bpm", tempo) for tempo in OFFERED_TEMPOS),
            Choice("feeds", "name the feeds…", run=lambda: self.action_asked.emit("feeds")),
        )

    # Layout

    def arrange(self, inside: QRect) -> None:
        self._shown = ()
        self._way.button.hide()
        if not self._mapped:
            self._arrange_mix(inside)
            return
        for name in ("mono", "way"):
            self.labels[name].hide()
        listed = inside.width() >= LIST_FROM_PX
        side = round(inside.width() * LIST_SHARE) if listed else 0
        self._arrange_list(QRect(inside.right() + 1 - side + 24, inside.top(), side - 24, inside.height()), listed)
        left = QRect(inside.left(), inside.top(), inside.width() - side, inside.height())
        verdict, bus = self.labels["verdict"], self.labels["bus"]
        bands_high = line_height(MARK_PX) + 16 + 6
        with_bands = left.height() >= LEAST_BAR_PX + 2 * verdict.line_height + bands_high + CANCEL_PX
        rest = left.height() - verdict.line_height - 8 - CANCEL_PX - (bands_high if with_bands else 0)
        high = max(LEAST_BAR_PX, min(px(MOST_BAR_PX), rest))
        self._bar = QRect(left.left(), left.top(), left.width(), high)
        top = self._bar.bottom() + 1 + CANCEL_PX + 4
        bus_width = text_width("mix bus takes 00.0 dB", TEXT_PX) + 24
        wide = left.width() >= 2 * bus_width
        verdict.place(QRect(left.left(), top, left.width() - (bus_width if wide else 0), verdict.line_height))
        down = verdict.rect.top() + round(verdict.ascent - bus.ascent)
        bus.place(QRect(left.right() + 25 - bus_width, down, bus_width - 24 if wide else 0, bus.line_height))
        self._arrange_bands(QRect(left.left(), top + verdict.line_height + 8, left.width(), bands_high), with_bands)

    def _arrange_mix(self, inside: QRect) -> None:
        """The bar and what it says; right of them, or below in a narrow card, the way to the parts."""
        for label in self.labels.values():
            label.hide()
        self._bands = []
        verdict, mono = self.labels["verdict"], self.labels["mono"]
        left, place = QRect(inside), QRect(inside)
        if inside.width() >= LIST_FROM_PX:
            place.setLeft(inside.right() + 1 - round(inside.width() * WAY_SHARE))
            left.setRight(place.left() - 24)
        else:
            place.setTop(inside.bottom() + 1 - max(px(BUTTON_PX), inside.height() // 2 - 8))
            left.setBottom(place.top() - 8)
        room = left.height() - verdict.line_height - mono.line_height - 16
        high = min(px(MOST_BAR_PX), room) if room >= LEAST_BAR_PX and not self._one_channel else 0
        self._bar = QRect(left.left(), left.top(), left.width(), high)
        top = self._bar.bottom() + 1 + (10 if self._bar.height() else 0)
        verdict.place(QRect(left.left(), top, left.width(), min(left.bottom() + 1 - top, verdict.line_height)))
        top = verdict.rect.bottom() + 5
        lines = max(0, min(2, (left.bottom() + 1 - top) // mono.line_height))
        mono.place(QRect(left.left(), top, left.width(), lines * mono.line_height))
        self._way_place = place

    def _arrange_way(self) -> None:
        """The button right under its two sentences; where there is no room for both, the button alone."""
        place, way, button = self._way_place, self.labels["way"], self._way.button
        lines = (place.height() - px(BUTTON_PX) - 10) // way.line_height
        way.place(QRect(place.left(), place.top(), place.width(), max(0, lines) * way.line_height))
        if way.elided:
            way.hide()
        top = place.top() + (len(way.shown) * way.line_height + 10 if way.shown else 0)
        width = min(place.width(), text_width(button.text(), TEXT_PX) + 36)
        button.setGeometry(place.left(), top, width, px(BUTTON_PX))
        self._way.colour(self.theme)
        button.setVisible(not self.fault)

    def _arrange_list(self, place: QRect, shown: bool) -> None:
        heading = self.labels["others"]
        heading.place(QRect(place.left(), place.top(), place.width(), heading.line_height) if shown else QRect())
        top = heading.rect.bottom() + 6
        for row in range(LISTED_PARTS):
            label = self.labels[f"other{row}"]
            fits = shown and top + label.line_height <= place.bottom() + 1
            label.place(QRect(place.left(), top, place.width(), label.line_height) if fits else QRect())
            top += label.line_height + 5

    def _arrange_bands(self, place: QRect, shown: bool) -> None:
        self._bands = []
        gap = 14
        width = (place.width() - 3 * gap) // 4
        for band in range(4):
            label = self.labels[f"band{band}"]
            left = place.left() + band * (width + gap)
            label.place(QRect(left, place.top(), width, label.line_height) if shown else QRect())
            box = QRect(left, label.rect.bottom() + 3, width, 16)
            self._bands.append(box if shown else QRect())

    # Numbers

    def take(self, frame: Frame) -> None:
        self._make_room(bool(frame.parts), mix.has_one_channel(frame))
        if not self._mapped:
            return
        parts = data.parts_of(frame)
        bands = data.table(frame, "band_share")
        settled = not data.listening_words(frame) and not data.is_stale(frame)
        shares = tuple(round(part.share * 4.0) if math.isfinite(part.share) else None for part in parts)
        shown_part = data.shown_part(frame, self.settings)
        bus = data.number(frame, "mix_bus_difference")
        shown = (shares, tuple((part.number, part.role) for part in parts), shown_part, settled, words.figure(bus))
        if shown == self._shown:
            return
        self._shown = shown
        self._parts, self._shown_part, self._settled, self._bus = parts, shown_part, settled, bus
        whole = [part.share for part in parts]
        self._blocks[0] = blocks_of.stack(self._bar, parts, whole, self._bus_share())
        for band in range(4):
            shares_here = [
                float(bands[part.number, band]) if bands.shape == (len(parts), 4) else math.nan for part in parts
            ]
            self._blocks[band + 1] = blocks_of.stack(self._bands[band], parts, shares_here) if self._bands else []
        self._cancels = blocks_of.hang(self._blocks[0], parts, whole, CANCEL_PX - 4)
        self.update()

    def _take_mix(self, frame: Frame) -> None:
        """The bands of the mix in the place of parts, moved with the words: a window of 3 s never stands still."""
        before = next((part.number for part in self._parts if part.role == OWNER), -1)
        parts = mix.as_parts(mix.bands_of(frame), before)
        self._settled = bool(parts) and not mix.is_stale(frame)
        shown = (tuple(round(part.share * 4.0) for part in parts), self._settled)
        if shown == self._shown:
            return
        self._shown = shown
        self._parts, self._shown_part, self._bus, self._cancels = parts, -1, math.nan, []
        self._blocks = [blocks_of.stack(self._bar, parts, [part.share for part in parts]), [], [], [], []]
        self.update()

    def _bus_share(self) -> float:
        """What the bus adds, as a share of the sum of the parts; negative for what it takes."""
        if not abs(self._bus) > sentences.BUS_DIFFERENCE_DB or not math.isfinite(self._bus):
            return 0.0
        return max(-MOST_BUS_SHARE, min(MOST_BUS_SHARE, float(10.0 ** (min(self._bus, 10.0) / 10.0)) - 1.0))

    # Words

    def take_words(self, frame: Frame) -> None:
        if not self._mapped:
            self._take_mix(frame)
        self._write_figures()
        if not self._mapped:
            self._say_mix(frame)
            return
        listening, stale = data.listening_words(frame), data.is_stale(frame)
        warned = data.cancelling(frame)
        said = self._said(frame, listening, stale, warned)
        role = "soft" if stale or (listening and not warned) or not self.live else "ink"
        self.say("verdict", said[0], role, data.first_fitting(self.labels["verdict"], *said))
        self.say("bus", sentences.bus_words(self._bus))
        self._say_list("faint" if stale or listening else "ink")
        self._say_bands(frame)

    def _said(self, frame: Frame, listening: str, stale: bool, warned: tuple[str, ...]) -> tuple[str, ...]:
        found = self._verdict() if not listening and self._has_shares() else ()
        if warned:  # before all else: what cancels is in no share
            found = (f"{warned[0]}; {found[0]}", *warned) if found else warned
        if found:
            return tuple(data.with_age(sentence, frame) for sentence in found)
        if listening and stale:
            return (f"{listening.replace(words.LISTENING, 'heard')}, {words.age(data.number(frame, 'age'))}",)
        return (listening if listening and self.live else words.waiting(self.live),)

    def _write_figures(self) -> None:
        """Blocks move with every frame, what is written in them only with the words."""
        figures = {part.number: data.percent(abs(part.share)) for part in self._parts}
        if figures != self._figures:
            self._figures = figures
            self.update(self._bar.adjusted(0, 0, 0, CANCEL_PX + 3))

    def _figure(self, part: Part) -> str:
        return self._figures.get(part.number) or data.percent(abs(part.share))

    def _make_room(self, mapped: bool, one_channel: bool) -> None:
        """Without parts the bands of the mix and the way to parts have the card."""
        if (mapped, one_channel) != (self._mapped, self._one_channel):
            self._mapped, self._one_channel, self._parts = mapped, one_channel, []
            self.rearrange()

    def _say_mix(self, frame: Frame) -> None:
        calm = "ink" if self._settled and self.live else "soft"
        self.say("verdict", mix.verdict(frame, self._parts, self.live), calm)
        self.say("mono", mix.mono_sentence(frame))
        self.say("way", self._way.point(frame))
        self._arrange_way()

    def _has_shares(self) -> bool:
        return any(math.isfinite(part.share) for part in self._parts)

    def _verdict(self) -> tuple[str, ...]:
        """Who owns how much: as a sentence, then ever shorter, with the figure first and without names."""
        owners = [part for part in self._parts if part.role == OWNER]
        cancels = [part for part in self._parts if part.role == CANCELS and part.share < 0.0]
        if len(self._parts) == 1:
            return (f"{self._parts[0].name} is the only part named: no share to compare", "only one part is named")
        if not owners:
            return "no part owns the low end", "no part owns it"
        held = data.percent(sum(part.share for part in owners))
        verb = "owns" if len(owners) == 1 else "own"
        names = data.listed([part.name for part in owners])
        sentence = f"{names} {verb} the low end: {held}"
        if cancels:
            takes = data.percent(abs(sum(part.share for part in cancels)))
            deed = "cancels" if len(cancels) == 1 else "cancel"
            sentence += f"; {data.listed([part.name for part in cancels])} {deed} {takes}"
        count = "one part" if len(owners) == 1 else f"{len(owners)} parts"
        return sentence, f"{held}: {names}", f"{count} {verb} the low end: {held}", f"{held}: {count}"

    def _say_list(self, role: str) -> None:
        others = [part for part in self._parts if part.role == OTHER]
        heading = "others over 3 %" if others else "no other over 3 %"
        self.say("others", heading if self._has_shares() else "")
        for row in range(LISTED_PARTS):
            text = ""
            if row < len(others):
                text = data.name_and_share(others[row], self.labels[f"other{row}"])
                if row == LISTED_PARTS - 1 and len(others) > LISTED_PARTS:
                    text = f"and {len(others) - row} more"
            self.say(f"other{row}", text, role)

    def _say_bands(self, frame: Frame) -> None:
        low, high = data.each(frame, "band_low_edge"), data.each(frame, "band_high_edge")
        for band in range(4):
            known = band < len(low) and math.isfinite(low[band]) and math.isfinite(high[band])
            self.say(f"band{band}", f"{low[band]:.0f}–{high[band]:.0f} Hz" if known else "")

    # Picture

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        if not self._blocks[0]:
            painter.fillRect(self._bar, self.theme.trough)
        for blocks in self._blocks:
            for block in blocks:
                if region.intersects(block.box):
                    self._draw_block(painter, block)
        self._draw_bus(painter)
        for part, box in self._cancels:
            self._draw_cancel(painter, part, box)

    def _draw_block(self, painter: QPainter, block: Block) -> None:
        box = blocks_of.inner(block)
        fill, ink = self._colours(block)
        painter.fillRect(box, fill)
        if block in self._blocks[0] and box.height() >= LEAST_BAR_PX:
            blocks_of.write(painter, block, self._figure(block.part), ink)
        else:
            blocks_of.write_small(painter, block.part.name, box, ink)
        if block.part.number == self._shown_part and self._mapped:
            painter.setPen(QPen(self.theme.ink, SELECTED_PX))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(box.adjusted(1, 1, -1, -1))

    def _colours(self, block: Block) -> tuple[QColor, QColor]:
        fill = mixed(self.theme.measured, self.theme.card, SHADES[block.part.number % len(SHADES)])
        if not self._settled or not self.live:
            fill = mixed(fill, self.theme.card, 0.55)
        return fill, data.readable(fill, self.theme.on_signal, self.theme.ink)

    def _draw_bus(self, painter: QPainter) -> None:
        """A dashed block behind the parts for what the bus adds; a hatched foot under their end for what it takes."""
        share = self._bus_share()
        if not share or not self._blocks[0]:
            return
        end = self._blocks[0][-1].box.right() + 1
        width = max(2, round(abs(share) * (end - self._bar.left())) - 1)
        painter.setPen(QPen(self.theme.ink, 1, Qt.PenStyle.DashLine))
        if share > 0.0:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            box = QRect(end, self._bar.top(), width, self._bar.height() - 1)
            painter.drawRect(box)
            blocks_of.write_small(painter, "mix bus", box, self.theme.soft)
            return
        foot = QRect(end - width - 1, self._bar.bottom() + 1 - BUS_FOOT_PX, width, BUS_FOOT_PX - 1)
        painter.fillRect(foot.adjusted(0, 0, 1, 1), self.theme.card)
        painter.setBrush(QBrush(self.theme.ink, Qt.BrushStyle.BDiagPattern))
        painter.drawRect(foot)

    def _draw_cancel(self, painter: QPainter, part: Part, box: QRect) -> None:
        painter.setPen(QPen(self.theme.soft, 1, Qt.PenStyle.DotLine))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(box).adjusted(0, 0, -1, -1))
        text = f"{part.name} cancels {self._figure(part)}"
        width = text_width(text, MARK_PX)
        painter.setFont(font(MARK_PX))
        painter.setPen(self.theme.ink)
        if width <= box.width() - 8:
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        elif part == self._cancels[-1][0] and box.left() - self._bar.left() >= width + 8:
            left = QRect(self._bar.left(), box.top() - 2, box.left() - 8 - self._bar.left(), box.height() + 4)
            painter.drawText(left, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Show the part of a block on the page; a click on it again leaves the choice to the meter."""
        at = event.position().toPoint()
        for blocks in self._blocks if self._mapped else ():
            for block in blocks:
                if block.box.contains(at) and event.button() == Qt.MouseButton.LeftButton:
                    again = self.settings.get("part") == block.part.name
                    self.setting_chosen.emit(self.meter_id, {"part": "" if again else block.part.name})
                    return
        super().mousePressEvent(event)

    def value_text(self) -> str:
        shares = ", ".join(
            f"{part.name} {data.percent(part.share)}" for part in self._parts if math.isfinite(part.share)
        )
        return "; ".join(text for text in (self.labels["verdict"].text, shares, self.labels["bus"].text) if text)

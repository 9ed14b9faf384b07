"""Who owns the low end: one fat bar of blocks named inside, the others in a list, and the same in four bands.

What cancels is drawn apart, under the end of the bar from which it takes. A dashed block is what the mix bus adds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySide6.QtCore import QPoint, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPen, QRegion

from meter.builtin.low_end import face_data as data
from meter.builtin.low_end.face_data import CANCELS, OTHER, OWNER, Part
from meter.gui import words
from meter.gui.face import Choice, Face
from meter.gui.label import Label, fitting_px, line_height, text_width
from meter.gui.theme import MARK_PX, TEXT_PX, VERDICT_PX, font, mixed
from meter.readings import Frame

MOST_BAR_PX, LEAST_BAR_PX = 76, 30
MOST_NAME_PX, LEAST_NAME_PX = 30, 13
ONE_LINE_PX = 18
"""Smaller than this, name and figure stand on two lines."""
CANCEL_PX = 18
LISTED_PARTS = 4
LIST_SHARE = 0.24
LIST_FROM_PX = 700
BLOCK_GAP_PX = 3
BUS_DIFFERENCE_DB = 1.0
MOST_BUS_SHARE = 0.25
SHADES = (0.0, 0.28, 0.45, 0.55)
"""How far each owner's block is mixed into the card, so that neighbours can be told apart without a second colour."""
TEXT_EDGE_PX = 10
OFFERED_TEMPOS = (80.0, 90.0, 100.0, 110.0, 120.0, 130.0, 140.0)
"""For the hand on the mouse; any other is tapped."""


@dataclass(frozen=True)
class Block:
    """One part's share in one bar."""

    part: Part
    box: QRect
    owner: int
    """Rank among the owners, -1 for a part that is none."""


class OwnersFace(Face):
    """See the module's description. A click on a block has its part spoken of on the page."""

    meter_id = data.METER
    title = "Who owns the low end"
    least = QSize(300, 110)
    preferred = QSize(1250, 220)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "verdict": Label(VERDICT_PX, lines=2, least_px=TEXT_PX, sample="a and b own the low end"),
            "bus": Label(TEXT_PX, role="soft"),
            "others": Label(MARK_PX, role="soft"),
        }
        for row in range(LISTED_PARTS):
            self.labels[f"other{row}"] = Label(TEXT_PX)
        for band in range(4):
            self.labels[f"band{band}"] = Label(MARK_PX, role="soft")
        self._bar = QRect()
        self._bands: list[QRect] = []
        self._parts: list[Part] = []
        self._blocks: list[list[Block]] = [[] for _ in range(5)]
        self._cancels: list[tuple[Part, QRect]] = []
        self._figures: dict[int, str] = {}
        self._bus = math.nan
        self._spoken_of = -1
        self._settled = False
        self._mapped = True
        self._shown: tuple[object, ...] = ()

    @property
    def subtitle(self) -> str:
        return f"20–120 Hz, {data.span_words(self.settings)}"

    def choices(self) -> tuple[Choice, ...]:
        heading = "shares of"
        return (
            Choice(heading, "the last 8 bars, or 10 s without a tempo", "span", data.LAST),
            Choice(heading, "all since the mark", "span", data.MARKED),
            Choice(heading, "the whole sitting", "span", data.SITTING),
            Choice("tempo", "none", "tempo_bpm", 0.0),
            Choice("tempo", "tap it with B", run=lambda: self.action_asked.emit("tap")),
            Choice("tempo", "type it…", run=lambda: self.action_asked.emit("tempo")),
            *(Choice("tempo", f"{tempo:g}", "tempo_bpm", tempo) for tempo in OFFERED_TEMPOS),
            Choice("feeds", "which channel is what…", run=lambda: self.action_asked.emit("feeds")),
        )

    # Layout

    def arrange(self, inside: QRect) -> None:
        listed = inside.width() >= LIST_FROM_PX
        side = round(inside.width() * LIST_SHARE) if listed else 0
        self._arrange_list(QRect(inside.right() + 1 - side + 24, inside.top(), side - 24, inside.height()), listed)
        left = QRect(inside.left(), inside.top(), inside.width() - side, inside.height())
        verdict, bus = self.labels["verdict"], self.labels["bus"]
        if not self._mapped:
            for label in self.labels.values():
                label.hide()
            self._bar = QRect()
            verdict.place(QRect(left.left(), left.top(), left.width(), min(left.height(), 2 * verdict.line_height)))
            return
        bands_high = line_height(MARK_PX) + 16 + 6
        with_bands = left.height() >= LEAST_BAR_PX + 2 * verdict.line_height + bands_high + CANCEL_PX
        rest = left.height() - verdict.line_height - 8 - CANCEL_PX - (bands_high if with_bands else 0)
        high = max(LEAST_BAR_PX, min(MOST_BAR_PX, rest))
        self._bar = QRect(left.left(), left.top(), left.width(), high)
        top = self._bar.bottom() + 1 + CANCEL_PX + 4
        bus_width = text_width("mix bus takes 00.0 dB", TEXT_PX) + 8
        wide = left.width() >= 2 * bus_width
        verdict.place(QRect(left.left(), top, left.width() - (bus_width if wide else 0), verdict.line_height))
        down = verdict.rect.top() + round(verdict.ascent - bus.ascent)
        bus.place(QRect(left.right() + 1 - bus_width, down, bus_width if wide else 0, bus.line_height))
        self._arrange_bands(QRect(left.left(), top + verdict.line_height + 8, left.width(), bands_high), with_bands)
        self._shown = ()

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
        parts = data.parts_of(frame)
        bands = data.table(frame, "band_share")
        settled = not data.listening_words(frame) and not data.is_stale(frame)
        shares = tuple(round(part.share * 4.0) if math.isfinite(part.share) else None for part in parts)
        spoken_of = data.index_of(frame, "spoken_of")
        bus = data.number(frame, "mix_bus_difference")
        shown = (shares, tuple(part.number for part in parts), spoken_of, settled, words.figure(bus))
        if shown == self._shown:
            return
        self._shown = shown
        self._parts, self._spoken_of, self._settled, self._bus = parts, spoken_of, settled, bus
        whole = [part.share for part in parts]
        self._blocks[0] = self._stack(self._bar, whole, self._bus_share())
        for band in range(4):
            shares_here = [
                float(bands[part.number, band]) if bands.shape == (len(parts), 4) else math.nan for part in parts
            ]
            self._blocks[band + 1] = self._stack(self._bands[band], shares_here, 0.0) if self._bands else []
        self._cancels = self._hang(whole)
        self.update()

    def _bus_share(self) -> float:
        """What the bus adds, as a share of the sum of the parts; negative for what it takes."""
        if not abs(self._bus) > BUS_DIFFERENCE_DB or not math.isfinite(self._bus):
            return 0.0
        return max(-MOST_BUS_SHARE, min(MOST_BUS_SHARE, float(10.0 ** (min(self._bus, 10.0) / 10.0)) - 1.0))

    def _stack(self, bar: QRect, shares: list[float], bus: float) -> list[Block]:
        """Blocks side by side in order; what is positive fills the bar."""
        positive = sum(share for share in shares if share > 0.0)
        if not positive > 0.0 or not math.isfinite(positive) or bar.isEmpty():
            return []
        width = bar.width() / (1.0 + max(0.0, bus))
        blocks, left, owner = [], float(bar.left()), 0
        for part, share in zip(self._parts, shares, strict=True):
            rank = owner if part.role == OWNER else -1
            owner += part.role == OWNER
            if not share > 0.0:
                continue
            right = left + width * share / positive
            box = QRect(QPoint(round(left), bar.top()), QPoint(round(right) - 1, bar.bottom()))
            blocks.append(Block(part, box, rank))
            left = right
        return blocks

    def _hang(self, shares: list[float]) -> list[tuple[Part, QRect]]:
        """What takes away, under the right end of the bar, as wide as what it takes."""
        positive = sum(share for share in shares if share > 0.0)
        if not positive > 0.0 or not math.isfinite(positive):
            return []
        end = max((block.box.right() + 1 for block in self._blocks[0]), default=self._bar.left())
        hung = []
        for part, share in zip(self._parts, shares, strict=True):
            if part.role != CANCELS:
                continue
            width = max(4, min(end - self._bar.left(), round(-share / positive * (end - self._bar.left()))))
            hung.append((part, QRect(end - width, self._bar.bottom() + 3, width, CANCEL_PX - 4)))
            end -= width + BLOCK_GAP_PX
        return hung

    # Words

    def take_words(self, frame: Frame) -> None:
        self._make_room(bool(frame.parts))
        if not frame.parts:
            self._say_nothing(data.nothing_mapped(frame))
            return
        self._write_figures()
        listening, stale = data.listening_words(frame), data.is_stale(frame)
        sentence, short = self._verdict() if math.isfinite(self._first_share()) else ("", "")
        if listening:
            sentence, short = listening if self.live else words.waiting(self.live), ""
        role = "soft" if stale or listening or not self.live else "ink"
        sentence = data.with_age(sentence, frame) or words.waiting(self.live)
        self.say("verdict", sentence, role, data.with_age(short, frame))
        told = math.isfinite(self._bus) and abs(self._bus) > BUS_DIFFERENCE_DB
        deed = "adds" if self._bus > 0 else "takes"
        self.say("bus", f"mix bus {deed} {words.figure(abs(self._bus))} dB" if told else "")
        self._say_list("faint" if stale or listening else "ink")
        self._say_bands(frame)

    def _write_figures(self) -> None:
        """Blocks move with every frame, what is written in them only with the words."""
        figures = {part.number: data.percent(abs(part.share)) for part in self._parts}
        if figures != self._figures:
            self._figures = figures
            self.update(self._bar.adjusted(0, 0, 0, CANCEL_PX + 3))

    def _figure(self, part: Part) -> str:
        return self._figures.get(part.number) or data.percent(abs(part.share))

    def _make_room(self, mapped: bool) -> None:
        """Without parts the sentence about them has the place of the bar."""
        if mapped != self._mapped:
            self._mapped = mapped
            self.rearrange()

    def _say_nothing(self, sentence: str) -> None:
        self.say("verdict", sentence, "soft")
        for name in self.labels.keys() - {"verdict"}:
            self.say(name, "")

    def _first_share(self) -> float:
        return self._parts[0].share if self._parts else math.nan

    def _verdict(self) -> tuple[str, str]:
        """Who owns how much, as a sentence and with the figure first."""
        owners = [part for part in self._parts if part.role == OWNER]
        cancels = [part for part in self._parts if part.role == CANCELS]
        if not owners:
            return "nobody owns the low end", "nobody owns it"
        held = sum(part.share for part in owners)
        verb = "owns" if len(owners) == 1 else "own"
        names = data.listed([part.name for part in owners])
        sentence = f"{names} {verb} the low end: {data.percent(held)}"
        if cancels:
            takes = data.percent(abs(sum(part.share for part in cancels)))
            verb = "cancels" if len(cancels) == 1 else "cancel"
            sentence += f"; {data.listed([part.name for part in cancels])} {verb} {takes}"
        return sentence, f"{data.percent(held)}: {names}"

    def _say_list(self, role: str) -> None:
        others = [part for part in self._parts if part.role == OTHER]
        heading = "others over 3 %" if others else "no other over 3 %"
        self.say("others", heading if math.isfinite(self._first_share()) else "")
        for row in range(LISTED_PARTS):
            text = ""
            if row < len(others):
                text = f"{others[row].name}  {data.percent(others[row].share)}"
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
        box = block.box.adjusted(0, 0, -BLOCK_GAP_PX if block.box.width() > 2 * BLOCK_GAP_PX else 0, 0)
        fill, ink = self._colours(block)
        painter.fillRect(box, fill)
        high = box.height()
        room = box.width() - 2 * TEXT_EDGE_PX
        figure = self._figure(block.part)
        if block not in self._blocks[0] or high < LEAST_BAR_PX:
            self._write_small(painter, block.part.name, box, ink)
            return
        most = MOST_NAME_PX if block.owner >= 0 else TEXT_PX + 3
        painter.setPen(ink)
        name = block.part.name
        place = box.adjusted(TEXT_EDGE_PX, 0, 0, 0)
        for lines, least in (((f"{name}  {figure}",), ONE_LINE_PX), ((name, figure), LEAST_NAME_PX), ((figure,), 0)):
            size = min(self._fitting(line, room, (high - 8) // len(lines), most) for line in lines)
            if size and size >= least:
                self._write_lines(painter, lines, place, size)
                return

    @staticmethod
    def _fitting(line: str, room: int, high: int, most: int) -> int:
        return fitting_px(line, room, high, most, LEAST_NAME_PX, bold=True)

    @staticmethod
    def _write_lines(painter: QPainter, lines: tuple[str, ...], place: QRect, size: int) -> None:
        painter.setFont(font(size, bold=True))
        high = line_height(size, bold=True)
        top = place.center().y() - (high * len(lines)) // 2
        for number, line in enumerate(lines):
            painter.drawText(QRect(place.left(), top + number * high, place.width(), high), _MIDDLE_LEFT, line)

    def _write_small(self, painter: QPainter, text: str, box: QRect, ink: QColor) -> None:
        if text_width(text, MARK_PX - 1) <= box.width() - 10:
            painter.setFont(font(MARK_PX - 1))
            painter.setPen(ink)
            painter.drawText(box.adjusted(5, 0, 0, 0), _MIDDLE_LEFT, text)

    def _colours(self, block: Block) -> tuple[QColor, QColor]:
        if block.part.number == self._spoken_of and block.owner < 0:
            fill = self.theme.held
        elif block.owner >= 0:
            fill = mixed(self.theme.measured, self.theme.card, SHADES[min(block.owner, len(SHADES) - 1)])
        else:
            fill = self.theme.measured_deep if block.part.role == OTHER else self.theme.line
        if not self._settled or not self.live:
            fill = mixed(fill, self.theme.card, 0.55)
        return fill, data.readable(fill, self.theme.on_signal, self.theme.ink)

    def _draw_bus(self, painter: QPainter) -> None:
        """A dashed block behind the parts for what the bus adds, over their end for what it takes."""
        share = self._bus_share()
        if not share or not self._blocks[0]:
            return
        end = self._blocks[0][-1].box.right() + 1
        width = round(abs(share) * (end - self._bar.left()))
        left = end if share > 0.0 else end - width
        painter.setBrush(Qt.BrushStyle.BDiagPattern if share < 0.0 else Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(self.theme.ink, 1, Qt.PenStyle.DashLine))
        box = QRect(left, self._bar.top(), max(2, width - 1), self._bar.height() - 1)
        painter.drawRect(box)
        if share > 0.0:
            painter.setPen(self.theme.soft)
            self._write_small(painter, "mix bus", box, self.theme.soft)

    def _draw_cancel(self, painter: QPainter, part: Part, box: QRect) -> None:
        painter.setPen(QPen(self.theme.held, 1, Qt.PenStyle.DotLine))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(QRectF(box).adjusted(0, 0, -1, -1))
        text = f"{part.name} cancels {self._figure(part)}"
        width = text_width(text, MARK_PX)
        painter.setFont(font(MARK_PX))
        painter.setPen(self.theme.held_ink)
        if width <= box.width() - 8:
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        elif part == self._cancels[-1][0] and box.left() - self._bar.left() >= width + 8:
            left = QRect(self._bar.left(), box.top() - 2, box.left() - 8 - self._bar.left(), box.height() + 4)
            painter.drawText(left, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, text)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Have the part of a block spoken of; a click on it again leaves the choice to the meter."""
        at = event.position().toPoint()
        for blocks in self._blocks:
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


_MIDDLE_LEFT = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft

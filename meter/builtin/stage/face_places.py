"""Where everything of a stage's card stands: the figure always, then what there is room for, pictures last."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import QRect, QSize

from meter.builtin.stage.face_levels import Levels
from meter.builtin.stage.face_pane import Pane
from meter.builtin.stage.face_receipt import Receipt
from meter.builtin.stage.face_ruler import Ruler
from meter.gui.kit.label import Label, figure_room
from meter.gui.kit.theme import px

WIDE_PX, BESIDE_PX, TWO_PX = 860, 540, 500
"""Widths from which texts and pictures stand beside each other, the sentence beside the figure, two pictures beside
each other."""
LEAST_WIDE_PX = 230
"""Height from which a wide card has its pictures on the right."""
FIGURE_WIDTH_PX, UNIT_PX = 150, 110
LEAST_LOW_PX, MOST_LOW_PX = 200, 400
"""Heights between which a card of two columns has one picture on the right."""
LEAST_PICTURE_PX, ROOMY_PICTURE_PX, MOST_PICTURE_PX = 104, 150, 520
GAP, PARAGRAPH, COLUMN_GAP = 6, 12, 28
BUTTON_PX, WORDS_PX = 34, 620
TEXT_SHARE = 0.38
MOST_LINES = 6
WORDS = ("squeeze", "added")
"""The sentences of the two pictures."""
FOOT = ("receipt", "pair")
TEXTS = (*WORDS, *FOOT)


class Places:
    """Lays out ``labels`` and pictures within ``inside``; what has no room stays hidden."""

    def __init__(self, inside: QRect, labels: Mapping[str, Label]) -> None:
        self._inside = inside
        self._labels = labels

    def sentence_alone(self, levels: Levels) -> None:
        """For a card without figures: one sentence, at a third of its height, and the levels of both sides."""
        label, box = self._labels["fair"], self._inside
        down = max(0, min(box.height() // 3, box.height() - 3 * label.line_height - levels.high() - px(PARAGRAPH)))
        label.place(box.adjusted(0, down, 0, 0))
        top = label.rect.top() + len(label.shown) * label.line_height + px(PARAGRAPH)
        width = min(box.width(), px(WORDS_PX))
        self._with_levels(QRect(box.left(), box.top(), width, box.height()), top, levels, 0)

    def invitation(self, picture: Pane, button: QSize) -> QRect:
        """A picture, the sentence, and what would be shown; returns the place of the button after the sentence."""
        fair, would = self._labels["fair"], self._labels["would"]
        box, high, gap = self._inside, px(BUTTON_PX), px(PARAGRAPH)
        width = min(box.width(), px(WORDS_PX))
        said = self._high("fair", width), self._high("would", width)
        room = box.height() - high - said[0] - gap
        left = box.left() + (box.width() - width) // 2
        told = said[1] if room >= said[1] + gap else 0
        rest = room - told - 2 * gap
        picture_high = min(rest, px(170)) if rest >= px(LEAST_PICTURE_PX) and width >= px(300) else 0
        top = box.top() + max(0, (rest - picture_high) // 3)
        if picture_high:
            picture.rect = QRect(left, top, width, picture_high)
            top += picture_high + gap
        fair.place(QRect(left, top, width, max(0, min(said[0], box.bottom() + 1 - high - gap - top))))
        top = min(top + max(1, len(fair.shown)) * fair.line_height + gap, box.bottom() + 1 - high)
        would.place(QRect(left, top + high + gap, width, told))
        return QRect(left, top, min(button.width() + px(24), width), high)

    def card(self, ruler: Ruler, work: Pane, response: Pane, receipt: Receipt, levels: Levels) -> None:
        """Figure, sentence and ruler; pictures, each over its sentence; receipt; order and polarity."""
        box = self._inside
        if box.width() >= px(WIDE_PX) and box.height() >= px(LEAST_WIDE_PX):
            left = QRect(box.left(), box.top(), round(box.width() * TEXT_SHARE), box.height())
            top = self._with_ruler(left, self._head(left, beside=False, larger=True), ruler, 0)
            top = self._with_levels(left, top, levels, receipt.high() + self._high("pair", left.width()))
            self._foot(QRect(left.left(), top, left.width(), left.bottom() + 1 - top), receipt)
            self._pictures(box.adjusted(left.width() + px(COLUMN_GAP), 0, 0, 0), work, response)
            return
        if box.width() >= px(TWO_PX) and px(LEAST_LOW_PX) <= box.height() < px(MOST_LOW_PX):
            self._low(box, work, ruler)
            return
        top = self._head(box, beside=box.width() >= px(BESIDE_PX), larger=False)
        texts = ("steps", "squeeze", "added", "receipt", "pair")
        beside = box.width() >= px(TWO_PX)
        needed = sum(self._high(name, box.width() // 2 if beside else box.width()) + px(GAP) for name in texts)
        top = self._with_ruler(box, top, ruler, needed if not beside else needed // 2)
        top = self._with_levels(box, top, levels, self._full(box.width(), receipt, beside=beside))
        self._below(QRect(box.left(), top, box.width(), max(0, box.bottom() + 1 - top)), work, response, receipt)

    def _low(self, box: QRect, work: Pane, ruler: Ruler) -> None:
        """For a card that is wider than high: texts on the left, one picture on the right over its other sentence."""
        wide = (box.width() - px(COLUMN_GAP)) // 2
        left = QRect(box.left(), box.top(), wide, box.height())
        names = ("squeeze", *FOOT)
        least = self._high("squeeze", wide) + 2 * self._labels["receipt"].line_height + px(PARAGRAPH)
        top = self._head(left, beside=False, larger=False, least=least)
        top = self._with_ruler(left, top, ruler, self._paragraphs(names, wide))
        self._flow(QRect(left.left(), top, wide, left.bottom() + 1 - top), names)
        right = QRect(box.right() + 1 - wide, box.top(), wide, box.height())
        high = self._high("added", wide)
        work.rect = right.adjusted(0, 0, 0, -high - px(GAP))
        self._labels["added"].place(QRect(right.left(), work.rect.bottom() + 1 + px(GAP), wide, high))

    def _full(self, width: int, receipt: Receipt, *, beside: bool) -> int:
        """Height of roomy pictures with their sentences, the receipt and what is said of the pair."""
        words = [
            self._high(name, (width - px(COLUMN_GAP)) // 2 if beside else width) for name in ("squeeze", "added")
        ]
        pictures = max(words) if beside else sum(words) + px(ROOMY_PICTURE_PX)
        foot = receipt.high() if receipt.fits(width) else self._high("receipt", width)
        return px(ROOMY_PICTURE_PX) + pictures + foot + self._high("pair", width) + 4 * px(PARAGRAPH)

    def _foot(self, box: QRect, receipt: Receipt) -> None:
        """The receipt in two columns where there is room, order and polarity under it; otherwise as sentences."""
        high, pair = receipt.high(), self._high("pair", box.width())
        if high + (px(PARAGRAPH) + pair if pair else 0) > box.height() or not receipt.fits(box.width()):
            self._flow(box, FOOT)
            return
        receipt.rect = QRect(box.left(), box.top(), box.width(), high)
        self._flow(box.adjusted(0, high + px(PARAGRAPH), 0, 0), ("pair",))

    def _below(self, box: QRect, work: Pane, response: Pane, receipt: Receipt) -> None:
        """Pictures with receipt and the rest under them; one picture, or texts alone, where both have no room."""
        pair = self._high("pair", box.width())
        foot_high = receipt.high() + px(PARAGRAPH) + (pair + px(PARAGRAPH) if pair else 0)
        middle = box.adjusted(0, 0, 0, -foot_high)
        if receipt.fits(box.width()) and self._pictures(middle, work, response, ROOMY_PICTURE_PX):
            top = middle.bottom() + 1 + px(PARAGRAPH)
            self._foot(QRect(box.left(), top, box.width(), box.bottom() + 1 - top), receipt)
            return
        middle = box.adjusted(0, 0, 0, -self._paragraphs(FOOT, box.width()))
        if self._pictures(middle, work, response):
            self._flow(box.adjusted(0, middle.height() + px(PARAGRAPH), 0, 0), FOOT)
            return
        rest = box.height() - self._paragraphs(TEXTS, box.width())
        if box.width() < px(TWO_PX):
            names = TEXTS if rest >= px(LEAST_PICTURE_PX) else ("steps", *TEXTS)
            if rest >= px(LEAST_PICTURE_PX):
                work.rect = QRect(box.left(), box.top(), box.width(), min(rest, px(MOST_PICTURE_PX)))
                box = box.adjusted(0, work.rect.height() + px(GAP), 0, 0)
            self._flow(box, names)
            return
        wide = (box.width() - px(COLUMN_GAP)) // 2
        self._flow(QRect(box.left(), box.top(), wide, box.height()), ("steps", "squeeze", "pair"))
        self._flow(QRect(box.right() + 1 - wide, box.top(), wide, box.height()), ("added", "receipt"))

    def _paragraphs(self, names: Sequence[str], width: int) -> int:
        """Height of these texts one under the other, with a gap before each."""
        return sum(high + px(PARAGRAPH) for name in names if (high := self._high(name, width)))

    def _flow(self, box: QRect, names: Sequence[str]) -> None:
        """Texts one under the other, as many as have room, what is wrong with the pair first."""
        top = box.top()
        wrong = [name for name in names if name == "pair" and self._labels[name].role == "ink"]
        for name in (*wrong, *(name for name in names if name not in wrong)):
            label, free = self._labels[name], box.bottom() + 1 - top
            high = self._high(name, box.width())
            if not high or free < label.line_height:
                continue
            label.place(QRect(box.left(), top, box.width(), min(high, free)))
            if label.elided:
                label.hide()
                continue
            top += len(label.shown) * label.line_height + px(PARAGRAPH)

    def _with_levels(self, box: QRect, top: int, levels: Levels, needed: int) -> int:
        """The same for the two levels."""
        high = levels.high()
        if not levels.fits(box.width()) or box.bottom() + 1 - top - needed < high + 2 * px(GAP):
            return top
        levels.rect = QRect(box.left(), top, box.width(), high)
        return top + high + 2 * px(GAP)

    def _with_ruler(self, box: QRect, top: int, ruler: Ruler, needed: int) -> int:
        """Place the ruler where that leaves ``needed`` for the texts; returns where they begin."""
        high = ruler.high(box.width())
        if box.bottom() + 1 - top - needed >= high + 3 * px(GAP):
            ruler.rect = QRect(box.left(), top + 2 * px(GAP), box.width(), high)
            top = ruler.rect.bottom() + 1
        return top + 2 * px(GAP)

    def _high(self, name: str, width: int) -> int:
        """Height that a label's text needs on lines of this width; 0 without text."""
        label = self._labels[name]
        if not label.text:
            return 0
        label.place(QRect(0, 0, width, MOST_LINES * label.line_height))
        high = len(label.shown) * label.line_height
        label.hide()
        return high

    def _head(self, box: QRect, *, beside: bool, larger: bool, least: int = 0) -> int:
        """Figure, sentence, and the trim where that leaves a line or ``least``; returns where the rest begins."""
        figure, fair, trim = self._labels["figure"], self._labels["fair"], self._labels["trim"]
        wide = px(FIGURE_WIDTH_PX) * (4 if larger else 3) // 3
        figure.place(QRect(box.left(), box.top(), min(wide, box.width()), figure_room(box.height())))
        figure.place(QRect(box.left(), box.top(), min(box.width(), wide + px(UNIT_PX)), figure.line_height))
        left = figure.rect.right() + px(PARAGRAPH) if beside else box.left()
        top = box.top() + px(3) if beside else figure.rect.bottom() + 1 + px(2)
        width = box.right() + 1 - left
        fair.place(QRect(left, top, width, max(0, min(3 * fair.line_height, box.bottom() + 1 - top))))
        under = top + len(fair.shown) * fair.line_height
        rest = max(least, self._labels["squeeze"].line_height) + 2 * px(GAP)
        if trim.text and under + px(4) + trim.line_height + rest <= box.bottom() + 1:
            trim.place(QRect(left, under + px(4), width, trim.line_height))
            under = trim.rect.bottom() + 1
        return max(figure.rect.bottom() + 1, under)

    def _pictures(self, box: QRect, work: Pane, response: Pane, least_px: int = LEAST_PICTURE_PX) -> bool:
        """Two pictures beside or over each other, each with its sentence below; False where they are less high.

        The sentences have lines to spare where there is room, so that a longer one moves no picture.
        """
        columns = self._columns(box)
        beside = columns[0].top() == columns[1].top()
        words = [self._high(name, column.width()) for name, column in zip(WORDS, columns, strict=True)]
        words = [max(words)] * 2 if beside else words
        spare = (4 if beside else 2) * self._labels["squeeze"].line_height
        for highs in ([max(high, spare) for high in words], words):
            rooms = [column.height() - high - px(GAP) for column, high in zip(columns, highs, strict=True)]
            if min(rooms) >= px(least_px):
                break
        else:
            return False
        for pane, name, column, room in zip((work, response), WORDS, columns, rooms, strict=True):
            pane.rect = QRect(column.left(), column.top(), column.width(), min(room, px(MOST_PICTURE_PX)))
            top = pane.rect.bottom() + 1 + px(GAP)
            self._labels[name].place(QRect(column.left(), top, column.width(), column.bottom() + 1 - top))
        return True

    @staticmethod
    def _columns(box: QRect) -> tuple[QRect, QRect]:
        """Beside each other in a box that is rather low, otherwise one over the other."""
        low = box.width() >= 1.35 * box.height() or box.height() < 4 * px(LEAST_PICTURE_PX)
        if low and box.width() >= px(TWO_PX):
            wide = (box.width() - px(COLUMN_GAP)) // 2
            return QRect(box.left(), box.top(), wide, box.height()), QRect(
                box.right() + 1 - wide, box.top(), wide, box.height()
            )
        high = (box.height() - px(PARAGRAPH)) // 2
        return QRect(box.left(), box.top(), box.width(), high), QRect(
            box.left(), box.bottom() + 1 - high, box.width(), high
        )

"""A piece of text in a fixed rectangle: never clipped, never wider than its place."""

from __future__ import annotations

import re

from PySide6.QtCore import QPointF, QRect, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF, QPainter, QStaticText

from meter.gui.kit.theme import Theme, font, px, text_scale

LEFT = Qt.AlignmentFlag.AlignLeft
CENTRE = Qt.AlignmentFlag.AlignHCenter
RIGHT = Qt.AlignmentFlag.AlignRight
EVEN_STEP_PX = 6
OVERHANG_PX = 3
BREAKS = re.compile(r" (?!(?:dBFS|dBTP|dB|LUFS|LU|VU|Hz|kHz|h|min|ms|s|%)(?![a-zA-Z]))")
"""Lines break at spaces, but never between a number and its unit."""


def line_height(size_px: int, *, bold: bool = False) -> int:
    """Height in pixels that one line of this size needs."""
    metrics = QFontMetricsF(font(size_px, bold=bold))
    return int(metrics.ascent() + metrics.descent() + 1.0)


def text_width(text: str, size_px: int, *, bold: bool = False) -> int:
    """Width in pixels of one line, rounded up."""
    return int(QFontMetricsF(font(size_px, bold=bold)).horizontalAdvance(text) + 1.0)


def fitting_px(sample: str, width: int, height: int, most_px: int, least_px: int, *, bold: bool = False) -> int:
    """The largest size from ``most_px`` down to ``least_px`` at which ``sample`` fits; 0 where none does."""
    for size_px in range(most_px, least_px - 1, -1):
        if line_height(size_px, bold=bold) <= height and text_width(sample, size_px, bold=bold) <= width:
            return size_px
    return 0


def shortened(text: str, size_px: int, width: int, *, bold: bool = False) -> str:
    """The text, its middle left out where it is wider than ``width``: names of tracks differ at either end."""
    return QFontMetricsF(font(size_px, bold=bold)).elidedText(text, Qt.TextElideMode.ElideMiddle, width)


def figure_room(height: int, usual: int = 86) -> int:
    """Height for a card's large figure: a third of a small card, ``usual`` on the page, a fifth of a large card."""
    return max(px(36), min(px(usual), round(height * 0.34)), height // 5)


class Label:
    """Text in one colour role, on up to ``lines`` lines.

    Place it with ``place``; an empty rectangle, or one too small for a line, hides it. ``say`` returns whether
    the picture changed. Wraps at words, elides what does not fit on the last line.
    """

    def __init__(
        self,
        size_px: int,
        *,
        role: str = "ink",
        bold: bool = False,
        align: Qt.AlignmentFlag = LEFT,
        lines: int = 1,
        sample: str = "",
        least_px: int = 0,
    ) -> None:
        self.role = role
        self.text = ""
        self._short = ""
        self._written = ""
        self.rect = QRect()
        self.shown: list[str] = []
        self._set: list[tuple[str, QStaticText, float]] = []
        self._most_px = size_px
        self._least_px = least_px or size_px
        self._bold = bold
        self.align = align
        self._most_lines = lines
        self._lines = lines
        self._sample = sample
        self._use(size_px)

    def _use(self, size_px: int) -> None:
        self.size_px, self._scale = size_px, text_scale()
        self._set = []
        self.font: QFont = font(size_px, bold=self._bold)
        self._metrics = QFontMetricsF(self.font)
        self.ascent = self._metrics.ascent()
        self.line_height = int(self._metrics.ascent() + self._metrics.descent() + 1.0)

    def place(self, rect: QRect) -> None:
        """Move to a rectangle; shrinks the type down to ``least_px`` so that ``sample`` fits."""
        self.rect = QRect(rect)
        size_px = self._most_px
        if self._sample and not rect.isEmpty():
            fit = fitting_px(
                self._sample, rect.width(), rect.height(), self._most_px, self._least_px, bold=self._bold
            )
            size_px = fit or self._least_px
        if size_px != self.size_px or self._scale != text_scale():
            self._use(size_px)
        room = rect.height() // self.line_height if not rect.isEmpty() else 0
        self._lines = min(self._most_lines, room)
        self._break()

    def hide(self) -> None:
        """Hide it: no space, no ink."""
        self.place(QRect())

    @property
    def visible(self) -> bool:
        """Whether there is room for at least one line."""
        return self._lines > 0

    def say(self, text: str, role: str | None = None, short: str = "") -> bool:
        """Set text and role; True when the picture changes. ``short`` is shown where ``text`` does not fit."""
        if (text, short) == (self.text, self._short) and (role is None or role == self.role):
            return False
        self.role = role or self.role
        self.text, self._short = text, short
        self._break()
        return True

    def _break(self) -> None:
        """Fill ``shown`` from ``text``; centred lines are made of about equal length."""
        width = self.rect.width()
        self._written = self._short if self._short and self.visible and not self.fits(self.text) else self.text
        self.shown = self._lines_within(self._written, width)
        if len(self.shown) < 2 or self.align != CENTRE:
            return
        whole = "".join(self.shown)
        while width > EVEN_STEP_PX:
            width -= EVEN_STEP_PX
            tried = self._lines_within(self._written, width)
            if len(tried) > len(self.shown) or "".join(tried) != whole:
                return
            self.shown = tried

    def fits(self, text: str) -> bool:
        """Whether a text fits whole on the lines that there are."""
        return self.visible and " ".join(self._lines_within(text, self.rect.width())) == text

    def _lines_within(self, text: str, width: int) -> list[str]:
        """The text on at most so many lines as there are; the last takes what is left and is elided."""
        lines: list[str] = []
        words = BREAKS.split(text) if self._lines else []
        while words and words != [""]:
            last = len(lines) == self._lines - 1
            count = len(words) if last else self._fitting_words(words, width)
            lines.append(self._elided(" ".join(words[:count]), width))
            words = words[count:]
        return lines

    def _fitting_words(self, words: list[str], width: int) -> int:
        count = 1
        while count < len(words) and self.width_of(" ".join(words[: count + 1])) <= width:
            count += 1
        return count

    def _elided(self, line: str, width: int) -> str:
        if self.width_of(line) <= width:
            return line
        return self._metrics.elidedText(line, Qt.TextElideMode.ElideRight, width)

    def width_of(self, text: str) -> float:
        """Width in pixels of text in this label's type."""
        return self._metrics.horizontalAdvance(text)

    @property
    def text_width(self) -> float:
        """Width of the widest line shown."""
        return max((self.width_of(line) for line in self.shown), default=0.0)

    @property
    def box(self) -> QRectF:
        """The rectangle that the lines shown fill; empty when there are none."""
        if not self.shown:
            return QRectF()
        left = min(self._left_of(line) for line in self.shown)
        return QRectF(left, self.rect.top(), self.text_width, len(self.shown) * self.line_height)

    @property
    def ink_rect(self) -> QRect:
        """The rectangle to repaint when the text changes; figures overhang their width a little."""
        return self.rect.adjusted(-OVERHANG_PX, 0, OVERHANG_PX, 0) if not self.rect.isEmpty() else QRect()

    @property
    def elided(self) -> bool:
        """Whether part of the text is left out."""
        return " ".join(self.shown) != self._written and bool(self._written) and self.visible

    def draw(self, painter: QPainter, theme: Theme) -> None:
        """Draw the lines from the top of the rectangle down."""
        if not self.shown:
            return
        if [line for line, _, _ in self._set] != self.shown:
            self._set = [self._laid_out(line) for line in self.shown]
        painter.setFont(self.font)
        painter.setPen(theme.colour(self.role))
        top = float(self.rect.top())
        for _, text, width in self._set:
            painter.drawStaticText(QPointF(self._left_of_width(width), top), text)
            top += self.line_height

    def _laid_out(self, line: str) -> tuple[str, QStaticText, float]:
        """A line with its glyphs and width, computed once: shaping takes longer than drawing."""
        text = QStaticText(line)
        text.setTextFormat(Qt.TextFormat.PlainText)
        text.prepare(font=self.font)
        return line, text, self.width_of(line)

    def _left_of(self, line: str) -> float:
        return self._left_of_width(self.width_of(line))

    def _left_of_width(self, width: float) -> float:
        left = float(self.rect.left())
        if self.align == LEFT:
            return left
        space = self.rect.width() - width
        return left + (space if self.align == RIGHT else space / 2.0)

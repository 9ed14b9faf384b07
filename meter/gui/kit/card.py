"""The card of a face: its ground, and where title and subtitle go."""

from __future__ import annotations

from PySide6.QtCore import QRect, QRectF, Qt
from PySide6.QtGui import QPainter

from meter.gui.kit.label import Label, text_width
from meter.gui.kit.theme import CARD_RADIUS_PX, TITLE_PX, Theme

ROOM_FOR_SUBTITLE_PX = 130
"""A card at least this high may have its subtitle on a line of its own."""


def arrange_header(title: Label, subtitle: Label, card: QRect, width: int, *, high: bool) -> QRect:
    """Place title and subtitle in the first ``width`` pixels of a card; returns the part of the card below them.

    The subtitle is placed behind the title where it fits, below it in a card that is ``high``, otherwise hidden.
    """
    title.place(QRect(card.left(), card.top(), width, title.line_height))
    left = card.left() + text_width(title.text, TITLE_PX, bold=True) + 10
    rest = card.left() + width - left
    bottom = title.rect.bottom()
    if subtitle.width_of(subtitle.text) <= rest:
        top = title.rect.top() + round(title.ascent - subtitle.ascent)
        subtitle.place(QRect(left, top, rest, subtitle.line_height))
    elif subtitle.text and high:
        subtitle.place(QRect(card.left(), bottom + 2, card.width(), subtitle.line_height))
        bottom = subtitle.rect.bottom()
    else:
        subtitle.hide()
    return QRect(card.left(), bottom + 7, card.width(), card.bottom() - bottom - 6)


def paint_card(painter: QPainter, rect: QRect, theme: Theme) -> None:
    """Draw the ground of a card."""
    painter.fillRect(rect, theme.page)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(theme.card)
    painter.drawRoundedRect(QRectF(rect), CARD_RADIUS_PX, CARD_RADIUS_PX)

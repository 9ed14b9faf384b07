"""Blocks side by side in a bar: each as wide as its share, its name and figure written inside as far as they fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPoint, QRect, Qt
from PySide6.QtGui import QColor, QPainter

from meter.builtin.low_end.face_data import Part
from meter.gui.kit.label import fitting_px, line_height, shortened, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, font
from meter.lowend.findings import CANCELS, OWNER

BLOCK_GAP_PX = 3
LEAST_BAR_PX = 30
MOST_NAME_PX, LEAST_NAME_PX = 30, 13
ONE_LINE_PX = 18
"""Smaller than this, name and figure stand on two lines."""
TEXT_EDGE_PX = 10
LEAST_NAME_WIDTH_PX = 70
"""Of a name that does not fit, so much must be left to be worth its place."""
_MIDDLE_LEFT = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft


@dataclass(frozen=True)
class Block:
    """One part's share in one bar."""

    part: Part
    box: QRect
    owner: int
    """Rank among the owners, -1 for a part that is none."""


def stack(bar: QRect, parts: Sequence[Part], shares: Sequence[float], beyond: float = 0.0) -> list[Block]:
    """Blocks side by side in order; what is positive fills the bar, but for what lies ``beyond`` all of them."""
    positive = sum(share for share in shares if share > 0.0)
    if not positive > 0.0 or not math.isfinite(positive) or bar.isEmpty():
        return []
    width = bar.width() / (1.0 + max(0.0, beyond))
    blocks, left, owner = [], float(bar.left()), 0
    for part, share in zip(parts, shares, strict=True):
        rank = owner if part.role == OWNER else -1
        owner += part.role == OWNER
        if not share > 0.0:
            continue
        right = left + width * share / positive
        box = QRect(QPoint(round(left), bar.top()), QPoint(round(right) - 1, bar.bottom()))
        blocks.append(Block(part, box, rank))
        left = right
    return blocks


def hang(
    blocks: Sequence[Block], parts: Sequence[Part], shares: Sequence[float], high: int
) -> list[tuple[Part, QRect]]:
    """What takes away, under the right end of the blocks, as wide as what it takes."""
    positive = sum(share for share in shares if share > 0.0)
    if not blocks or not math.isfinite(positive):
        return []
    start, end, top = blocks[0].box.left(), blocks[-1].box.right() + 1, blocks[0].box.bottom() + 3
    whole = end - start
    hung = []
    for part, share in zip(parts, shares, strict=True):
        if part.role != CANCELS or not share < 0.0:
            continue
        width = max(4, min(end - start, round(-share / positive * whole)))
        hung.append((part, QRect(end - width, top, width, high)))
        end -= width + BLOCK_GAP_PX
    return hung


def inner(block: Block) -> QRect:
    """What of a block is filled: neighbours stand apart."""
    return block.box.adjusted(0, 0, -BLOCK_GAP_PX if block.box.width() > 2 * BLOCK_GAP_PX else 0, 0)


def write(painter: QPainter, block: Block, figure: str, ink: QColor) -> None:
    """Name and figure as large as fits, side by side or one over the other; a long name loses its middle first."""
    box = inner(block)
    room, high = box.width() - 2 * TEXT_EDGE_PX, box.height()
    most = MOST_NAME_PX if block.owner >= 0 else TEXT_PX + 3
    name = block.part.name
    painter.setPen(ink)
    place = box.adjusted(TEXT_EDGE_PX, 0, 0, 0)
    for lines, least in (((f"{name}  {figure}",), ONE_LINE_PX), ((name, figure), LEAST_NAME_PX)):
        size = min(_fitting(line, room, (high - 8) // len(lines), most) for line in lines)
        if size and size >= least:
            _write_lines(painter, lines, place, (size,) * len(lines))
            return
    size = _fitting(figure, room, high - 8 - line_height(LEAST_NAME_PX, bold=True), most)
    if size and room >= LEAST_NAME_WIDTH_PX:
        short = shortened(name, LEAST_NAME_PX, room, bold=True)
        _write_lines(painter, (short, figure), place, (LEAST_NAME_PX, size))
        return
    size = _fitting(figure, room, high - 8, most)
    if size:
        _write_lines(painter, (figure,), place, (size,))


def write_small(painter: QPainter, text: str, box: QRect, ink: QColor) -> None:
    """A word in a flat block, where it fits."""
    if text_width(text, MARK_PX - 1) <= box.width() - 10:
        painter.setFont(font(MARK_PX - 1))
        painter.setPen(ink)
        painter.drawText(box.adjusted(5, 0, 0, 0), _MIDDLE_LEFT, text)


def _fitting(line: str, room: int, high: int, most: int) -> int:
    return fitting_px(line, room, high, most, LEAST_NAME_PX, bold=True)


def _write_lines(painter: QPainter, lines: Sequence[str], place: QRect, sizes: Sequence[int]) -> None:
    heights = [line_height(size, bold=True) for size in sizes]
    top = place.center().y() - sum(heights) // 2
    for line, size, high in zip(lines, sizes, heights, strict=True):
        painter.setFont(font(size, bold=True))
        painter.drawText(QRect(place.left(), top, place.width(), high), _MIDDLE_LEFT, line)
        top += high

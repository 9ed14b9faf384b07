"""OVER and CLIP with their counts: filled tags in the head of the peak card, shown until a reset."""

from __future__ import annotations

from collections.abc import Iterator

from PySide6.QtCore import QRect

from meter import figures as words
from meter.gui.kit.label import CENTRE, Label, line_height, text_width
from meter.gui.kit.theme import MARK_PX, TEXT_PX, VERDICT_PX

OVER, CLIP = "OVER", "CLIP"
SIZES_PX = (VERDICT_PX, TEXT_PX, MARK_PX)
PAD_PX = 6
BETWEEN_PX = 4


class Tags:
    """Up to two right-aligned tags on one line, in the largest size that fits."""

    def __init__(self) -> None:
        self._counts = {OVER: 0.0, CLIP: 0.0}
        self._with_count: dict[str, bool] = {OVER: False, CLIP: False}
        self.boxes: dict[str, QRect] = {}
        self.labels: dict[str, Label] = {}

    @property
    def any(self) -> bool:
        """Whether there is a tag to show."""
        return any(self._counts.values())

    def count(self, overs: float, clipped: float) -> bool:
        """Take the counts, NaN for none; True when the tags must be laid out again."""
        before = self._lengths()
        for word, number in ((OVER, overs), (CLIP, clipped)):
            self._counts[word] = number if number >= 1.0 else 0.0
        return self._lengths() != before

    @property
    def counted(self) -> bool:
        """Whether the first tag shows its count."""
        return any(self._with_count.values())

    def text(self, word: str) -> str:
        """``OVER 3``, as far as there is room for the count."""
        return f"{word} {words.figure(self._counts[word], 0)}" if self._with_count[word] else word

    def _lengths(self) -> list[int]:
        """Digits of each count, 0 for none: digits have equal width."""
        return [len(words.figure(number, 0)) if number else 0 for number in self._counts.values()]

    def place(self, line: QRect) -> bool:
        """Lay the tags out in ``line``, vertically centred; return whether all fit with their counts."""
        told = [word for word, number in self._counts.items() if number]
        self.boxes, self.labels = {}, {}
        for shown, counted, size_px in _choices(told):
            self._with_count = {word: word in counted for word in (OVER, CLIP)}
            widths = [text_width(self.text(word), size_px, bold=True) + 2 * PAD_PX for word in shown]
            if sum(widths) + BETWEEN_PX * (len(shown) - 1) <= line.width():
                self._put(shown, widths, size_px, line)
                return shown == told == counted
        return not told

    def _put(self, shown: list[str], widths: list[int], size_px: int, line: QRect) -> None:
        high = line_height(size_px, bold=True)
        top = line.center().y() - high // 2
        right = line.right() + 1
        for word, width in zip(reversed(shown), reversed(widths), strict=True):
            self.boxes[word] = QRect(right - width, top, width, high)
            label = Label(size_px, role="on_signal", bold=True, align=CENTRE)
            label.place(self.boxes[word])
            label.say(self.text(word))
            self.labels[word] = label
            right -= width + BETWEEN_PX


def _choices(told: list[str]) -> Iterator[tuple[list[str], list[str], int]]:
    """Which tags to show, which with a count, and the size in pixels; the most complete choice first."""
    for shown, counted in ((told, told), (told, told[:1]), (told[:1], told[:1]), (told[:1], [])):
        for size_px in SIZES_PX:
            yield shown, counted, size_px

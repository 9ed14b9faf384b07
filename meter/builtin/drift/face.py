"""Tone drift: top and lows of a passage now, re the first time it was heard.

Two bars around a zero line, which is the first time; right is more now. Nothing is drawn without a known passage.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QRect, QSize
from PySide6.QtGui import QPainter, QRegion

from meter import figures as words
from meter.builtin.drift.findings import NEW, NO_PATTERN, SAME, DriftFindings
from meter.gui.kit.label import Label, line_height, text_width
from meter.gui.kit.theme import TEXT_PX
from meter.plugin.face import Face
from meter.readings import Frame

STUDY = "passage"
VERDICT_WORDS = {
    NO_PATTERN: "too steady, too quiet or interrupted to recognise",
    NEW: "new passage in this sitting",
}
ROWS = ("top", "lows")
NOTHING_FOUND = DriftFindings()
LONGEST_SENTENCE = "same passage as 59 min ago"
ROW_GAP_PX = 5
BAR_PX = 10
LEAST_BAR_WIDTH_PX = 60
MOST_BAR_WIDTH_PX = 420
FULL_DB = 6.0
"""Full deflection of a bar; a larger change is clipped, and its figure is shown."""


class DriftFace(Face):
    """See the module's description."""

    least = QSize(170, 84)
    preferred = QSize(342, 130)
    settled = ("sentence",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {"sentence": Label(TEXT_PX, lines=4)}
        for name in ROWS:
            self.labels[name] = Label(TEXT_PX, lines=1)
        self._bars: dict[str, QRect] = {}
        self._changes = dict.fromkeys((name for name in ROWS), math.nan)
        self._apart = self._same = False

    @property
    def subtitle(self) -> str:
        return "10 s, now re first time" if self.width() >= 200 else ""

    def arrange(self, inside: QRect) -> None:
        """The sentence with a row for each range below it; without room for rows, all in the sentence."""
        high = line_height(TEXT_PX)
        row = high + ROW_GAP_PX
        sentence = self.labels["sentence"]
        wide = text_width(f"lows {words.MINUS}12.5 dB", TEXT_PX) + 10
        self._apart = inside.height() >= 3 * high + 2 * ROW_GAP_PX and inside.width() >= wide
        lines = 1 if text_width(LONGEST_SENTENCE, TEXT_PX) <= inside.width() else 2
        above = min(lines * high, inside.height() - 2 * row)
        sentence_high = above if self._apart and self._same else inside.height()
        sentence.place(QRect(inside.left(), inside.top(), inside.width(), sentence_high))
        top = inside.top() + above + ROW_GAP_PX
        bar = min(inside.width() - wide, MOST_BAR_WIDTH_PX)
        for number, name in enumerate(ROWS):
            at = top + number * row
            self.labels[name].place(QRect(inside.left(), at, wide, high) if self._apart else QRect())
            box = QRect(inside.left() + wide, at + (high - BAR_PX) // 2, bar, BAR_PX)
            self._bars[name] = box if self._apart and bar >= LEAST_BAR_WIDTH_PX else QRect()

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        for name, box in self._bars.items():
            change = self._changes[name]
            if box.isEmpty() or math.isnan(change) or not region.intersects(box):
                continue
            painter.fillRect(box, self.theme.trough)
            middle = box.center().x()
            long = round(max(-1.0, min(1.0, change / FULL_DB)) * (box.width() // 2 - 1))
            left = middle if long >= 0 else middle + long
            painter.fillRect(left, box.top(), abs(long) + 1, box.height(), self.measured)
            painter.fillRect(middle, box.top() - 2, 1, box.height() + 4, self.theme.ink)

    def take_words(self, frame: Frame) -> None:
        found: DriftFindings = frame.findings.get(self.key(STUDY), NOTHING_FOUND)
        same = found.verdict == SAME
        if same != self._same:
            self._same = same
            self.rearrange()
        for name, change in zip(ROWS, (found.top_change_db, found.low_change_db), strict=True):
            self._take_change(name, change)
            self.say(name, words.change_of(name, change) if same else "")
        if not same:
            self.say("sentence", VERDICT_WORDS.get(found.verdict, words.waiting(self.live)), "soft")
            return
        sentence = f"same passage as {words.age(found.heard_ago_seconds)}"
        self.say("sentence", sentence if self._apart else f"{sentence}: {self._parts()}", "ink")

    def _take_change(self, name: str, change: float) -> None:
        before = self._changes[name]
        if change != before and not (math.isnan(change) and math.isnan(before)):
            self._changes[name] = change
            self.update(self._bars[name].adjusted(0, -2, 0, 2))

    def _parts(self) -> str:
        return ", ".join(self.labels[name].text for name in ROWS)

    def value_text(self) -> str:
        sentence = self.labels["sentence"].text
        return f"{sentence}: {self._parts()}" if self._apart and self._parts().strip(", ") else sentence

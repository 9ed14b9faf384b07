"""Kick and bass in two lanes over one bar, with what both hold at once filled in, and what they add up to."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QPainter, QPen, QPolygonF, QRegion

from meter import figures as words
from meter.builtin.low_end import face_data as data
from meter.builtin.low_end import face_mix as mix
from meter.builtin.low_end.face_data import Floats
from meter.gui.kit.label import Label, figure_room, line_height, shortened, text_width
from meter.gui.kit.points import polygon_of
from meter.gui.kit.theme import FIGURE_PX, HAIRLINE, MARK_PX, TEXT_PX, VERDICT_PX, font, mixed
from meter.plugin.face import Face
from meter.readings import Frame

NOT_YET, TOGETHER, TAKING_TURNS, CANCELLING, OVERLAPPING = range(5)
VERDICTS = {
    TOGETHER: "hit together",
    TAKING_TURNS: "take turns",
    CANCELLING: "partly cancel",
    OVERLAPPING: "overlap",
}
LARGELY_DB = -6.0
NOTABLE_CHANGE_DB = 0.5
"""A flip or a nudge that changes less is not worth a word."""
WIDEST = "−88.8"
NO_PAIR = "No kick and bass among the parts yet."
HELD_IN_ONE = "One part holds both kick and bass: no pair to compare."
ONE_HOLDS_BOTH = 2.0
"""The reading of ``pair_doubt`` for it."""
BEATS = 4
LEAST_LANES_PX = 36
NAME_SHARE = 0.5


class PairFace(Face):
    """See the module's description."""

    meter_id = data.METER
    title = "Kick and bass"
    least = QSize(200, 110)
    preferred = QSize(320, 250)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "figure": Label(FIGURE_PX + 4, bold=True, sample=WIDEST, least_px=26),
            "word": Label(FIGURE_PX - 14, bold=True, sample="cancel completely", least_px=VERDICT_PX),
            "unit": Label(TEXT_PX, role="soft"),
            "verdict": Label(TEXT_PX, lines=6),
            "try": Label(MARK_PX, role="soft", lines=2),
        }
        self._mapped = True
        self._lanes = QRect()
        self._first: Floats = np.empty(0)
        self._second: Floats = np.empty(0)
        self._shapes: list[QPolygonF] = []
        self._names = ("", "")
        self._seconds = math.nan
        self._stale = False

    short_subtitle = "after each hit; tap B"

    @property
    def subtitle(self) -> str:
        tempo = self.settings.get("tempo_bpm", 0.0)
        folded = isinstance(tempo, float) and tempo > 0.0
        return "one bar, the last eight folded" if folded else "a second after each hit; tap B for bars"

    def arrange(self, inside: QRect) -> None:
        figure, verdict, tries = self.labels["figure"], self.labels["verdict"], self.labels["try"]
        if not self._mapped:
            for label in self.labels.values():
                label.hide()
            verdict.place(inside)
            self._lanes = QRect()
            return
        room = figure_room(inside.height(), 54)
        figure.place(QRect(inside.left(), inside.top(), text_width(WIDEST, FIGURE_PX + 4, bold=True) + 4, room))
        figure.place(QRect(inside.left(), inside.top(), inside.width(), figure.line_height))
        self.labels["word"].place(figure.rect)
        self.labels["unit"].place(QRect())
        rest = inside.height() - figure.line_height
        lines = 3 if rest >= 150 else 2 if rest >= 90 else 1
        try_lines = 2 if rest >= 160 else 0
        words_high = lines * verdict.line_height + (try_lines * tries.line_height + 3 if try_lines else 0)
        top = inside.bottom() + 1 - words_high
        verdict.place(QRect(inside.left(), top, inside.width(), lines * verdict.line_height))
        under = verdict.rect.bottom() + 4
        tries.place(QRect(inside.left(), under, inside.width(), try_lines * tries.line_height))
        above = figure.rect.bottom() + 6
        self._lanes = QRect(inside.left(), above, inside.width(), top - 8 - above)
        if self._lanes.height() < 34 or self._lanes.width() < 100:
            self._lanes = QRect()
        self._first = self._second = np.empty(0)

    # Numbers and words

    def take_words(self, frame: Frame) -> None:
        if bool(frame.parts) != self._mapped:
            self._mapped = bool(frame.parts)
            self.rearrange()
        if not self._mapped:
            self.say("verdict", mix.PAIR_WOULD_SHOW, "soft", mix.PAIR_NEEDS)
            return
        names = (data.name_of(frame, "pair_first"), data.name_of(frame, "pair_second"))
        stale = data.is_stale(frame)
        self._take_lanes(frame, names, stale)
        gain = data.number(frame, "pair_sum_gain")
        found = self._verdict(frame)
        known, finite = not math.isnan(gain), math.isfinite(gain)
        self.say("figure", words.figure(gain, plus=True) if finite else "", "faint" if stale else "ink")
        self.say("word", found if not finite else "", "faint" if stale else "ink")
        self.say("unit", "dB summing gain" if finite else "")
        self.beside("figure", "unit")
        sentence = self._sentence(frame, names)
        judged = known or bool(found)
        self.say(
            "verdict",
            data.with_age(sentence, frame) if judged else sentence,
            "soft" if stale or not known else "ink",
            self._short(frame, names),
        )
        self.say("try", self._tries(frame, names) if known else "")

    def _sentence(self, frame: Frame, names: tuple[str, str]) -> str:
        if not all(names):
            if len(frame.parts) < 2:
                return "Two parts are needed, kick and bass."
            return HELD_IN_ONE if data.number(frame, "pair_doubt") == ONE_HOLDS_BOTH else NO_PAIR
        found = self._verdict(frame)
        if not found:
            return "listening for hits of both…" if self.live else words.NO_SOUND
        both, timing = f"{names[0]} and {names[1]} {found}", self._timing(frame, names[1])
        if found == VERDICTS[TAKING_TURNS] and not timing:
            at_once = data.number(frame, "pair_time_overlap")
            return f"{both}: at once for {at_once:.0f} % of the time" if math.isfinite(at_once) else both
        return f"{both}: {timing}" if timing else f"{both}, but hit together by chance only"

    @staticmethod
    def _verdict(frame: Frame) -> str:
        """What the two do, as a verb; empty while that is not known."""
        verdict, gain = data.number(frame, "pair_verdict"), data.number(frame, "pair_sum_gain")
        if verdict == CANCELLING and gain <= LARGELY_DB:
            return "cancel completely" if gain == -math.inf else "largely cancel"
        return VERDICTS.get(int(verdict) if math.isfinite(verdict) else NOT_YET, "")

    @staticmethod
    def _timing(frame: Frame, second: str) -> str:
        """When the second part begins, where that is steady, and by how much timing varies; empty without hits."""
        gap, spread = data.number(frame, "pair_gap"), data.number(frame, "pair_gap_spread")
        if math.isnan(spread):
            return ""
        varies = f"timing varies {spread:.0f} ms"
        if math.isnan(gap) or abs(gap) < 1.0:
            return varies
        return f"{second} {abs(gap):.0f} ms {'later' if gap > 0 else 'earlier'}, {varies}"

    def _short(self, frame: Frame, names: tuple[str, str]) -> str:
        """The sentence without the names, which stand in the picture."""
        verdict, gap = data.number(frame, "pair_verdict"), data.number(frame, "pair_gap")
        if not all(names):
            needs = data.first_fitting(self.labels["verdict"], mix.PAIR_NEEDS, "needs two parts")
            if len(frame.parts) < 2:
                return needs
            held_in_one = data.number(frame, "pair_doubt") == ONE_HOLDS_BOTH
            return "kick and bass in one part" if held_in_one else "no kick and bass yet"
        if not verdict > NOT_YET:
            return words.waiting(self.live)
        if verdict == CANCELLING or math.isnan(gap) or abs(gap) < 1.0:
            return self._verdict(frame)
        return f"{self._brief(names[1])} {abs(gap):.0f} ms {'later' if gap > 0 else 'earlier'}"

    def _brief(self, name: str) -> str:
        """A name that leaves room on its line for what is said of it."""
        return shortened(name, TEXT_PX, round(self.inside.width() * NAME_SHARE))

    def _tries(self, frame: Frame, names: tuple[str, str]) -> str:
        """What a flip or a nudge would change, where that is worth trying."""
        flip, nudge = data.number(frame, "pair_flip"), data.number(frame, "pair_nudge")
        gained = data.number(frame, "pair_nudge_gain")
        said = []
        if flip == math.inf:
            flipped = data.decibels(data.number(frame, "pair_flipped"))
            return f"to try: {self._brief(names[1])} flipped, summing gain {flipped}"
        if flip >= NOTABLE_CHANGE_DB:
            said.append(f"{self._brief(names[1])} flipped: {data.decibels(flip)}")
        if gained >= NOTABLE_CHANGE_DB:
            way = "later" if nudge > 0 else "earlier"
            said.append(f"{abs(nudge):.1f} ms {way}: {data.decibels(gained)}")
        if said:
            return f"to try: {'; '.join(said)}"
        overlap = data.number(frame, "pair_overlap")
        return f"they share {overlap:.0f} % of 30–150 Hz" if math.isfinite(overlap) else ""

    # Picture

    def _take_lanes(self, frame: Frame, names: tuple[str, str], stale: bool) -> None:
        first, second = data.each(frame, "lane_first"), data.each(frame, "lane_second")
        self._seconds = data.number(frame, "lane_seconds")
        same = np.array_equal(first, self._first, equal_nan=True) and np.array_equal(
            second, self._second, equal_nan=True
        )
        if same and (names, stale) == (self._names, self._stale):
            return
        self._first, self._second, self._names, self._stale = first.copy(), second.copy(), names, stale
        self._shapes = []
        if len(first) and len(first) == len(second) and np.isfinite(first).any() and not self._lanes.isEmpty():
            a, b = np.nan_to_num(np.clip(first, 0.0, 1.0)), np.nan_to_num(np.clip(second, 0.0, 1.0))
            self._shapes = [self._shape(a, upward=True), self._shape(b, upward=False)]
            both = np.minimum(a, b)
            self._shapes += [self._shape(both, upward=True), self._shape(both, upward=False)]
        self.update(self._lanes)

    def _shape(self, lane: Floats, *, upward: bool) -> QPolygonF:
        """A filled lane that stands on, or hangs from, the line between the two."""
        middle = self._lanes.center().y()
        x = self._lanes.left() + (np.arange(len(lane)) + 0.5) / len(lane) * (self._lanes.width() - 1)
        reach = (self._lanes.height() / 2.0 - 2.0 - self._names_high) * lane
        y = middle - 1.0 - reach if upward else middle + 1.0 + reach
        base = middle - 1.0 if upward else middle + 1.0
        return polygon_of(np.concatenate([x[:1], x, x[-1:]]), np.concatenate([[base], y, [base]]))

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if self._lanes.isEmpty() or not region.intersects(self._lanes):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        self._draw_beats(painter)
        calm = mixed(self.measured, self.theme.card, 0.6 if self._stale else 0.3)
        shared = mixed(self.theme.held, self.theme.card, 0.55 if self._stale else 0.15)
        for shape, colour in zip(self._shapes, (calm, calm, shared, shared), strict=False):
            painter.setPen(QPen(colour, HAIRLINE))
            painter.setBrush(colour)
            painter.drawPolygon(shape)
        painter.setFont(font(MARK_PX))
        painter.setPen(self.theme.soft)
        high = line_height(MARK_PX)
        room = self._lanes.width() if self._names_high else self._lanes.width() // 2
        for name, top in zip(self._names, (self._lanes.top(), self._lanes.bottom() + 1 - high), strict=True):
            text = shortened(name, MARK_PX, room)
            painter.drawText(QRect(self._lanes.right() - room, top, room, high), Qt.AlignmentFlag.AlignRight, text)

    @property
    def _names_high(self) -> int:
        """What the names take of the lanes, above and below, where there is room for both."""
        high = line_height(MARK_PX)
        return high if self._lanes.height() >= 2 * high + LEAST_LANES_PX else 0

    def _draw_beats(self, painter: QPainter) -> None:
        """The line between the lanes and, in a bar, its beats."""
        middle = self._lanes.center().y()
        painter.setPen(self.theme.line)
        painter.drawLine(self._lanes.left(), middle, self._lanes.right(), middle)
        tempo = self.settings.get("tempo_bpm", 0.0)
        if not (isinstance(tempo, float) and tempo > 0.0):
            return
        painter.setPen(mixed(self.theme.card, self.theme.line, 0.7))
        for beat in range(BEATS):
            at = self._lanes.left() + round(beat * (self._lanes.width() - 1) / BEATS)
            painter.drawLine(at, self._lanes.top(), at, self._lanes.bottom())

    def value_text(self) -> str:
        said = (self.labels["verdict"].text, self.labels["try"].text)
        gain = f"{self.labels['figure'].text} {self.labels['unit'].text}".strip()
        return ", ".join(text for text in (gain, *said) if text)

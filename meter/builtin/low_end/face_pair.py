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
from meter.lowend import words as sentences
from meter.lowend.findings import HELD_IN_ONE, NOT_YET, TAKING_TURNS, Lanes, LowEndFindings, PairFindings
from meter.plugin.face import Face
from meter.readings import Frame

WIDEST = "−88.8"
NO_PAIR = "No kick and bass among the parts yet."
ONE_HOLDS_BOTH = "One part holds both kick and bass: no pair to compare."
BEATS = 4
MISFIT = "does not fit the hits"
LEAST_LANES_PX = 36
NAME_SHARE = 0.5


class PairFace(Face):
    """See the module's description."""

    least = QSize(200, 110)
    preferred = QSize(320, 250)
    settled = ("word", "verdict")

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
        self._drawn: tuple[tuple[float, ...], tuple[float, ...]] | None = None
        self._shapes: list[QPolygonF] = []
        self._names = ("", "")
        self._stale = False
        self._misfit = False
        self._better = ""

    @property
    def subtitle(self) -> str:
        tempo = data.tempo_words(self.settings)
        misfit = f"{tempo} {MISFIT}" if tempo and self._misfit else ""
        self.short_subtitle = misfit or (f"8 bars at {tempo}" if tempo else "after each hit; tap B")
        if misfit:
            return f"{misfit}{self._better}"
        return f"one bar at {tempo}, last 8 bars overlaid" if tempo else "a second after each hit; tap B for bars"

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
        self._drawn = None

    # Numbers and words

    def take_words(self, frame: Frame) -> None:
        if bool(frame.parts) != self._mapped:
            self._mapped = bool(frame.parts)
            self.rearrange()
        if not self._mapped:
            self.say("verdict", mix.PAIR_WOULD_SHOW, "soft", mix.PAIR_NEEDS)
            return
        found = data.findings(frame)
        pair = found.pairs[0] if found is not None and found.pairs else None
        stale = data.is_stale(frame)
        lanes = found.lanes if found is not None else None
        self._take_fit(lanes)
        self._take_lanes(lanes, pair, stale)
        gain = pair.sum_gain_db if pair is not None else math.nan
        verb = sentences.pair_verb(pair) if pair is not None else ""
        known, finite = not math.isnan(gain), math.isfinite(gain)
        self.say("figure", words.figure(gain, plus=True) if finite else "", "faint" if stale else "ink")
        self.say("word", verb if not finite else "", "faint" if stale else "ink")
        self.say("unit", "dB summing gain" if finite else "")
        self.beside("figure", "unit")
        sentence = self._sentence(found, pair)
        judged = known or bool(verb)
        self.say(
            "verdict",
            data.with_age(sentence, frame) if judged else sentence,
            "soft" if stale or not known else "ink",
            self._short(found, pair),
        )
        self.say("try", self._tries(pair) if known and pair is not None else "")

    def _take_fit(self, lanes: Lanes | None) -> None:
        misfit = lanes is not None and not lanes.tempo_fits
        better = f"; {lanes.better_bpm:.1f} does" if lanes is not None and math.isfinite(lanes.better_bpm) else ""
        if (misfit, better) != (self._misfit, self._better):
            self._misfit, self._better = misfit, better
            self.rearrange()

    def _sentence(self, found: LowEndFindings | None, pair: PairFindings | None) -> str:
        if pair is None:
            return self._no_pair(found)
        verb = sentences.pair_verb(pair)
        if not verb:
            return "listening for hits of both…" if self.live else words.NO_SOUND
        names, timing = f"{pair.first} and {pair.second}", sentences.timing_words(pair)
        if pair.verdict == TAKING_TURNS and not timing:
            return f"{names} {sentences.turns_words(pair)}"
        return f"{names} {verb}: {timing}" if timing else f"{names} {verb}, but hit together by chance only"

    def _no_pair(self, found: LowEndFindings | None) -> str:
        if found is None:
            return words.waiting(self.live)
        if len(found.parts) < 2:
            return "Two parts are needed, kick and bass."
        return ONE_HOLDS_BOTH if found.no_pair == HELD_IN_ONE else NO_PAIR

    def _short(self, found: LowEndFindings | None, pair: PairFindings | None) -> str:
        """The sentence without the names, which stand in the picture."""
        if pair is None:
            if found is None:
                return words.waiting(self.live)
            if len(found.parts) < 2:
                return data.first_fitting(self.labels["verdict"], mix.PAIR_NEEDS, "needs two parts")
            return "kick and bass in one part" if found.no_pair == HELD_IN_ONE else "no kick and bass yet"
        if pair.verdict == NOT_YET:
            return words.waiting(self.live)
        gap = sentences.gap_words(pair)
        return f"{self._brief(pair.second)} {gap}" if gap and pair.sum_gain_db > 0.0 else sentences.pair_verb(pair)

    def _brief(self, name: str) -> str:
        """A name that leaves room on its line for what is said of it."""
        return shortened(name, TEXT_PX, round(self.inside.width() * NAME_SHARE))

    def _tries(self, pair: PairFindings) -> str:
        """What a flip or a nudge would change, where that is worth trying."""
        name, said = self._brief(pair.second), []
        if pair.flip_change_db == math.inf:
            return f"to try: {name} flipped, summing gain {data.decibels(pair.flipped_gain_db)}"
        if pair.flip_change_db >= sentences.NOTABLE_CHANGE_DB:
            said.append(f"{name} flipped: {data.decibels(pair.flip_change_db)}")
        if pair.nudge_change_db >= sentences.NOTABLE_CHANGE_DB:
            said.append(f"{sentences.nudge_words(pair)}: {data.decibels(pair.nudge_change_db)}")
        if said:
            return f"to try: {'; '.join(said)}"
        overlap = pair.overlap_percent
        return f"they share {overlap:.0f} % of 30–150 Hz" if math.isfinite(overlap) else ""

    # Picture

    def _take_lanes(self, lanes: Lanes | None, pair: PairFindings | None, stale: bool) -> None:
        names = (pair.first, pair.second) if pair is not None else ("", "")
        drawn = (lanes.first, lanes.second) if lanes is not None else None
        if drawn == self._drawn and (names, stale) == (self._names, self._stale):
            return
        self._drawn, self._names, self._stale = drawn, names, stale
        self._shapes = []
        if lanes is not None and len(lanes.first) == len(lanes.second) and not self._lanes.isEmpty():
            a, b = (np.nan_to_num(np.clip(lane, 0.0, 1.0)) for lane in (lanes.first, lanes.second))
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
        shared = mixed(self.theme.ink, self.theme.card, 0.55 if self._stale else 0.15)
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

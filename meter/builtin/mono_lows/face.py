"""Mono loss of the low end: one word, one figure, and four stones, one per sub-band.

The card needs little room while the low end is solid, and asks for more when something cancels. A stone's outline is
the same for every band; its fill is what survives in mono, its shift the balance. The band that the sentence names
has an outline in the colour of text; a band too weak to judge is filled faintly.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QRect, QSize, Qt
from PySide6.QtGui import QPainter, QPen, QRegion

from meter import figures as words
from meter.builtin.mono_lows.face_judgement import ALL, BUT, LARGELY, ONE_SIDE, PARTLY, SOLID, Judge, Judgement
from meter.builtin.mono_lows.face_stones import BANDS, STONE_KEYS, Stone, row_of, stones_of
from meter.gui.kit.label import LEFT, RIGHT, Label, figure_room, fitting_px, line_height, shortened, text_width
from meter.gui.kit.steady import Lean
from meter.gui.kit.theme import FIGURE_PX, MARK_PX, TEXT_PX, VERDICT_PX, px
from meter.lowend.findings import LowEndFindings
from meter.plugin.face import Face
from meter.readings import Frame

MOST_PX = 120
UNIT = "dB mono loss"
ROOMY_PX = 260
"""From this width on the unit is ``UNIT``; in a narrower card it is "dB", and the title says the rest."""
BRIEF_PX = 84
"""A card less high inside shows word and figure on one line and no stones."""
STONES_PX, BESIDE_FROM_PX, STONES_BESIDE_PX = 100, 290, 110
"""With less room below the words, stones without names stand beside them in a card of the second width, so wide."""
STATE_PX, BESIDE_PX = 42, 26
"""Largest type of the word, and of the figure beside it."""
WIDEST = f"{words.MINUS}88.8"
SOLID_BUT = "solid as a whole, but "
IN_MONO = " in mono"
STATES = {
    SOLID: SOLID, BUT: "cancels", ONE_SIDE: "one side",
    PARTLY: "cancels", LARGELY: "cancels", ALL: "cancels",
}  # fmt: skip
"""The judgement in a word or two."""
LONGEST_STATE = "one side"
NAME_SHARE = 0.55
"""Share of a line for the part's name, so that the rest of the sentence fits."""
STALE_SECONDS = 2.0
JUDGED = 1.0


class MonoLowsFace(Face):
    """See the module's description."""

    least = QSize(160, 90)
    preferred = QSize(540, 330)
    settled = ("verdict",)

    def __init__(self) -> None:
        super().__init__()
        self.labels = {
            "state": Label(STATE_PX, bold=True, sample=LONGEST_STATE, least_px=TEXT_PX),
            "figure": Label(MOST_PX, bold=True, sample=WIDEST, least_px=TEXT_PX),
            "unit": Label(VERDICT_PX, role="soft", sample=UNIT, least_px=MARK_PX),
            "verdict": Label(24, lines=2, sample="00–000 Hz partly cancels", least_px=MARK_PX),
            "lean": Label(TEXT_PX, role="soft"),
            "since": Label(TEXT_PX, role="soft"),
        }
        self._bands = [f"band{number}" for number in range(BANDS)]
        self.labels |= {name: Label(MARK_PX, role="soft", align=RIGHT) for name in self._bands}
        self._column = QRect()
        self._picture = QRect()
        self._stones: list[Stone] = []
        self._told: tuple[object, ...] = ()
        self._loss = math.nan
        self._judge, self._lean = Judge(), Lean()
        self._judgement = Judgement(SOLID, -1)
        self._verdict_lines = 1
        self._stale = self._brief = False

    @property
    def subtitle(self) -> str:
        return "below 120 Hz, last 3 s"

    @property
    def needs_room(self) -> bool:
        """Only when something cancels."""
        return not self._judgement.solid

    # Layout

    def arrange(self, inside: QRect) -> None:
        self._brief = inside.height() < px(BRIEF_PX)
        self._column = QRect(inside)
        if self._brief:
            self._arrange_brief()
            return
        self.labels["state"].hide()
        wide = inside.width() >= 1.7 * inside.height() and inside.width() >= px(400)
        if wide:
            self._column.setWidth(round(inside.width() * 0.52))
        self._arrange_figure()
        bottom = self._flow()
        picture = QRect(inside)
        if wide:
            picture.setLeft(self._column.right() + 16)
        elif inside.bottom() - bottom >= px(STONES_PX) or inside.width() < px(BESIDE_FROM_PX):
            picture.setTop(bottom + 14)
        else:
            self._column.setWidth(inside.width() - px(STONES_BESIDE_PX) - px(12))
            self._arrange_figure()
            self._flow()
            picture.setLeft(self._column.right() + px(12))
            self._arrange_picture(picture, labelled=False)
            return
        self._arrange_picture(picture)

    def _arrange_brief(self) -> None:
        """The judgement in a word with the figure right of it, lean and "since R" below."""
        column, state, figure = self._column, self.labels["state"], self.labels["figure"]
        lean, since = self.labels["lean"], self.labels["since"]
        for name in ("verdict", *self._bands):
            self.labels[name].hide()
        below = lean.line_height + 2
        with_below = column.height() >= below + line_height(TEXT_PX, bold=True)
        high = min(column.height() - (below if with_below else 0), line_height(STATE_PX, bold=True))
        unit_width = text_width("dB", VERDICT_PX) + 10
        figure_px = fitting_px(WIDEST, column.width() // 2 - unit_width, high, BESIDE_PX, TEXT_PX, bold=True)
        figure_width = text_width(WIDEST, figure_px or TEXT_PX, bold=True) + 2
        left_width = column.width() - figure_width - unit_width - 8
        state.place(QRect(column.left(), column.top(), left_width, high))
        state.place(QRect(column.left(), column.top(), left_width, min(high, state.line_height)))
        figure_high = min(high, line_height(figure_px or TEXT_PX, bold=True))
        down = column.top() + (state.line_height - figure_high) // 2
        right = QRect(column.right() + 1 - figure_width - unit_width, down, figure_width + unit_width, figure_high)
        figure.place(right if figure_px else QRect())
        under = column.top() + max(state.line_height, figure_high) + 2
        below_box = QRect(column.left(), under, column.width(), lean.line_height)
        lean.place(below_box if with_below else QRect())
        since.hide()
        if with_below:
            self._put_beside(lean, since)
        self._picture, self._stones, self._told = QRect(), [], ()

    def _arrange_figure(self) -> None:
        column, figure = self._column, self.labels["figure"]
        unit_width = text_width(UNIT if column.width() >= px(ROOMY_PX) else "dB", VERDICT_PX) + 8
        high = figure_room(self.inside.height())
        room = column.width() - unit_width
        if fitting_px(WIDEST, room, high, FIGURE_PX, FIGURE_PX - 8, bold=True) == 0:
            room = column.width()
        figure.place(QRect(column.left(), column.top(), room, high))
        figure.place(QRect(column.left(), column.top(), column.width(), figure.line_height))

    def _flow(self) -> int:
        """Stack the sentences below the figure, each as high as its text; return the bottom edge."""
        column = self._column
        top = self.labels["figure"].rect.bottom() + 3
        for name, lines in (("verdict", 2), ("lean", 1), ("since", 1)):
            label = self.labels[name]
            label.place(QRect(column.left(), top, column.width(), column.height()))
            lines = min(lines, max(0, (column.bottom() + 1 - top) // label.line_height))
            label.place(QRect(column.left(), top, column.width(), lines * label.line_height))
            if lines:
                top += max(1, len(label.shown)) * label.line_height + 3
        lean, since = self.labels["lean"], self.labels["since"]
        if lean.visible and self._put_beside(lean, since):
            return lean.rect.bottom()
        since.align = LEFT
        return top - 3

    def _put_beside(self, lean: Label, since: Label) -> bool:
        """Put "since R" at the right end of the line of the lean, where both fit."""
        column = self._column
        since_width = text_width("since R −00.0 dB", TEXT_PX)
        lean_width = column.width() - since_width - 24
        if lean_width < text_width("leans 00.0 dB to the right", TEXT_PX):
            return False
        since.align = RIGHT
        since.place(QRect(column.right() + 1 - since_width, lean.rect.top(), since_width, since.line_height))
        lean.place(QRect(column.left(), lean.rect.top(), lean_width, lean.line_height))
        return True

    def _arrange_picture(self, place: QRect, *, labelled: bool = True) -> None:
        label_width = text_width("000–000 Hz", MARK_PX) if labelled else 0
        width = place.width() - label_width - (8 if labelled else 0)
        shown = place.height() >= 72 and width >= 90
        high = min(place.height() - 8, round(width * (0.72 if labelled else 1.4)))
        self._picture = QRect(place.left(), place.bottom() - 4 - high, width, high) if shown else QRect()
        for number, name in enumerate(self._bands):
            high = line_height(MARK_PX)
            if not shown or not labelled or row_of(self._picture, number).height() < high - 3:
                self.labels[name].hide()
                continue
            top = round(row_of(self._picture, number).center().y()) - high // 2
            self.labels[name].place(QRect(place.right() - label_width, top, label_width, high))
        self._stones, self._told = [], ()

    # Picture

    def paint_still(self, painter: QPainter) -> None:
        if self._picture.isEmpty():
            return
        middle, box = self._picture.center().x(), self._picture
        painter.setPen(QPen(self.theme.line, 1, Qt.PenStyle.DotLine))
        painter.drawLine(middle, box.top(), middle, box.bottom())
        painter.setPen(QPen(self.theme.line, 1))
        painter.drawLine(box.left() + 10, box.bottom() + 2, box.right() - 10, box.bottom() + 2)

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        if not region.intersects(self._picture):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        measured = self.theme.measured_deep if self._stale else self.measured
        for stone in self._stones:
            if region.intersects(stone.place):
                stone.draw(painter, self.theme, measured)

    def take(self, frame: Frame) -> None:
        read = [frame.vector(self.key(key)).tobytes() for key in STONE_KEYS]
        if (told := (self._picture, self._judgement.band, *read)) == self._told:
            return
        self._told = told
        stones = stones_of(frame, self.meter_id, self._picture, self._judgement.band)
        if [stone.outline.top() for stone in stones] != [stone.outline.top() for stone in self._stones]:
            self.update(self._picture)
        for before, stone in zip(self._stones, stones, strict=False):
            if stone != before:
                self.update(before.place.united(stone.place))
        self._stones = stones

    # Words

    def take_words(self, frame: Frame) -> None:
        loss, verdict = self._number(frame, "loss_now"), self._number(frame, "verdict")
        needed = self.needs_room
        if math.isnan(loss) or not verdict >= JUDGED:
            self._say_not_yet(frame)
        else:
            self._judgement = self._judge.follow(frame, self.meter_id)
            self._say_verdict(frame, loss)
        self._say_bands(frame)
        if self._flow_changed():
            self.rearrange()
        self.take(frame)
        if needed != self.needs_room:
            self.room_changed.emit()

    def _number(self, frame: Frame, key: str) -> float:
        return frame.number(self.key(key))

    def _flow_changed(self) -> bool:
        lines = len(self.labels["verdict"].shown)
        changed, self._verdict_lines = lines != self._verdict_lines and not self._brief, lines
        return changed

    def _say_verdict(self, frame: Frame, loss: float) -> None:
        age = self._number(frame, "age")
        stale = age >= STALE_SECONDS or not self.live
        if stale != self._stale:
            self._stale = stale
            self.update(self._picture)
        self._loss = words.settled(loss, self._loss, 0.1)
        role = "faint" if stale else "ink"
        self.say("figure", words.figure(self._loss), role)
        self.say("unit", UNIT if self._column.width() >= px(ROOMY_PX) and not self._brief else "dB")
        self.beside("figure", "unit")
        self.say("state", STATES[self._judgement.kind], role)
        sentence = self._verdict(frame)
        sentence_now = f"{sentence}, {words.age(age)}" if age >= STALE_SECONDS else sentence
        short = sentence_now.removeprefix(SOLID_BUT).replace(IN_MONO, "")
        self.say("verdict", sentence_now, "soft" if stale else "ink", short)
        self._say_lean(frame)

    def _say_lean(self, frame: Frame) -> None:
        """The second line: where the whole leans or, of a band on one side, on which."""
        told = self._lean.words(self._number(frame, "balance_now"), frame.status.elapsed_seconds)
        if self._judgement.kind == ONE_SIDE:
            left = frame.vector(self.key("band_balance"))[self._judgement.band] > 0.0
            told = f"{self._band_name(frame, self._judgement.band)} sits on the {'left' if left else 'right'}"
        elif self._brief and self._judgement.band >= 0:
            told = f"{self._band_name(frame, self._judgement.band)}, {told}"
        self.say("lean", told)
        since = self._number(frame, "fold_down_loss")
        self.say("since", "" if math.isnan(since) else f"since R {words.with_unit(since, 'dB')}")

    def _say_not_yet(self, frame: Frame) -> None:
        one = len(self.columns(frame)) == 1
        self._loss = math.nan
        self._judge.clear()
        self._lean.clear()
        self._judgement = Judgement(SOLID, -1)
        told = "needs two channels" if one else words.waiting(self.live)
        self.say("figure", "" if self._brief else words.NOT_YET, "faint")
        self.say("unit", "")
        self.say("state", told, "soft")
        self.say("verdict", told, "soft")
        self.say("lean", "")
        self.say("since", "")

    def _verdict(self, frame: Frame) -> str:
        """The judgement as a sentence; a lean is none."""
        kind, band = self._judgement.kind, self._judgement.band
        if kind == SOLID:
            return "solid below 120 Hz"
        if kind == ALL:
            return "the low end cancels completely in mono"
        name = self._band_name(frame, band)
        if kind == ONE_SIDE:
            return f"{name} loses level{IN_MONO}"
        much = "partly" if kind == PARTLY else "largely"
        start = SOLID_BUT if kind == BUT else ""
        return f"{start}{name} {much} cancels{IN_MONO}{self._behind(frame, band)}"

    def _behind(self, frame: Frame, band: int) -> str:
        """``: NAME`` of the part that causes the loss; empty without parts or when they lose in another band."""
        found = frame.findings.get(self.key("low_end.account"))
        if not isinstance(found, LowEndFindings) or not found.mono.culprit:
            return ""
        low, high = found.mono.worst_band_hz
        edges = [frame.vector(self.key(key)) for key in ("band_low_edge", "band_high_edge")]
        is_whole = (low, high) not in found.bands_hz
        if not is_whole and (low, high) != tuple(float(edge[band]) for edge in edges):
            return ""
        room = round(self._column.width() * NAME_SHARE)
        return f": {shortened(found.mono.culprit, self.labels['verdict'].size_px, room)}"

    def _say_bands(self, frame: Frame) -> None:
        votes = frame.vector(self.key("band_votes"))
        for number, name in enumerate(self._bands):
            votes_here = number < len(votes) and votes[number] == 1.0
            role = "ink" if number == self._judgement.band else ("soft" if votes_here else "faint")
            self.say(name, self._band_name(frame, number), role)

    def _band_name(self, frame: Frame, number: int) -> str:
        low, high = (frame.vector(self.key(f"band_{edge}_edge")) for edge in ("low", "high"))
        if not 0 <= number < len(low) or not (math.isfinite(low[number]) and math.isfinite(high[number])):
            return ""
        return f"{low[number]:.0f}–{high[number]:.0f} Hz"

    def value_text(self) -> str:
        said = [self.labels[name].text for name in ("figure", "unit", "verdict", "lean")]
        return " ".join(said[:2]).strip() + ", " + ", ".join(text for text in said[2:] if text)

"""The card of a stage: was it fair, how hard does it work, what did it add, what did it cost.

One large figure, the change of loudness, with its sentence and a ruler; then a picture and a sentence each for
squeeze and response, and the receipt. The total of a chain shows the steps of its stages in place of the curve.
"""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QRect, QSize, QTimer
from PySide6.QtGui import QGuiApplication, QPainter, QRegion

from meter.builtin.stage import face_chain as chain
from meter.builtin.stage import face_words as told
from meter.builtin.stage.face_curves import Response, SqueezeCurve
from meter.builtin.stage.face_levels import Levels
from meter.builtin.stage.face_pane import Pane
from meter.builtin.stage.face_places import Places
from meter.builtin.stage.face_receipt import Receipt
from meter.builtin.stage.face_ruler import Ruler
from meter.builtin.stage.face_steps import StagePicture, Steps
from meter.builtin.stage.findings import FOUND, PairFindings
from meter.gui.kit.label import Label
from meter.gui.kit.theme import FIGURE_PX, TEXT_PX, VERDICT_PX
from meter.gui.kit.way import FEEDS, SOURCE, Way
from meter.plugin.face import Choice, Face
from meter.readings import PAIR_PREFIX, Frame
from meter.stage import words
from meter.stage.findings import StageFindings
from meter.stage.next_stage import with_next

STUDY = "pair"
COPY_KEY = "C"
COPIED_MS = 2500
STALE_OPACITY = 0.6
SIDES = 2
WAYS = {
    FEEDS: (
        "name a stage",
        "Name a stage and say which channels carry the sound before it and after it.",
    ),
    SOURCE: (
        "choose more channels",
        "Send the sound before and after a stage to further channels of one device. Then choose all its channels and "
        "name the stage.",
    ),
}
WOULD_SHOW = (
    "Here it then says whether the two are equally loud, how far the stage holds the sound down, what it adds and "
    "what it costs."
)
FILES = "Two files: earwitness compare BEFORE AFTER"


class StageFace(Face):
    """See the module's description."""

    least = QSize(200, 110)
    preferred = QSize(620, 640)
    settled = ("fair",)
    invites = True

    def __init__(self, *, as_picture: bool = False) -> None:
        """``as_picture`` leaves out what needs keys and a running source."""
        super().__init__()
        self._as_picture = as_picture
        self.labels = {
            "figure": Label(FIGURE_PX + 28, bold=True, sample="−88.8", least_px=26),
            "unit": Label(TEXT_PX, role="soft"),
            "fair": Label(VERDICT_PX, lines=4, least_px=TEXT_PX, sample="Nearly fair: after is"),
            "trim": Label(TEXT_PX, role="soft"),
            "steps": Label(TEXT_PX, lines=3),
            "squeeze": Label(TEXT_PX, lines=6),
            "added": Label(TEXT_PX, lines=6),
            "receipt": Label(TEXT_PX, lines=4),
            "pair": Label(TEXT_PX, lines=4),
            "would": Label(TEXT_PX, role="soft", lines=6),
        }
        self.ruler, self.curve, self.response, self.steps = Ruler(), SqueezeCurve(), Response(), Steps()
        self.levels, self.receipt, self.picture = Levels(), Receipt(), StagePicture()
        self._way = Way(self, WAYS)
        self._way.button.clicked.connect(lambda: self.action_asked.emit(self._way.action))
        self.controls = [self._way.button]
        self._stage: StageFindings | None = None
        self._stages: tuple[str, ...] = ()
        self._seen: tuple[Any, ...] = ()
        self._stale = self._invites = False
        self._invitation = ""
        self._pair: PairFindings | None = None
        self._following: StageFindings | None = None
        self._copied = QTimer(self)
        self._copied.setSingleShot(True)
        self._copied.setInterval(COPIED_MS)
        self._copied.timeout.connect(self._say_trim)

    @property
    def subtitle(self) -> str:
        if self._stage is None:
            self.short_subtitle = ""
            return ""
        self.short_subtitle = told.delay_words(self._stage)
        span = f"{'' if self._as_picture else 'newest '}{self._stage.seconds:.0f} s"
        return f"{'all stages together, ' if self._stages else ''}{span}, {told.delay_words(self._stage)}"

    @property
    def needs_room(self) -> bool:
        """Smaller while it invites."""
        return not self._invites

    def choices(self) -> tuple[Choice, ...]:
        if self._as_picture:
            return ()
        return (
            Choice("trim", f"copy the trim\t{COPY_KEY}", run=self.copy_trim),
            Choice("feeds", "name the feeds…", run=lambda: self.action_asked.emit(FEEDS)),
        )

    # The key

    def press(self, key: str) -> bool:
        if key != COPY_KEY or self._stage is None:
            return False
        self.copy_trim()
        return True

    def copy_trim(self) -> None:
        """Put the trim on the clipboard, as a figure that other programs take."""
        if not (text := told.trim_text(self._stage)):
            return
        QGuiApplication.clipboard().setText(text)
        self.say("trim", told.trim_hint(self._stage, copied=True))
        self._copied.start()

    def _say_trim(self) -> None:
        self.say("trim", told.trim_hint(self._stage, copied=False))

    # Layout

    def arrange(self, inside: QRect) -> None:
        for label in self.labels.values():
            label.hide()
        for pane in self._panes():
            pane.rect = QRect()
        self._way.button.hide()
        places = Places(inside, self.labels)
        if self._invites:
            self._way.colour(self.theme)
            self._way.button.setGeometry(places.invitation(self.picture, self._way.button.sizeHint()))
            self._way.button.show()
        elif self._stage is None:
            places.sentence_alone(self.levels)
        else:
            work: Pane = self.steps if self._stages else self.curve
            places.card(self.ruler, work, self.response, self.receipt, self.levels)
            self.beside("figure", "unit")

    def _panes(self) -> tuple[Pane, ...]:
        return self.ruler, self.levels, self.curve, self.response, self.steps, self.receipt, self.picture

    # Numbers and words

    def take(self, frame: Frame) -> None:
        """Move the level bars."""
        level, highest = frame.vector(self.key("level")), frame.vector(self.key("level_max"))
        if len(level) == len(highest) == SIDES:
            for moved in self.levels.show(level.tolist(), highest.tolist()):
                self.update(moved)

    def take_words(self, frame: Frame) -> None:
        """Follow the findings: nothing is done while they are the same."""
        found = frame.findings.get(self.key(STUDY))
        pair = found if isinstance(found, PairFindings) else None
        feed = frame.layout.feed_of(self.meter_id)
        stages = chain.stages_of(frame.feeds, feed)
        following = chain.findings_of(frame, chain.following(frame.feeds, feed), STUDY)
        steps = chain.steps_of(frame, stages, STUDY)
        invites = bool(frame.layout.slots) and not any(feed.startswith(PAIR_PREFIX) for feed in frame.feeds)
        level, peaks = frame.vector(self.key("level")), frame.vector(self.key("true_max"))
        if len(level) == len(peaks) == SIDES and self.levels.tell(level.tolist(), peaks.tolist()):
            self.update(self.levels.rect)
        seen = (id(pair), id(following), stages, steps, invites, self.live, frame.layout)
        if seen == self._seen:
            return
        if self._seen and frame.layout is not self._seen[-1]:
            self._stage = None
        room_changes = invites != self._invites
        self._seen, self._stages, self._invites = seen, stages, invites
        self._invitation = self._way.point(frame) if invites else ""
        self._take(pair, following)
        self._pair, self._following = pair, following  # kept, so that their ids stay their own
        shape = self._shape()
        self._show_panes(pair, steps)
        self._tell(pair, steps)
        if self._shape() != shape:
            self.rearrange()
        self.update(self.inside)
        if room_changes:
            self.room_changed.emit()

    def _shape(self) -> tuple[object, ...]:
        """What decides where everything stands: as long as it is the same nothing is laid out again."""
        lines = tuple(len(label.shown) + label.elided if label.text else 0 for label in self.labels.values())
        return (
            lines,
            self._stage is None,
            self._stages,
            self._invites,
            self.subtitle,
            self.labels["figure"].text,
            self.receipt.high(),
        )

    def _take(self, pair: PairFindings | None, following: StageFindings | None) -> None:
        """Keep the figures of the last phrase over a pause and while the delay is found again."""
        now = pair.stage if pair is not None else None
        self._stale = not self.live or now is None or pair is None or pair.state != FOUND
        if now is not None:
            self._stage = now if following is None else with_next(now, following)
        elif not told.outlives(pair):
            self._stage = None

    def _show_panes(self, pair: PairFindings | None, steps: tuple[chain.Step, ...]) -> None:
        if self._stage is None:
            return
        self.ruler.show(told.changes(self._stage, pair))
        self.curve.show(self._stage.squeeze.curve, self._stage.squeeze.make_up_db)
        self.response.show(self._stage.linear.response)
        self.steps.show(steps)
        self.receipt.show(words.bought(self._stage.receipt), words.paid(self._stage.receipt))

    def _tell(self, pair: PairFindings | None, steps: tuple[chain.Step, ...]) -> None:
        """Put the sentences into the labels; ``rearrange`` draws them."""
        state = self._invitation or told.state_sentence(pair, self.live)
        said = dict.fromkeys(self.labels, "")
        said |= {"fair": state, "would": f"{WOULD_SHOW} {FILES}." if self._invites else ""}
        short: dict[str, str] = {}
        wrong = rests = False
        if self._stage is not None:
            said["figure"], said["unit"] = told.big_figure(self._stage)
            rests = told.rests(pair) or not self.live
            said["fair"] = words.fair_sentence(self._stage) if rests else state or words.fair_sentence(self._stage)
            if not self._as_picture:
                said["trim"] = told.trim_hint(self._stage, copied=self._copied.isActive())
            said["steps"] = chain.chain_sentence(steps) if self._stages else ""
            said["squeeze"] = words.squeeze_sentence(self._stage)
            said["added"] = told.added_sentences(self._stage)
            said["receipt"] = told.receipt_sentence(self._stage)
            short = {"squeeze": told.squeeze_short(self._stage), "added": told.added_short(self._stage)}
            short["receipt"] = told.receipt_short(self._stage)
            said["pair"], wrong = told.pair_sentences(self._stage, pair, state if rests else "")
        for name, text in said.items():
            soft = name in ("unit", "trim", "would") or (name == "pair" and not wrong)
            faint = self._stale and self._stage is not None and (name != "fair" or rests)
            self.labels[name].say(text, "faint" if faint else "soft" if soft else "ink", short.get(name, ""))

    # Picture

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        blue = self.theme.measured_deep if self._stale else self.theme.measured
        for pane in self._panes():
            if not region.intersects(pane.rect):
                continue
            now = pane in (self.levels, self.picture) or not self._stale
            painter.setOpacity(1.0 if now else STALE_OPACITY)
            pane.draw(painter, self.theme, self.measured if pane is self.levels else blue)
        painter.setOpacity(1.0)

    def value_text(self) -> str:
        names = ("figure", "unit", "fair", "steps", "squeeze", "added", "receipt", "pair")
        figure, unit, *sentences = (self.labels[name].text for name in names)
        levels = "" if self._stage is not None or self._invites else self.levels.text
        return " ".join(text for text in (f"{figure} {unit}:" if figure else "", *sentences, levels) if text)

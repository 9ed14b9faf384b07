"""The page: one card per meter, where the page layout puts it. A card that fails leaves the others alone."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial

from PySide6.QtCore import QEvent, QObject, QRect, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QWidget

from meter.gui.engine_link import MeterEntry, Setting
from meter.gui.kit.choice import Choice
from meter.gui.kit.face_guard import GUARD
from meter.gui.kit.theme import GAP_PX, text_scale
from meter.gui.page.layout import EXTRA_COLUMNS, Place, Plan, edges, height_of, making_room, rectangle, shared_out
from meter.gui.page.plain_face import missing_face, plain_face
from meter.gui.page.try_again import TryAgainButton, forget_views
from meter.instances import feed_title
from meter.plugin.face import Face
from meter.readings import Frame, Layout

LEAST_WIDTH_PX = 760
LEAST_HEIGHT_PX = 420
"""What the smallest window has left, though a broken source takes two lines more."""
EXTRA_HEIGHT_PX = 150
LEAST_ROW_PX = 190
"""Height of a row of meters on several feeds; a page with more rows scrolls."""
LOOK_AGAIN = 15
"""A card that was in sight is looked for again after so many frames."""


Offers = Callable[[MeterEntry], tuple[Choice, ...]]
"""What a card's menu offers besides the choices of its face."""


class Card(QObject):
    """One face of a meter on the page, guarded and timed."""

    parts_seen = Signal(bool)
    """Another source or map: whether it names parts."""
    source_seen = Signal(object)
    """Another source or map: its first ``Frame``."""
    try_again_asked = Signal()
    """Its meter was set aside, and the user wants it to be tried again."""

    def __init__(
        self, entry: MeterEntry, face: Face, *, missing: bool, now: Callable[[], float], view: str = ""
    ) -> None:
        super().__init__(face)
        self.entry = entry
        self.view = view
        self._now = now
        self._seconds = 0.0
        self._seen = False
        self._looks = 0
        self._layout: Layout | None = None
        self._quarantined = False
        self.take_face(face, missing=missing)

    def take_face(self, face: Face, *, missing: bool) -> None:
        """Show this face from now on; ``missing`` for one that only says what is wrong."""
        self.face = face
        self._missing = missing
        self._layout = None
        self._again = TryAgainButton(face) if self.entry.foreign is not None and not self.entry.trouble else None
        if self._again is not None:
            self._again.clicked.connect(self.try_again_asked)
        self.setParent(face)
        face.installEventFilter(self)
        self._offer_again()

    @property
    def view_failed(self) -> bool:
        """Whether the face raised or could not be loaded; its meter may measure on."""
        return self._missing or bool(getattr(self.face, "broken", ""))

    @property
    def name(self) -> str:
        """The meter's name and that of its view, for notes."""
        return f"{self.entry.name}, {self.view}" if self.view else self.entry.name

    @property
    def settled_words(self) -> str:
        """What its face has settled on, in words; empty while it is not live or has a fault."""
        try:
            told = self.face.live and not self.face.fault and not self.face.isHidden()
            return self.face.settled_words() if told else ""
        except Exception as error:  # a stranger's face
            self.face.show_fault(f"Its view failed: {error}")
            return ""

    @property
    def needs_room(self) -> bool:
        """Whether its place should not be small now; so is a card that says a fault."""
        try:
            return bool(self.face.fault) or self.face.needs_room
        except Exception as error:  # a stranger's face
            self.face.show_fault(f"Its view failed: {error}")
            return True

    @property
    def asks_for_room(self) -> bool:
        """Whether the face itself has something to show; a fault alone is no reason for a card that may be absent."""
        try:
            return self.face.needs_room
        except Exception as error:  # a stranger's face
            self.face.show_fault(f"Its view failed: {error}")
            return True

    def can_be_seen(self) -> bool:
        """False while the face is hidden or scrolled out of sight."""
        self._looks += 1
        if not self._seen or self._looks >= LOOK_AGAIN:
            self._looks, self._seen = 0, not self.face.visibleRegion().isEmpty()
        return self._seen and self.face.isVisible()

    def show_frame(self, frame: Frame) -> None:
        """Hand the snapshot to the face; a face that raises is set aside and says so."""
        if self._missing:
            return
        quarantined = self.entry.meter_id in frame.status.quarantined
        if frame.layout is not self._layout or quarantined != self._quarantined:
            self._layout, self._quarantined = frame.layout, quarantined
            self._tell_unmeasured(frame)
            self.parts_seen.emit(bool(frame.parts))
            self.source_seen.emit(frame)
        begin = self._now()
        try:
            self.face.show_frame(frame if self.entry.ours else frame.apart())
        except Exception as error:  # a stranger's face that overrides show_frame
            self.face.show_fault(f"Its view failed: {error}")
        self._seconds += self._now() - begin
        self._offer_again()

    def drawing_seconds(self) -> float:
        """Seconds spent on this face since the last call."""
        seconds, self._seconds = self._seconds, 0.0
        return seconds

    def show_settings(self, settings: Mapping[str, Setting]) -> None:
        """Hand the meter's settings to the face."""
        try:
            self.face.show_settings(settings)
        except Exception as error:
            self.face.show_fault(f"Its view failed: {error}")

    def _offer_again(self) -> None:
        if self._again is not None:
            self._again.offer(self._quarantined or self.view_failed)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Time the painting of the face by handing the event on from here."""
        if event.type() == QEvent.Type.Resize and self._again is not None and watched is self.face:
            self.face.event(event)  # the button goes where the new layout leaves room
            self._offer_again()
            return True
        if event.type() != QEvent.Type.Paint or watched is not self.face:
            return False
        begin = self._now()
        self.face.event(event)
        self._seconds += self._now() - begin
        return True

    def _tell_unmeasured(self, frame: Frame) -> None:
        prefix = f"{self.entry.meter_id}."
        measured = any(slot.key.startswith(prefix) for slot in frame.layout.slots)
        # The face itself shows why it is quarantined.
        told = measured or self._quarantined or not frame.layout.slots or self.face.invites
        self.face.show_fault("" if told else "It is not measured on this source.")


class Page(QWidget):
    """All cards, laid out by a plan. Where it says so, meters without a place follow in rows of their own below,
    but not those ``elsewhere``: on another page."""

    setting_chosen = Signal(str, dict)
    action_asked = Signal(str)
    try_again_asked = Signal(str)

    def __init__(
        self,
        plan: Plan,
        entries: Sequence[MeterEntry],
        now: Callable[[], float] = time.perf_counter,
        parent: QWidget | None = None,
        elsewhere: Collection[str] = (),
        offers: Offers = lambda _entry: (),
    ) -> None:
        super().__init__(parent)
        self._plan = plan
        self._now = now
        self._offers = offers
        known = {entry.meter_id: entry for entry in entries}
        placed = {place.meter for place in plan.place} | {*plan.elsewhere, *elsewhere}
        self._by_place = {
            words: self._make_card(known.get(place.meter) or _unknown(place.meter, plan), place.view)
            for words, place in {place.words: place for place in (*plan.place, *plan.without_parts)}.items()
        }
        self._parts = True
        self.cards = list(self._by_place.values())
        extra = [entry for entry in entries if plan.rest and entry.on_pages and entry.meter_id not in placed]
        self._extra = [self._make_card(entry) for entry in extra]
        self.cards += self._extra
        self._each: dict[str, list[Card]] = {place.words: [] for place in plan.place if place.each}
        """Cards of the further instances in a place with ``each``; those beyond the instances there are hidden."""
        for words, card in self._by_place.items():
            card.face.room_changed.connect(self._arrange)
            card.parts_seen.connect(self._follow_parts)
            if words in self._each:
                card.source_seen.connect(partial(self._follow_instances, words, card, card.entry))
        self._extra_rows = -(-len(extra) // EXTRA_COLUMNS)
        rows = len(plan.row_shares) if plan.tallest else 0
        self._least = max(LEAST_HEIGHT_PX, rows * (LEAST_ROW_PX + GAP_PX) - GAP_PX)
        self.setMinimumWidth(LEAST_WIDTH_PX)
        self._follow_parts(parts=False)

    @property
    def name(self) -> str:
        """What the page is called."""
        return self._plan.name

    def card(self, meter_id: str) -> Card | None:
        """The first card of a meter, or None."""
        return next((card for card in self.cards if card.entry.meter_id == meter_id), None)

    def read_out(self) -> str:
        """Every reading in words, one meter a line, of the cards that are shown."""
        lines = []
        for card in self.cards:
            if card.face.isHidden():
                continue
            said = f"set aside: {card.face.fault}" if card.face.fault else card.face.value_text()
            lines.append(f"{card.name}: {said or 'nothing yet'}")
        return "\n".join(lines)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Put every card in its place."""
        self._arrange()

    def follow_text_scale(self) -> None:
        """Cards of a small height grow with the text."""
        self._arrange()

    def _follow_parts(self, parts: bool) -> None:
        """Show the cards that are for a source with named parts, or for one without."""
        if parts != self._parts:
            self._parts = parts
            self._arrange()

    def _standing(self) -> list[Place]:
        """The places that hold now; the cards of the others are hidden."""
        held = self._plan.places(parts=self._parts)
        standing = [place for place in held if not place.when_needed or self._by_place[place.words].asks_for_room]
        shown = {place.words for place in standing}
        for name, card in self._by_place.items():
            if card.face.isHidden() == (name in shown):
                card.face.setVisible(name in shown)
        return standing

    def _follow_instances(self, words: str, first: Card, entry: MeterEntry, frame: Frame) -> None:
        """One card for each instance of the meter that the source has, titled with its feed."""
        further = self._each[words]
        of_meter = [each for each in frame.layout.instances if each.meter == entry.meter_id]
        there = [each for each in of_meter if each.feed in frame.feeds]
        for each in there[1 + len(further) :]:
            further.append(self._make_card(replace(entry, meter_id=each.id), first.view))
        for card, each in zip((first, *further), there, strict=False):
            _entitle(card, feed_title(each.feed), f"{entry.name}: {feed_title(each.feed)}")
        if not there:
            _entitle(first, entry.titles.get(first.view, entry.name), entry.name)
        for number, card in enumerate(further, 1):
            card.face.setVisible(number < len(there) and not first.face.isHidden())
        shown = further[: max(0, len(there) - 1)]
        self.cards = [card for card in self.cards if card not in further] + shown
        self._arrange()
        for card in shown:
            card.show_frame(frame)  # no other may come for a while

    def _arrange(self) -> None:
        below = self._extra_rows * (EXTRA_HEIGHT_PX + GAP_PX)
        width, height = self.width(), height_of(self._plan, self.width(), self.height() - below, GAP_PX)
        least = 0
        standing = self._standing()
        placed = [(making_room(place, standing), self._by_place[place.words]) for place in standing]
        small = [place for place, card in placed if place.small and not card.needs_room]
        for place, card in placed:
            box = rectangle(place, self._plan, width, height, GAP_PX, small, text_scale())
            group = [card, *(other for other in self._each.get(place.words, ()) if other in self.cards)]
            parts = shared_out(box, len(group), GAP_PX, text_scale())
            for each, part in zip(group, parts, strict=True):
                each.face.setGeometry(QRect(*part))
            rows = len({part[1] for part in parts}) if place.each else 0
            least = max(least, round(rows * (LEAST_ROW_PX * text_scale() + GAP_PX) * height / max(1, box[3])))
        self.setMinimumHeight(max(least, self._least) + below)
        extra = self._extra
        for number, card in enumerate(extra):
            row, column = divmod(number, EXTRA_COLUMNS)
            beside = min(EXTRA_COLUMNS, len(extra) - row * EXTRA_COLUMNS)
            left, wide = edges([1.0] * beside, width, GAP_PX)[column]
            top = height + GAP_PX + row * (EXTRA_HEIGHT_PX + GAP_PX)
            card.face.setGeometry(QRect(left, top, wide, EXTRA_HEIGHT_PX))

    def _make_card(self, entry: MeterEntry, view: str = "") -> Card:
        face = self._ready_face(entry, view)
        card = Card(entry, face, missing=bool(face.fault), now=self._now, view=view)
        card.try_again_asked.connect(partial(self._try_again, card))
        return card

    def _try_again(self, card: Card) -> None:
        """Make a view that failed again from its file; otherwise it is the meter that is to be tried again."""
        if not card.view_failed:
            self.try_again_asked.emit(card.entry.meter_id)
            return
        old = card.face
        if card.entry.foreign is not None:
            forget_views(card.entry.foreign.folder)
        face = self._ready_face(card.entry, card.view)
        face.setGeometry(old.geometry())
        face.setVisible(not old.isHidden())
        old.removeEventFilter(card)
        card.take_face(face, missing=bool(face.fault))
        card.show_settings(old.settings)
        if card in self._by_place.values():
            face.room_changed.connect(self._arrange)
        old.hide()
        old.deleteLater()

    def _ready_face(self, entry: MeterEntry, view: str) -> Face:
        """A face with all that ties it to the page."""
        face = _make_face(entry, view)
        face.setParent(self)
        face.window_choices = partial(self._offers, entry)
        face.offered = entry.offered
        # Whatever id a face gives, its settings are those of its own meter.
        face.setting_chosen.connect(lambda _id, chosen: self.setting_chosen.emit(entry.meter_id, chosen))
        face.action_asked.connect(self.action_asked)
        return face


def _make_face(entry: MeterEntry, view: str) -> Face:
    if entry.trouble:
        return missing_face(entry.meter_id, entry.name, entry.trouble)
    if view and view not in entry.views:
        return missing_face(entry.meter_id, entry.name, f"{entry.name} has no view “{view}”.")
    load = entry.views[view] if view else entry.load_face
    if load is None:
        return plain_face(entry.meter_id, entry.name, entry.summary)
    try:
        face = GUARD.load(entry.foreign, load) if entry.foreign is not None else load()()
        if isinstance(face, Face):
            face.stand_for(entry.meter_id, entry.titles.get(view, entry.name))
    except Exception as error:
        return missing_face(entry.meter_id, entry.name, f"Its view cannot be loaded: {error}")
    if not isinstance(face, Face):
        return missing_face(entry.meter_id, entry.name, "Its view is not made from meter.plugin.face.Face.")
    return face


def _entitle(card: Card, title: str, name: str) -> None:
    """Another title for the face of a card, and its name in notes and as text."""
    if title != card.face.title:
        card.entry = replace(card.entry, name=name)
        card.face.stand_for(card.entry.meter_id, title)
        card.face.rearrange()


def _unknown(meter_id: str, plan: Plan) -> MeterEntry:
    sentence = f"There is no meter “{meter_id}”; the page layout “{plan.name}” asks for it."
    return MeterEntry(meter_id, meter_id.replace("_", " "), trouble=sentence)

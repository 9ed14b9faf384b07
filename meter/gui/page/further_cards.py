"""Cards of one meter on several feeds: added, moved and removed from the menu of a card and from “more”.

Further instances stand on a page of their own, "by feed", beside the first of their meter. The settings keep them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from PySide6.QtWidgets import QMenu

from meter.feeds import MIX, PAIR
from meter.gui.engine_link import EngineLink, MeterEntry, Setting
from meter.gui.kit.choice import Choice, clear_menu
from meter.gui.page.layout import feeds_plan
from meter.gui.page.meter_settings import MeterSettings
from meter.gui.page.pages import FEEDS, Pages
from meter.gui.source.feed_line import FeedLine
from meter.instances import MOST_FURTHER, PAIR_PREFIX, Instance, feed_title, next_id, usable_instances
from meter.readings import Frame
from meter.settings import Settings

ON_FEEDS = "on other feeds"
ANOTHER, MOVE, REMOVE = "another {} on", "move it to", "remove this card"
NAME_FEEDS = "name the feeds…"
FULL = f"There are {MOST_FURTHER} further cards already; remove one first."


class FurtherCards:
    """See the module's description; ``connect`` ties it to the rest of the window. [gui]"""

    def __init__(
        self,
        settings: Settings,
        meters: Sequence[MeterEntry],
        pages: Pages,
        chosen: MeterSettings,
        link: EngineLink,
    ) -> None:
        self._settings = settings
        self._firsts = {entry.meter_id: entry for entry in meters}
        self._pages = pages
        self._chosen = chosen
        self._link = link
        self._feeds: tuple[str, ...] = (MIX,)
        self._given = set(self._firsts)
        self.names = {entry.meter_id: entry.name for entry in meters}
        """Names of all cards by the id of their instance; the same mapping always."""
        self._line: FeedLine | None = None
        self._name_feeds: Callable[[], None] = lambda: None
        self._turned: Callable[[], None] = lambda: None
        pages.offers = self.choices_of
        self.instances = usable_instances(settings.instances, {name: self._single(name) for name in self._firsts})
        self._show()
        if settings.page == FEEDS:
            pages.turn_to_file(FEEDS)

    def connect(
        self, line: FeedLine, menu: QMenu, name_feeds: Callable[[], None], turned: Callable[[], None]
    ) -> None:
        """``line`` tells what is wrong, ``menu`` offers the same as the cards, ``name_feeds`` opens what names feeds.

        ``turned`` is called when another page is shown or the list of pages changed.
        """
        self._line, self._name_feeds, self._turned = line, name_feeds, turned
        menu.aboutToShow.connect(partial(self.fill, menu))

    def observe(self, frame: Frame) -> None:
        """Offer the feeds that the source has now."""
        if frame.layout.slots:
            self._feeds = tuple(feed for feed in frame.feeds if not feed.startswith(PAIR_PREFIX)) or (MIX,)

    def choose_each(self, meter_ids: Sequence[str], chosen: Mapping[str, Setting]) -> None:
        """Choose the same for these meters and all their further instances."""
        further = [each.id for each in self.instances if each.meter in meter_ids]
        self._chosen.choose_each([*meter_ids, *further], chosen)

    def add(self, like: str, feed: str) -> None:
        """One more card like that of an instance, with its settings, on this feed; it is shown at once."""
        if len(self.instances) >= MOST_FURTHER:
            if self._line is not None:
                self._line.say(FULL)
            return
        made = self._made(like, feed)
        self._use((*self.instances, made), made)
        self._pages.turn_to_file(FEEDS)
        self._changed(made)

    def move(self, instance_id: str, feed: str) -> None:
        """Let a card measure another feed, as another instance: what it measured so far is forgotten."""
        moved = self._made(instance_id, feed)
        self._use(tuple(moved if each.id == instance_id else each for each in self.instances), moved)
        self._settings.meters.pop(instance_id, None)
        self._changed(moved)

    def remove(self, instance_id: str) -> None:
        """Take a card away, with its settings."""
        self._use(tuple(each for each in self.instances if each.id != instance_id))
        self._settings.meters.pop(instance_id, None)
        self._changed()

    def choices_of(self, entry: MeterEntry) -> tuple[Choice, ...]:
        """What the menu of a card offers."""
        if self._single(self._meter_of(entry.meter_id)):
            return ()
        add = self._feed_choices(ANOTHER.format(self._first(entry).name), partial(self.add, entry.meter_id))
        here = next((each for each in self.instances if each.id == entry.meter_id), None)
        return (*add, *self._choices_for(here)) if here is not None else add

    def _choices_for(self, further: Instance) -> tuple[Choice, ...]:
        gone = Choice(ON_FEEDS, REMOVE, run=partial(self.remove, further.id))
        return (*self._feed_choices(MOVE, partial(self.move, further.id), further.feed), gone)

    def fill(self, menu: QMenu) -> None:
        """The same for every meter, for the keyboard and for cards too small for a menu."""
        clear_menu(menu)
        for entry in self._firsts.values():
            if not entry.on_pages or entry.feed == PAIR:
                continue
            if reason := self._single(entry.meter_id):
                menu.addAction(f"{entry.name}: only once, {reason}".replace("&", "&&")).setEnabled(False)
                continue
            self._add_to(menu.addMenu(ANOTHER.format(entry.name)), self.choices_of(entry))
        menu.addSection("further cards" if self.instances else "no further cards yet")
        for each in self.instances:
            self._add_to(menu.addMenu(self._entry(each).name.replace("&", "&&")), self._choices_for(each))

    def _add_to(self, menu: QMenu, choices: Sequence[Choice]) -> None:
        for choice in choices:
            action = menu.addAction(choice.words)
            action.setCheckable(choice.chosen)
            action.setChecked(choice.chosen)
            if choice.run is not None:
                action.triggered.connect(lambda _=False, run=choice.run: run())

    def _feed_choices(self, under: str, run: Callable[[str], None], here: str = "") -> tuple[Choice, ...]:
        """A choice for each feed of the source, and the way to more."""
        words = {feed: feed_title(feed).replace("&", "&&") for feed in self._feeds}
        feeds = [Choice(ON_FEEDS, words[feed], "", "", partial(run, feed), under, feed == here) for feed in words]
        return (*feeds, Choice(ON_FEEDS, NAME_FEEDS, run=self._name_feeds, under=under))

    def _made(self, like: str, feed: str) -> Instance:
        """A new instance with the settings of another, under a number that no mark has figures of."""
        meter = self._meter_of(like)
        made = Instance(next_id(meter, self._given | {each.id for each in self._settings.instances}), meter, feed)
        self._given.add(made.id)
        self._settings.meters[made.id] = dict(self._settings.meters.get(like, {}))
        return made

    def _use(self, instances: tuple[Instance, ...], new: Instance | None = None) -> None:
        """Put these in force; those kept for meters that are not there now stay kept."""
        before = {each.id for each in self.instances}
        others = [each for each in self._settings.instances if each.id not in before]
        self._settings.instances = [*others, *instances]
        self.instances = instances
        self._link.use_instances(instances)
        self._show()
        if new is not None:
            self._link.configure(new.id, self._chosen.of(new.id))

    def _changed(self, new: Instance | None = None) -> None:
        if new is not None and new.feed in self._feeds and self._line is not None:
            self._line.flash(f"{self._entry(new).name} counts from now")
        self._turned()

    def _show(self) -> None:
        """Build the page of feeds, each further card beside the first of its meter."""
        groups: dict[str, list[MeterEntry]] = {}
        for each in self.instances:
            first = self._firsts[each.meter]
            groups.setdefault(each.meter, [self._titled(first, first.feed)]).append(self._entry(each))
        self.names |= {entry.meter_id: entry.name for group in groups.values() for entry in group[1:]}
        entries = [entry for group in groups.values() for entry in group]
        plan = feeds_plan([[entry.meter_id for entry in group] for group in groups.values()])
        self._pages.show_feeds(plan if entries else None, entries)
        for card in self._pages.cards():
            if card.entry.meter_id in {entry.meter_id for entry in entries}:
                card.show_settings(self._chosen.of(card.entry.meter_id))

    def _entry(self, instance: Instance) -> MeterEntry:
        """A further instance as an entry of its own."""
        first = self._firsts[instance.meter]
        return replace(self._titled(first, instance.feed), meter_id=instance.id, views={})

    @staticmethod
    def _titled(first: MeterEntry, feed: str) -> MeterEntry:
        named = f"{first.name}: {feed_title(feed)}"
        return replace(first, name=named, titles={"": f"{first.titles.get('', first.name)}: {feed_title(feed)}"})

    def _first(self, entry: MeterEntry) -> MeterEntry:
        return self._firsts[self._meter_of(entry.meter_id)]

    def _meter_of(self, instance_id: str) -> str:
        return next((each.meter for each in self.instances if each.id == instance_id), instance_id)

    def _single(self, meter_id: str) -> str:
        """Why a meter stands only once; empty where it can stand on several feeds."""
        entry = self._firsts.get(meter_id)
        return (entry.trouble or entry.single) if entry is not None else "it is not there"

"""The settings of the meters: checked, kept, put to work, and shown to every face of a meter."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from meter.gui.engine_link import MeterEntry, Setting
from meter.gui.page.pages import Pages
from meter.settings import Settings

Say = Callable[[str], None]


class MeterSettings:
    """``configure`` puts settings to work, ``say`` tells a refusal, ``changed`` asks for the file to be saved.

    ``in_force`` are settings of one meter that count now though they are not kept as its own, such as what follows
    from a calibration.
    """

    def __init__(
        self,
        settings: Settings,
        pages: Pages,
        configure: Callable[[str, Mapping[str, Setting]], None],
        say: Say,
        changed: Callable[[], None],
    ) -> None:
        self._settings = settings
        self._pages = pages
        self._configure = configure
        self._say = say
        self._changed = changed
        self._in_force: dict[str, Mapping[str, Setting]] = {}

    def show_all(self) -> None:
        """Hand every face its meter's settings."""
        for card in self._pages.cards():
            card.show_settings(self._of(card.entry))

    def of(self, meter_id: str) -> dict[str, Setting]:
        """The settings of a meter as they count now; empty for one without a card, and for no meter ("")."""
        cards = self._pages.cards(meter_id) if meter_id else []
        return self._of(cards[0].entry) if cards else {}

    def number(self, meter_ids: Sequence[str], key: str) -> float:
        """The setting ``key`` of the first of these meters; 0 where there is none or it is no number."""
        value = self.of(meter_ids[0]).get(key, 0.0) if meter_ids else 0.0
        return float(value) if isinstance(value, float) else 0.0

    def choose(self, meter_id: str, chosen: Mapping[str, Setting]) -> None:
        """Check, keep and hand on what was chosen; nothing for no meter ("")."""
        cards = self._pages.cards(meter_id) if meter_id else []
        if not cards:
            return
        entries = {entry.key: entry for entry in cards[0].entry.settings}
        try:
            checked = {key: entries[key].check(value) for key, value in chosen.items()}
        except KeyError as error:
            self._say(f"{cards[0].entry.name} has no setting {error}.")
            return
        except ValueError as error:
            self._say(str(error))
            return
        self._settings.meters.setdefault(meter_id, {}).update(checked)
        self._configure(meter_id, checked)
        self._pages.show_settings(meter_id, self.of(meter_id))
        self._changed()

    def choose_each(self, meter_ids: Iterable[str], chosen: Mapping[str, Setting]) -> None:
        """Choose the same for several meters."""
        for meter_id in meter_ids:
            self.choose(meter_id, chosen)

    def put_in_force(self, meter_id: str, chosen: Mapping[str, Setting]) -> None:
        """Put settings to work that are not the user's own choice and not kept as such; nothing for no meter ("")."""
        if not meter_id:
            return
        self._in_force[meter_id] = {**self._in_force.get(meter_id, {}), **chosen}
        self._configure(meter_id, chosen)
        self._pages.show_settings(meter_id, self.of(meter_id))

    def _of(self, entry: MeterEntry) -> dict[str, Setting]:
        """Defaults overlaid with what is kept and what is in force; a value that is not allowed is left out."""
        kept = {**self._settings.meters.get(entry.meter_id, {}), **self._in_force.get(entry.meter_id, {})}
        found: dict[str, Setting] = {}
        for item in entry.settings:
            try:
                found[item.key] = item.check(kept.get(item.key, item.default))
            except ValueError:
                found[item.key] = item.default
        return found

"""Keeps which meters by others were set aside, for ``earwitness plugins`` and the next start; tells the day record.

A meter that ended or hung an engine is left out at the next start until it is tried again or enabled again. One that
only failed is loaded again then, and its reason is listed until that.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path

from meter.commands.meters import enabled_path
from meter.engine.messages import RecordEvent
from meter.engine.process import EngineOrder
from meter.logbook.day_record import METER
from meter.plugin.enabled import Enabled, EnabledError, Identity, SetAside, read_enabled, write_enabled
from meter.plugin.host import discover, usable
from meter.plugin.set_aside import says_set_aside
from meter.readings import Frame

TRYING_SECONDS = 5.0
"""A meter that is tried again and is still reported after so long has failed again."""


def begin_run(enabled: Enabled, folders: Sequence[Path] = ()) -> tuple[Enabled, dict[str, str]]:
    """Forget the meters that only failed; returns what is enabled, and those left out by id with the sentence.

    One that has another version by now is not left out.
    """
    kept = tuple(entry for entry in enabled.set_aside if entry.ended_engine)
    if kept != enabled.set_aside:
        _keep(enabled.with_set_aside(kept))
    here = {plugin.identity for plugin in discover(folders, enabled=enabled)} if kept else set()
    return enabled.with_set_aside(kept), {entry.meter: entry.why for entry in kept if entry.identity in here}


def now_set_aside(faults: Mapping[str, str]) -> dict[str, str]:
    """Those of the faults of a frame that say a meter is set aside; the others want a feed that is not there."""
    return {name: why for name, why in faults.items() if says_set_aside(why)}


class SetAsideMeters:
    """``follow`` takes the newest frame as often as wanted and acts when a meter was set aside since.

    ``tell`` takes events for the day record, ``say`` the instance and the sentence of each meter by others.
    """

    def __init__(
        self, order: EngineOrder, tell: Callable[[RecordEvent], None], wall: Callable[[], float] = time.time
    ) -> None:
        self._order = order
        self._tell = tell
        self._wall = wall
        self._found: dict[str, Identity] | None = None
        self._told: dict[str, str] = dict(order.set_aside)
        self._meters: dict[str, str] = {}
        self._tried: dict[str, float] = {}
        """Until when the engine may go on to report a meter that is tried again."""
        self.say: Callable[[str, str], None] = lambda _meter, _sentence: None

    def follow(self, frame: Frame, ended: Collection[str]) -> None:
        """Take the meters that are set aside now; ``ended`` are those that ended or hung an engine."""
        aside = now_set_aside(frame.status.quarantined)
        self._tried = {name: end for name, end in self._tried.items() if name in aside and self._wall() < end}
        new = {name: why for name, why in aside.items() if name not in self._tried and self._told.get(name) != why}
        if not new:
            return
        self._told |= new
        self._meters = {each.id: each.meter for each in frame.layout.instances}
        for name, why in new.items():
            meter = self._meter_of(name)
            if meter not in ended:  # of those the supervisor has told
                self._tell(RecordEvent(METER, why, self._wall()))
            if (identity := self._identity_of(meter)) is not None:
                _change(SetAside(identity, meter, why, meter in ended), meter)
                self.say(name, why)

    def try_again(self, name: str) -> None:
        """The user wants this one to be tried again: forget why it was set aside."""
        self._told.pop(name, None)
        self._tried[name] = self._wall() + TRYING_SECONDS
        self._tell(RecordEvent(METER, f"Meter “{name}” is tried again.", self._wall()))
        if self._identity_of(self._meter_of(name)) is not None:
            _change(None, self._meter_of(name))

    def _meter_of(self, name: str) -> str:
        return self._meters.get(name, name)

    def _identity_of(self, meter: str) -> Identity | None:
        """What identifies a meter by others among those of this run, None for one of ours."""
        if self._found is None:
            folders = [Path(folder) for folder in self._order.folders]
            plugins = usable(discover(folders, enabled=self._order.enabled))
            self._found = {plugin.id: plugin.identity for plugin in plugins if plugin.identity is not None}
        return self._found.get(meter)


def _change(entry: SetAside | None, meter: str) -> None:
    """Have this entry in the file in the place of any other of the meter; none for None."""
    enabled, _sentence = read_enabled(enabled_path())
    others = tuple(known for known in enabled.set_aside if known.meter != meter)
    _keep(enabled.with_set_aside((*others, entry) if entry is not None else others))


def _keep(enabled: Enabled) -> None:
    try:
        write_enabled(enabled, enabled_path())
    except EnabledError:
        return  # only the list is lost: the window shows the reason

"""The meters of one engine: one of each plugin, one for each pair, and those the user asked for. [dsp]"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial

from meter.engine.guard import GuardedMeter, Timing
from meter.engine.messages import MetersLoaded
from meter.feeds import PAIR
from meter.instances import Instance, pair_instances, usable_instances
from meter.plugin.host import Plugin


class MeterSet:
    """``meters`` is one list for the life of the engine, the first instances in front.

    ``on_meter`` is called with the place of a meter in it before anything is asked of that meter. ``set_aside`` has
    meters or instances that are not to run, with one sentence each. ``send`` takes the message that names them all.
    """

    def __init__(
        self,
        plugins: Sequence[Plugin],
        timing: Timing | None,
        on_meter: Callable[[int], None],
        set_aside: Mapping[str, str],
        send: Callable[[MetersLoaded], None],
    ) -> None:
        self._plugins = {plugin.id: plugin for plugin in plugins}
        self._timing = timing
        self._on_meter = on_meter
        self._set_aside = set_aside
        self._send = send
        self._firsts = [self._made(plugin) for plugin in plugins]
        self._of_pairs: dict[str, GuardedMeter] = {}
        self._further: dict[Instance, GuardedMeter] = {}
        self.meters: list[GuardedMeter] = []
        self._announce()

    def find(self, meter_id: str) -> GuardedMeter:
        """The instance with this id. Raises ValueError with one sentence."""
        found = next((meter for meter in self.meters if meter.id == meter_id), None)
        if found is None:
            raise ValueError(f"There is no meter “{meter_id}” to set.")
        return found

    def use(self, instances: Sequence[Instance]) -> bool:
        """Have these further instances, and no others; False when they are there already.

        An instance that stays is the same object as before; on another feed it is another one.
        """
        why = {name: plugin.manifest.why_single for name, plugin in self._plugins.items() if plugin.manifest}
        there = self._further
        wanted = usable_instances(instances, why)
        if wanted == tuple(there):
            return False
        self._further = {each: there.get(each) or self._made(self._plugins[each.meter], each) for each in wanted}
        self._announce()
        return True

    def follow(self, feeds: Iterable[str]) -> bool:
        """Have a meter of pairs stand once for each pair among these feeds; False when nothing changes.

        An instance that goes on to another pair has to be prepared again.
        """
        wanted = {each.id: each for meter in self._firsts for each in _instances_for(meter, feeds)}
        there = {
            meter.id: meter for meter in (*self._firsts, *self._of_pairs.values()) if meter.manifest.feed == PAIR
        }
        if wanted == {name: meter.instance for name, meter in there.items()}:
            return False
        for name, each in wanted.items():
            there[name] = there.get(name) or self._made(self._plugins[each.meter], each)
            there[name].instance = each
        self._of_pairs = {name: there[name] for name, each in wanted.items() if not each.first}
        self._announce()
        return True

    def _made(self, plugin: Plugin, instance: Instance | None = None) -> GuardedMeter:
        meter = GuardedMeter(plugin, self._timing, instance)
        if why := self._set_aside.get(meter.id) or self._set_aside.get(plugin.id):
            meter.exclude(why)
        return meter

    def _announce(self) -> None:
        """Name the meters before any of them is at work under its new place."""
        self._on_meter(-1)
        self.meters[:] = [*self._firsts, *self._of_pairs.values(), *self._further.values()]
        further = {meter.id: meter.instance.meter for meter in self.meters if not meter.instance.first}
        self._send(MetersLoaded({meter.id: meter.ours for meter in self.meters}, further))
        for index, meter in enumerate(self.meters):
            meter.enter = partial(self._on_meter, index)


def _instances_for(meter: GuardedMeter, feeds: Iterable[str]) -> tuple[Instance, ...]:
    return pair_instances(meter.id, feeds) if meter.manifest.feed == PAIR else ()

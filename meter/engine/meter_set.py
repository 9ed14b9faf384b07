"""The meters of one engine: one of each plugin, and the further instances that the user asked for. [dsp]"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from meter.engine.guard import GuardedMeter, Timing
from meter.engine.messages import MetersLoaded
from meter.instances import Instance, usable_instances
from meter.plugin.host import Plugin


class MeterSet:
    """``meters`` is one list for the life of the engine, the first instances in front.

    ``on_meter`` is called with the place of a meter in it before anything is asked of that meter. ``set_aside`` has
    instances that are not to run, with one sentence each. ``send`` takes the message that names them all.
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
        self.meters: list[GuardedMeter] = []
        self._announce(self._firsts)

    def use(self, instances: Sequence[Instance]) -> bool:
        """Have these further instances, and no others; False when they are there already.

        An instance that stays is the same object as before; on another feed it is another one.
        """
        why = {name: plugin.manifest.why_single for name, plugin in self._plugins.items() if plugin.manifest}
        there = {meter.instance: meter for meter in self.meters[len(self._firsts) :]}
        wanted = usable_instances(instances, why)
        if wanted == tuple(there):
            return False
        further = [there.get(each) or self._made(self._plugins[each.meter], each) for each in wanted]
        self._announce([*self._firsts, *further])
        return True

    def _made(self, plugin: Plugin, instance: Instance | None = None) -> GuardedMeter:
        meter = GuardedMeter(plugin, self._timing, instance)
        if meter.id in self._set_aside:
            meter.exclude(self._set_aside[meter.id])
        return meter

    def _announce(self, meters: Sequence[GuardedMeter]) -> None:
        """Name the meters before any of them is at work under its new place."""
        self._on_meter(-1)
        self.meters[:] = meters
        further = {meter.id: meter.instance.meter for meter in meters if not meter.instance.first}
        self._send(MetersLoaded({meter.id: meter.ours for meter in meters}, further))
        for index, meter in enumerate(meters):
            meter.enter = partial(self._on_meter, index)

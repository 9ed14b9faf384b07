"""The one place that wires the rooms together: settings, meters, engine and window."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.gui.link import MeterEntry
from meter.plugin.api import Setting
from meter.plugin.host import Plugin, discover, load_object
from meter.readings import Frame


class SupervisedEngine:
    """A supervisor as the window wants it: requests are plain mappings."""

    def __init__(self, order: EngineOrder) -> None:
        self._supervisor = Supervisor(order)

    def take(self) -> Frame | None:
        """The newest snapshot; the same object when nothing new came."""
        return self._supervisor.take()

    def open(self, request: Mapping[str, Any]) -> None:
        """Listen to ``{"kind", "name", "options"}``."""
        self._supervisor.open(as_request(request))

    def hold(self, held: bool) -> None:
        """Pause or continue measuring."""
        self._supervisor.hold(held)

    def reset(self) -> None:
        """Forget what was measured."""
        self._supervisor.reset()

    def configure(self, meter_id: str, settings: Mapping[str, Setting]) -> None:
        """Change settings of one meter."""
        self._supervisor.configure(meter_id, settings)

    def poll(self) -> None:
        """Look after the engine."""
        self._supervisor.poll()

    def close(self) -> None:
        """End the engine."""
        self._supervisor.close()


def as_request(request: Mapping[str, Any]) -> SourceRequest:
    """The request that a plain mapping stands for; missing parts get their defaults."""
    return SourceRequest(str(request["kind"]), str(request.get("name", "")), dict(request.get("options", {})))


def meter_entries(folders: list[Path]) -> tuple[MeterEntry, ...]:
    """Every discovered meter for the window; refused ones with the reason."""
    return tuple(_entry(plugin) for plugin in discover(folders))


def listing_command() -> list[str]:
    """The command line of the child that lists sources as JSON."""
    return [sys.executable, "-m", "meter.audio.listing"]


def _entry(plugin: Plugin) -> MeterEntry:
    manifest = plugin.manifest
    if manifest is None:
        return MeterEntry(plugin.id, plugin.id, trouble=plugin.refusal)
    face = manifest.face
    return MeterEntry(
        meter_id=manifest.id,
        name=manifest.name,
        summary=manifest.summary,
        load_face=(lambda: load_object(plugin, face)) if face else None,
        settings=tuple(manifest.setting),
        trouble=plugin.refusal,
    )

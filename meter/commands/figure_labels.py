"""What recorded figures are called."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from meter.instances import first_key
from meter.plugin.enabled import NOTHING_ENABLED, Enabled
from meter.plugin.host import discover, usable


def figure_labels(folders: Sequence[Path] = (), enabled: Enabled = NOTHING_ENABLED) -> dict[str, str]:
    """``Loudness: short-term, 3 s`` by the full key of a meter's first instance."""
    return {
        f"{plugin.id}.{entry.key}": f"{plugin.manifest.name}: {entry.label or entry.key.replace('_', ' ')}"
        for plugin in usable(discover(folders, enabled=enabled))
        if plugin.manifest is not None
        for entry in plugin.manifest.field
    }


def label_of(key: str, labels: Mapping[str, str]) -> str:
    """The label of a key, also of a further instance (``vu_2.now``); the key itself where nothing is known."""
    return labels.get(key) or labels.get(first_key(key)) or key

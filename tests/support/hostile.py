"""Meters by others that do harm, one way each, as text: what a guest may try inside the engine's process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from textwrap import dedent, indent

METHODS = (
    "configure",
    "prepare",
    "reset",
    "skip",
    "process",
    "read",
    "mark",
    "save_state",
    "restore_state",
    "stretch",
)

BODIES = {
    "configure": "pass",
    "prepare": "self.total = 0.0",
    "reset": "self.total = 0.0",
    "skip": "pass",
    "process": "self.total += float((block ** 2).sum())",
    "read": 'out["total"] = self.total',
    "mark": "pass",
    "save_state": 'return {"total": self.total}',
    "restore_state": 'self.total = kept["total"]',
    "stretch": "return None",
}
WORDS = {
    "configure": "settings", "prepare": "spec", "reset": "", "skip": "frames", "process": "block", "read": "out",
    "mark": "", "save_state": "", "restore_state": "kept", "stretch": "study",
}  # fmt: skip


@dataclass(frozen=True)
class Hostile:
    """Bodies of methods in the place of the good ones, what runs at import, and lines put in the manifest."""

    bodies: dict[str, str]
    start: str = ""
    manifest: str = ""
    more: str = ""


def write_hostile(folder: Path, meter_id: str, hostile: Hostile) -> Path:
    """A folder with this meter; every method is there."""
    folder.mkdir(parents=True, exist_ok=True)
    head = f'id = "{meter_id}"\nname = "Meter {meter_id}"\nversion = "0.1.0"\ncontract = "2.0"\n'
    field = '\n[[field]]\nkey = "total"\nunit = ""\nsummary = true\n'
    text = f'{head}processor = "process:Meter"\n{hostile.manifest}\n{field}{hostile.more}'
    (folder / "manifest.toml").write_text(text, encoding="utf-8")
    lines = [dedent(hostile.start), "class Meter:"]
    for name in METHODS:
        words = ", ".join(word for word in ("self", WORDS[name]) if word)
        body = indent(dedent(hostile.bodies.get(name, BODIES[name])).strip(), " " * 8)
        lines.append(f"    def {name}({words}):\n{body}\n")
    (folder / "process.py").write_text("\n".join(lines), encoding="utf-8")
    return folder

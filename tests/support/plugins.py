"""Real little meters in a folder, as a third party would write them."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent, indent

from meter.measure import has_file_readings
from meter.plugin.host import BUILTIN, Plugin, discover, usable
from meter.plugin.manifest import read_manifest

GOOD_PROCESS = """
self.total += float((block ** 2).sum())
"""


def file_meters() -> list[Plugin]:
    """Our meters with readings of a whole file."""
    return [plugin for plugin in usable(discover()) if has_file_readings(plugin)]


def write_meter(
    folder: Path,
    meter_id: str,
    process: str = GOOD_PROCESS,
    read: str = 'out["total"] = self.total',
    *,
    every_seconds: float = 0.0,
) -> Path:
    """A folder with a manifest and a processor whose ``process`` body is ``process``; returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "manifest.toml").write_text(
        dedent(f"""
        id = "{meter_id}"
        name = "Meter {meter_id}"
        version = "0.1.0"
        contract = "2.0"
        processor = "process:Meter"
        every_seconds = {every_seconds}

        [[field]]
        key = "total"
        unit = ""
        summary = true
        """),
        encoding="utf-8",
    )
    (folder / "process.py").write_text(
        dedent(
            """
            import time


            class Meter:
                def __init__(self):
                    self.total = 0.0

                def configure(self, settings):
                    pass

                def prepare(self, spec):
                    self.reset()

                def reset(self):
                    self.total = 0.0

                def skip(self, frames):
                    pass

                def process(self, block):
            """
        )
        + indent(dedent(process).strip(), " " * 8)
        + "\n\n    def read(self, out):\n"
        + indent(dedent(read).strip(), " " * 8)
        + "\n",
        encoding="utf-8",
    )
    return folder


def renamed_copy(folder: Path, ours: str, meter_id: str) -> Path:
    """One of our meters as a meter by others of another id, with the same fields, settings and services."""
    folder.mkdir(parents=True)
    text = (BUILTIN / ours / "manifest.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("face = ")]
    text = "\n".join(lines).replace(f'id = "{ours}"', f'id = "{meter_id}"', 1)
    (folder / "manifest.toml").write_text(text, encoding="utf-8")
    module, _, name = read_manifest(folder / "manifest.toml").processor.partition(":")
    text = text.replace(f'processor = "{module}:{name}"', f'processor = "process:{name}"', 1)
    (folder / "manifest.toml").write_text(text, encoding="utf-8")
    (folder / "process.py").write_text(f"from {module} import {name}\n", encoding="utf-8")
    return folder

"""Real little meters in a folder, as a third party would write them."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent, indent

from meter.measure import has_file_readings
from meter.plugin.host import Plugin, discover, usable

GOOD_PROCESS = """
self.total += float((block ** 2).sum())
"""


def file_meters() -> list[Plugin]:
    """Our meters with readings of a whole file."""
    return [plugin for plugin in usable(discover()) if has_file_readings(plugin)]


def write_meter(
    folder: Path, meter_id: str, process: str = GOOD_PROCESS, read: str = 'out["total"] = self.total'
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

"""What the faces cost: the default page at 1280 x 800, offscreen raster. Reports, does not judge.

    python -m tests.bench.faces [frames] [scale]

Figures are processor milliseconds of this process for taking a snapshot and painting what it moved.
"""

from __future__ import annotations

import os
import sys
import time

import numpy as np

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
if len(sys.argv) > 2:
    os.environ["QT_SCALE_FACTOR"] = sys.argv[2]

from importlib import resources
from pathlib import Path
from typing import Any

from PySide6.QtCore import QEvent, QObject
from PySide6.QtWidgets import QApplication, QWidget

from meter.gui.kit.theme import GAP_PX, apply_theme
from meter.gui.page.layout import read_plan, rectangle
from meter.plugin.face import Face
from tests.support.frames import entries, frame, layout, manifests, values_at

WIDTH, HEIGHT, FEED_LINE = 1280, 800, 56
RATE = 60


class PaintTimer(QObject):
    """Adds up the time that each face spends in its paint events."""

    def __init__(self) -> None:
        super().__init__()
        self.spent: dict[str, float] = {}

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() != QEvent.Type.Paint or not isinstance(watched, Face):
            return False
        begin = time.thread_time()
        watched.event(event)
        self.spent[watched.meter_id] = self.spent.get(watched.meter_id, 0.0) + time.thread_time() - begin
        return True


def main() -> None:
    application = QApplication.instance() or QApplication([])
    assert isinstance(application, QApplication)
    apply_theme(application, "dark")
    page, faces = make_page()
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    shared = layout()
    snapshots = [frame(at, given=moving(at), plan=shared) for at in 100.0 + np.arange(frames) / RATE]
    timer = PaintTimer()
    for face in faces.values():
        face.installEventFilter(timer)
    costs: dict[str, list[float]] = {name: [] for name in faces}
    whole = []
    for snapshot in snapshots:
        timer.spent = {}
        begin = time.thread_time()
        for name, face in faces.items():
            start = time.thread_time()
            face.show_frame(snapshot)
            costs[name].append(time.thread_time() - start)
        application.processEvents()
        whole.append(time.thread_time() - begin)
        for name in faces:
            costs[name][-1] += timer.spent.get(name, 0.0)
    report(costs, whole)
    page.close()


def moving(seconds: float) -> dict[str, Any]:
    """Readings of which every picture moves on every frame, the stones too."""
    values = values_at(seconds)
    sway = 0.5 * np.sin(6.0 * seconds + np.arange(4))
    values["mono_lows.band_loss"] = np.array(values["mono_lows.band_loss"]) - 0.5 + sway
    values["mono_lows.band_balance"] = np.array(values["mono_lows.band_balance"]) + sway
    return values


def make_page() -> tuple[QWidget, dict[str, Face]]:
    """The default page with its faces, shown."""
    plan = read_plan(Path(str(resources.files("presets") / "pages" / "page.toml")))
    page = QWidget()
    page.resize(WIDTH, HEIGHT)
    found = manifests()
    faces: dict[str, Face] = {}
    for entry in entries():
        place = next(place for place in plan.place if place.meter == entry.meter_id)
        assert entry.load_face is not None
        face: Face = entry.load_face()()
        face.stand_for(entry.meter_id, entry.titles[""])
        face.setParent(page)
        left, top, width, height = rectangle(place, plan, WIDTH - 28, HEIGHT - FEED_LINE - 14, GAP_PX)
        face.setGeometry(left + 14, top + FEED_LINE, width, height)
        face.show_settings(found[entry.meter_id].settings({}))
        faces[entry.meter_id] = face
    page.show()
    QApplication.processEvents()
    return page, faces


def report(costs: dict[str, list[float]], whole: list[float]) -> None:
    print(f"{'':12} {'median ms':>10} {'95 % ms':>10} {'share of a core':>16}")
    for name, seconds in [*costs.items(), ("page", whole)]:
        median, high = np.percentile(np.array(seconds) * 1000.0, (50, 95))
        share = sum(seconds) / len(seconds) * RATE
        print(f"{name:12} {median:10.2f} {high:10.2f} {share:16.1%}")


if __name__ == "__main__":
    main()

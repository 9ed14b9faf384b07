"""Faces with invented readings in the states and layouts that a page, a strip or a small card can meet."""

from __future__ import annotations

import importlib
import itertools
import math

import numpy as np
from PySide6.QtCore import QEvent, QObject, QRectF
from PySide6.QtGui import QColor, QImage, QRegion
from PySide6.QtWidgets import QPushButton

from meter.alignments import find_alignments
from meter.commands.window_meters import offered
from meter.gui.kit.theme import Theme, mixed
from meter.plugin.face import Face
from meter.readings import Frame, Layout
from tests.support.frames import frame as snapshot
from tests.support.frames import layout, manifests, status, values_at

SILENT = -math.inf
PAGE_SIZES = {
    "mono_lows": (357, 340), "vu": (345, 351), "peaks": (357, 213), "listening": (342, 428),
    "spectrum": (885, 351), "stereo": (357, 305), "loudness": (530, 351),
    "drift": (342, 130), "lane": (345, 351),
}  # fmt: skip
OTHER_SIZES = [
    (900, 600),
    (357, 112),
    (222, 112),
    (357, 259),
    (548, 428),
    (367, 330),
    (320, 180),
    (342, 144),
    (204, 193),
    (204, 300),
    (220, 900),
    (1200, 130),
]
ENTRIES = {key: item.face for key, item in manifests().items()}
LAYOUTS = {channels: layout(channels) for channels in (1, 2, 32)}


def widened(values: dict[str, object], plan: Layout) -> dict[str, object]:
    """Readings made as wide as the channels of the plan."""
    wide: dict[str, object] = {}
    for key, value in values.items():
        size = plan.by_key[key].size
        wide[key] = value if np.size(value) in (1, size) else np.resize(np.asarray(value, dtype=float), size)
    return wide


def filled(plan: Layout, value: float, *keep: str) -> dict[str, object]:
    """Every reading set to one value, but for frequencies, marks and what is counted."""
    usual = widened(values_at(100.0), plan)
    fixed = ("_hz", "_edge", "votes", "worst_band", "verdict", "movement", "alignment", "calibrated", *keep)
    return {slot.key: usual.get(slot.key, value) if slot.key.endswith(fixed) else value for slot in plan.slots}


def stale(plan: Layout) -> dict[str, object]:
    values = widened(values_at(100.0), plan)
    return values | {"mono_lows.age": 75.0, "stereo.age": 7200.0, "mono_lows.verdict": 3, "mono_lows.loss_now": -12.3,
                     "mono_lows.balance_now": -14.9, "listening.share": 84.0, "listening.time_left_low": 0.5,
                     "listening.time_left_high": 2.0}  # fmt: skip


STATES = {
    "not_yet": lambda plan: {},
    "usual": lambda plan: widened(values_at(100.0), plan),
    "uncalibrated": lambda plan: widened(values_at(100.0, calibrated=False), plan),
    "silence": lambda plan: filled(plan, SILENT),
    "stale": stale,
    "huge": lambda plan: filled(plan, 1e38),
    "tiny": lambda plan: filled(plan, -1e38),
    "endless": lambda plan: filled(plan, math.inf),
}


def make(meter_id: str, qtbot, size: tuple[int, int] | None = None) -> Face:
    module, _, name = ENTRIES[meter_id].partition(":")
    face: Face = getattr(importlib.import_module(module), name)()
    face.stand_for(meter_id, manifests()[meter_id].title_of())
    face.offered = offered(manifests()[meter_id], find_alignments()[0])
    qtbot.addWidget(face)
    face.show_settings(manifests_settings(meter_id))
    face.resize(*(size or PAGE_SIZES[meter_id]))
    face.show()
    return face


def manifests_settings(meter_id: str) -> dict[str, object]:
    return dict(manifests()[meter_id].settings({}))


def frame_of(readings: str, channels: int = 2, seconds: float = 100.0, **feed: object) -> Frame:
    plan = LAYOUTS[channels]
    return snapshot(given=STATES[readings](plan), plan=plan, feed=status(seconds, channels=channels, **feed))


def rows_of(image: QImage) -> np.ndarray:
    """``(height, width)`` of 0xffRRGGBB, a copy."""
    plain = image.convertToFormat(QImage.Format.Format_RGB32)
    rows = np.frombuffer(plain.constBits(), dtype=np.uint32).reshape(plain.height(), plain.bytesPerLine() // 4)
    return rows[:, : plain.width()].copy()


def pixels_like(image: QImage, colour: QColor, near: int = 12) -> int:
    """How many pixels are within ``near`` of a colour in every part."""
    found = rows_of(image).ravel()
    for shift, wanted in ((16, colour.red()), (8, colour.green()), (0, colour.blue())):
        # Bytes below the lowest one wanted wrap around to large ones.
        above = ((found >> shift) & 0xFF).astype(np.uint8) - np.uint8(max(wanted - near, 0))
        found = found[above <= min(wanted + near, 255) - max(wanted - near, 0)]
    return len(found)


def blues(theme: Theme) -> list[QColor]:
    return [theme.measured, mixed(theme.measured, theme.card, 0.15), mixed(theme.card, theme.measured, 0.55)]


def words_of(face: Face) -> str:
    said = [label.text for label in face.labels.values()]
    return " | ".join([face.title, face.subtitle, *said, face.value_text()])


def assert_text_fits(face: Face) -> None:
    """Every text inside its place and the card, none over another or over a button."""
    boxes: list[tuple[str, QRectF]] = []
    for name, label in {**face.labels, "title": face._title, "subtitle": face._subtitle}.items():
        if not label.shown:
            continue
        assert label.text_width <= label.rect.width() + 0.5, f"{name} is wider than its place: {label.shown}"
        assert len(label.shown) * label.line_height <= label.rect.height(), f"{name} is higher than its place"
        assert QRectF(face.rect()).contains(label.box), f"{name} leaves the card"
        boxes.append((name, label.box.adjusted(0.5, 0.5, -0.5, -0.5)))
    for button in face.findChildren(QPushButton):
        if button.isVisible():
            assert face.rect().contains(button.geometry()), f"{button.text()} leaves the card"
            boxes.append((button.text(), QRectF(button.geometry())))
    for (first, one), (second, other) in itertools.combinations(boxes, 2):
        assert not one.intersects(other), f"{first} lies over {second} at {face.width()} x {face.height()}"


class Paints(QObject):
    """Collects what a face repaints."""

    def __init__(self, face: Face) -> None:
        super().__init__()
        self.regions: list[QRegion] = []
        face.installEventFilter(self)

    def eventFilter(self, watched, event):
        if event.type() == QEvent.Type.Paint:
            self.regions.append(QRegion(event.region()))
        return False

    def missed(self, before: QImage, after: QImage) -> int:
        """How many pixels changed outside what was repainted, both pictures being grabbed whole."""
        ratio = after.devicePixelRatio()
        changed = rows_of(before) != rows_of(after)
        for region in self.regions:
            for rect in region:
                left, top = round(rect.left() * ratio), round(rect.top() * ratio)
                right, bottom = round((rect.right() + 1) * ratio), round((rect.bottom() + 1) * ratio)
                changed[top:bottom, left:right] = False
        return int(changed.sum())

    def area(self) -> int:
        return sum(rect.width() * rect.height() for region in self.regions for rect in region)

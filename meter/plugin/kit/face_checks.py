"""Checks of a face, drawn without a screen: at three sizes, with real readings and the extremes a field can hold."""

from __future__ import annotations

import itertools
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from meter.plugin.host import Plugin, load_object
from meter.plugin.kit.instance_checks import second_of, seen_as_second
from meter.plugin.kit.outcome import CheckFailed
from meter.plugin.kit.played import RATE_HZ, Played
from meter.plugin.kit.sound_checks import manifest_of
from meter.plugin.kit.sounds import music, steady
from meter.plugin.kit.study_checks import findings_now
from meter.readings import FeedStatus, Frame

LARGER = 1.6
"""The third size, in preferred ones."""
SECONDS, STUDIED_SECONDS = 4.0, 12.0
"""Length of each sound, and for a meter with studies, which look back further."""
EDGE_PX, CORNER_PX = 2, 12
LEAST_DRAWN = 60
"""Pixels below the title that differ from the card: fewer make neither a figure nor a picture."""
EXTREMES = (np.nan, -np.inf, np.inf, 1e38, -1e38)
COUNTED = (0.0, 1.0, 2.0, 3.0)
"""Readings that stand for a state or a verdict are numbers like these."""
COUNT = "count"
OFFSCREEN = "offscreen"


def check_face(plugin: Plugin, dotted: str) -> str:
    """Draw the face ``"module:Class"`` of a meter. Needs PySide6; no screen."""
    from PySide6.QtCore import QCoreApplication, QEvent
    from PySide6.QtWidgets import QApplication

    if QApplication.instance() is None:
        os.environ.setdefault("QT_QPA_PLATFORM", OFFSCREEN)
    application = QApplication.instance() or QApplication([])
    with _raised() as errors:
        face = _made(plugin, dotted)
        twins = [face] if manifest_of(plugin).why_single else [face, _made(plugin, dotted), _made(plugin, dotted)]
        try:
            for twin in twins:
                twin.set_aside = errors.append
            real = _real_readings(plugin)
            _check_drawn(plugin, face, real, errors)
            if len(twins) > 1:
                _check_second(plugin, twins[1], twins[2], real, errors)
        finally:
            for twin in twins:
                twin.close()
                twin.deleteLater()
            QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)
    del application
    least, preferred, larger = (f"{width} x {height}" for width, height in _sizes(face))
    return f"It draws at {least}, {preferred} and {larger}, and its picture follows the readings."


def _made(plugin: Plugin, dotted: str) -> Any:
    from PySide6.QtCore import Qt

    from meter.plugin.face import Face

    made = load_object(plugin, dotted)
    if not (isinstance(made, type) and issubclass(made, Face)):
        raise CheckFailed(f"{dotted} is not made from meter.plugin.face.Face.")
    manifest = manifest_of(plugin)
    face = made()
    view = next((name for name, code in manifest.views.items() if code == dotted), "")
    face.stand_for(manifest.id, manifest.title_of(view))
    face.setAttribute(Qt.WidgetAttribute.WA_DontShowOnScreen)
    face.show_settings(manifest.settings({}))
    for choice in face.choices():
        if choice.run is None:
            manifest.settings({choice.setting: choice.value})
    face.show()
    return face


def _check_second(plugin: Plugin, first: Any, second: Any, real: list[_Shown], errors: list[BaseException]) -> None:
    """The face of a second instance shows what that of the first would show."""
    manifest, meter = manifest_of(plugin), Played(plugin)
    second.stand_for(second_of(manifest).id, first.title)
    for face in (first, second):
        face.resize(face.sizeHint())
    quiet, heard = real[0], real[1]
    expected = _drawn(meter, first, heard, 1.0, errors)
    found = _picture(second, seen_as_second(manifest, meter, quiet.values, heard.values, heard.findings, 1.0), errors)
    if not np.array_equal(expected[first.inside.top() :], found[second.inside.top() :]):
        fix = 'ask for keys with self.key("…") and for channels with self.columns(frame)'
        raise CheckFailed(f"As a second instance, on another feed, it does not show its own readings; {fix}.")


def _check_drawn(plugin: Plugin, face: Any, real: list[_Shown], errors: list[BaseException]) -> None:
    meter = Played(plugin)
    usual = real[1].findings
    extreme = [_Shown(values, usual) for values in _extreme_values(meter, [shown.values for shown in real])]
    for place, size in enumerate(_sizes(face)):
        face.resize(*size)
        pictures = []
        for number, shown in enumerate([*real, *extreme]):
            pictures.append(_drawn(meter, face, shown, 1.0 + number, errors))
            _expect_text_fits(face, whole=place > 0 and number < len(real))
            _expect_clear_edge(face, pictures[-1])
        below = [picture[face.inside.top() :] for picture in pictures]
        if _drawn_pixels(below[1]) < LEAST_DRAWN:
            raise CheckFailed(f"Its picture is empty at {size[0]} x {size[1]}.")
        same = all(np.array_equal(below[0], other) for other in below[1:])
        if same and not _is_of_others(face, meter.manifest.id) and _moves(real):
            raise CheckFailed(f"Its picture does not change with the readings at {size[0]} x {size[1]}.")


@dataclass(frozen=True)
class _Shown:
    """Readings and findings of one moment."""

    values: FloatArray
    findings: Mapping[str, Any]


def _moves(real: list[_Shown]) -> bool:
    """Whether readings or findings differ between the sounds: with its usual settings a meter may measure nothing."""
    first = real[0]
    return any(
        not np.array_equal(shown.values, first.values, equal_nan=True) or shown.findings != first.findings
        for shown in real[1:]
    )


class _AskedFrame(Frame):
    """A frame that notes which readings are asked of it."""

    asked: frozenset[str] = frozenset()

    def vector(self, key: str) -> FloatArray:
        self.asked |= {key}
        return super().vector(key)

    def number(self, key: str) -> float:
        self.asked |= {key}
        return super().number(key)


def _is_of_others(face: Any, meter_id: str) -> bool:
    """Whether it asks for readings, but for none of its own meter: here it gets those of no other."""
    asked = face._frame.asked
    return bool(asked) and not any(key.startswith(f"{meter_id}.") for key in asked)


def _drawn(meter: Played, face: Any, shown: _Shown, seconds: float, errors: list[BaseException]) -> NDArray[np.uint8]:
    """The picture ``(height, width, 3)`` with these readings; raises what the face raised."""
    status = FeedStatus("kit", RATE_HZ, meter.channels, "running", frames=round(seconds * RATE_HZ))
    return _picture(face, _AskedFrame(meter.layout, shown.values, status, shown.findings), errors)


def _picture(face: Any, frame: Frame, errors: list[BaseException]) -> NDArray[np.uint8]:
    """The picture with this frame; raises what the face raised."""
    from PySide6.QtGui import QImage

    face.show_frame(frame)
    image = face.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    face.value_text()
    if errors:
        raise errors[0]
    if face.fault:
        raise CheckFailed(f"It shows a fault: {face.fault}")
    raw = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine() // 4, 4)
    return raw[:, : image.width(), :3].copy()


def _real_readings(plugin: Plugin) -> list[_Shown]:
    """Readings and findings before any sound, of music, of a soft tone, and of silence."""
    found = []
    seconds = STUDIED_SECONDS if manifest_of(plugin).study else SECONDS
    for number in range(4):
        meter = Played(plugin)
        sounds = (
            np.zeros((0, meter.channels)),
            music(11, seconds, RATE_HZ, meter.channels),
            steady(-46.0, seconds, RATE_HZ, meter.channels),
            np.zeros((round(seconds * RATE_HZ), meter.channels)),
        )
        meter.feed(sounds[number], (4800,))
        meter.read()
        found.append(_Shown(meter.values.copy(), findings_now(plugin, meter)))
    return found


def _extreme_values(meter: Played, real: list[FloatArray]) -> list[FloatArray]:
    """Every reading at once at what a field can hold.

    What no sound changes, such as frequencies, stays; what is counted, such as the number of a state, is small.
    """
    first = real[0]
    fixed = np.isfinite(first) & np.all([first == other for other in real[1:]], axis=0) & ~np.isin(first, COUNTED)
    counted = np.concatenate([np.full(slot.size, slot.unit == COUNT) for slot in meter.layout.slots])
    usual = np.where(fixed | counted, first, 0.0)
    return [
        *(np.where(fixed | counted, usual, value) for value in EXTREMES),
        *(np.where(fixed, first, value) for value in COUNTED),
    ]


def _expect_text_fits(face: Any, *, whole: bool) -> None:
    """Every text lies inside its place and the card, none over another; ``whole``: none is shortened."""
    boxes = []
    for name, label in {**face.labels, "title": face._title, "subtitle": face._subtitle}.items():
        if not label.shown:
            continue
        size = f"at {face.width()} x {face.height()}"
        if label.text_width > label.rect.width() + 0.5 or (whole and label.elided):
            raise CheckFailed(f"Its text “{label.text}” ({name}) is cut off {size}.")
        if not face.rect().toRectF().contains(label.box):
            raise CheckFailed(f"Its text “{label.text}” ({name}) leaves the card {size}.")
        boxes.append((label.text, label.box.adjusted(0.5, 0.5, -0.5, -0.5)))
    for (first, one), (second, other) in itertools.combinations(boxes, 2):
        if one.intersects(other):
            raise CheckFailed(f"Its text “{first}” lies over “{second}” at {face.width()} x {face.height()}.")


def _expect_clear_edge(face: Any, picture: NDArray[np.uint8]) -> None:
    """What is drawn at the very edge of the card is cut off there."""
    colour = face.theme.card
    card = np.array([colour.blue(), colour.green(), colour.red()])
    ratio = face.devicePixelRatioF()
    edge, corner = round(EDGE_PX * ratio), round(CORNER_PX * ratio)
    inner = slice(corner, -corner)
    lines = (picture[edge, inner], picture[-1 - edge, inner], picture[inner, edge], picture[inner, -1 - edge])
    if any((line != card).any() for line in lines):
        raise CheckFailed(f"Its picture reaches over the edge of the card at {face.width()} x {face.height()}.")


def _drawn_pixels(picture: NDArray[np.uint8]) -> int:
    """How many pixels are not of the most frequent colour."""
    packed = picture.astype(np.int64) @ np.array([1, 256, 65536])
    _, counts = np.unique(packed, return_counts=True)
    return int(packed.size - counts.max())


def _sizes(face: Any) -> list[tuple[int, int]]:
    least, preferred = face.minimumSizeHint(), face.sizeHint()
    larger = (round(preferred.width() * LARGER), round(preferred.height() * LARGER))
    return [(least.width(), least.height()), (preferred.width(), preferred.height()), larger]


@contextmanager
def _raised() -> Iterator[list[BaseException]]:
    """What code called by Qt raises, which Qt's bindings hand to the hook for uncaught errors."""
    errors: list[BaseException] = []
    before = sys.excepthook

    def note(_kind: type[BaseException], error: BaseException, _trace: TracebackType | None) -> None:
        errors.append(error)

    sys.excepthook = note
    try:
        yield errors
    finally:
        sys.excepthook = before


def has_qt() -> bool:
    """Whether the library that faces are drawn with is installed."""
    import importlib.util

    return importlib.util.find_spec("PySide6") is not None

"""The closer look at the spectrum: what the pointer says, and that the window goes with its face."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt

from meter.builtin.spectrum.face import SpectrumFace
from meter.builtin.spectrum.face_closer import (
    MARK_ROOM_PX,
    POINT_HERE,
    CloserLook,
    Curves,
    curves_of,
    marks_hz,
)
from meter.gui.kit.theme import apply_theme, current_theme
from tests.support.faces import frame_of, make

ISO_266_BANDS_HZ = np.array([250.0, 315.0, 400.0, 1250.0])


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


@pytest.fixture
def face(qtbot) -> SpectrumFace:
    made = make("spectrum", qtbot)
    made.resize(560, 270)
    made.show()
    made.show_frame(frame_of("usual"))
    return made


def curves() -> Curves:
    fine_hz = np.arange(20.0, 225.0)
    level = np.where(fine_hz == 55.0, -12.34, -60.0)
    third = np.array([-20.0, -np.inf, np.nan, -40.0])
    return Curves(fine_hz, level, level + 1.0, ISO_266_BANDS_HZ, third, third + 2.0)


@pytest.mark.parametrize(
    ("frequency_hz", "expected"),
    [
        (55.0, "55.0 Hz, A1 0 cents: now −12.3, hold −11.3 dBFS"),  # ISO 16: A4 = 440 Hz, so A1 = 55 Hz
        (56.0, "56.0 Hz, A1 +31 cents: now −60.0, hold −59.0 dBFS"),
        (250.0, "third octave at 250 Hz: now −20.0, hold −18.0 dBFS"),
        (330.0, "third octave at 315 Hz: now −∞, hold −∞ dBFS"),
        (400.0, "third octave at 400 Hz: now –, hold –"),
        (1200.0, "third octave at 1.25 kHz: now −40.0, hold −38.0 dBFS"),
        (9000.0, ""),
        (3.0, ""),
    ],
)
def test_the_pointer_names_what_lies_under_it(frequency_hz: float, expected: str) -> None:
    assert curves().words_at(frequency_hz) == expected


def test_an_empty_layout_has_nothing_to_name() -> None:
    none = np.empty(0)
    assert Curves(none, none, none, none, none, none).words_at(100.0) == ""


def test_the_lows_end_where_the_third_octaves_begin() -> None:
    found = curves_of(frame_of("usual"), "spectrum")
    assert found.fine_hz[-1] <= 240.0 < found.third_hz[0]
    assert len(found.fine) == len(found.fine_hz) == len(found.fine_hold)
    assert len(found.third) == len(found.third_hz) == len(found.third_hold)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "width_px", "some"),
    [
        (20.0, 22_400.0, 800.0, [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0]),  # octaves of ISO 266
        (20.0, 240.0, 800.0, [40.0, 50.0, 63.0, 80.0]),  # third octaves of ISO 266
        (50.0, 60.0, 800.0, [50.0, 51.0, 52.0]),
    ],
)
def test_marks_are_as_fine_as_there_is_room_for(
    low_hz: float, high_hz: float, width_px: float, some: list[float]
) -> None:
    found = marks_hz(low_hz, high_hz, width_px)
    assert set(some) <= set(found)
    gaps = np.diff(np.log2(found)) * width_px / math.log2(high_hz / low_hz)
    assert gaps.min() >= MARK_ROOM_PX


def test_the_menu_opens_it_and_it_goes_with_its_face(face: SpectrumFace, qtbot) -> None:
    entry = next(action for action in face.menu().actions() if "zoom and cursor" in action.text())
    entry.trigger()
    closer = face.findChild(CloserLook)
    assert closer is not None
    assert closer.isVisible()
    entry.trigger()
    assert len(face.findChildren(CloserLook)) == 1
    face.hide()
    assert not closer.isVisible()


def test_the_pointer_follows_the_mouse_and_the_readings(face: SpectrumFace, qtbot) -> None:
    face.look_closer()
    closer = face.findChild(CloserLook)
    assert closer is not None
    assert closer.reading.text() == POINT_HERE
    closer.point_at(100.0)
    first = closer.reading.text()
    assert first.startswith("100.0 Hz, G2")
    face.show_frame(frame_of("silence", seconds=200.0))
    assert closer.reading.text() != first
    closer.point_at(math.nan)
    assert closer.reading.text() == POINT_HERE


@pytest.mark.parametrize("state", ["silence", "not_yet", "usual", "stale"])
def test_it_draws_in_every_state_theme_and_zoom(state: str, face: SpectrumFace, qtbot, qapp) -> None:
    face.look_closer()
    closer = face.findChild(CloserLook)
    assert closer is not None
    for theme in ("dark", "light"):
        apply_theme(qapp, theme)
        qapp.processEvents()  # a top-level window hears of it by a posted event
        for show in (closer.show_lows, closer.show_all):
            show()
            closer.show_frame(frame_of(state, seconds=300.0))
            picture = closer.grab().toImage()
            assert picture.pixelColor(QPoint(picture.width() // 2, 14)) == current_theme().card
    qtbot.keyClick(closer, Qt.Key.Key_Escape)
    assert not closer.isVisible()

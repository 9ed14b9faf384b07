"""The closer look at the spectrum: what the pointer says, and that the window goes with its face."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import QApplication

from meter.builtin.spectrum.face import SpectrumFace
from meter.builtin.spectrum.face_closer import (
    MARK_ROOM_PX,
    POINT_HERE,
    CloserLook,
    Curves,
    marks_hz,
)
from meter.gui.kit.theme import apply_theme, current_theme
from meter.readings import Frame
from tests.support.faces import LAYOUTS, frame_of, make
from tests.support.frames import frame as snapshot
from tests.support.frames import status, values_at

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
    fine_hz = np.arange(20.0, 241.0)
    level = np.where(fine_hz == 55.0, -12.34, -60.0)
    third = np.array([-20.0, -np.inf, np.nan, -40.0])
    return Curves(fine_hz, level, level + 1.0, ISO_266_BANDS_HZ, third, third + 2.0)


@pytest.mark.parametrize(
    ("frequency_hz", "by_hertz", "expected"),
    [
        (55.0, True, "55.0 Hz, A1 0 cents: now −12.3, hold −11.3 dBFS"),  # ISO 16: A4 = 440 Hz, so A1 = 55 Hz
        (56.0, True, "56.0 Hz, A1 +31 cents: now −60.0, hold −59.0 dBFS"),
        (250.0, True, ""),
        (55.0, False, ""),
        (250.0, False, "third octave at 250 Hz: now −20.0, hold −18.0 dBFS"),
        (330.0, False, "third octave at 315 Hz: now −∞, hold −∞ dBFS"),
        (400.0, False, "third octave at 400 Hz: now –, hold –"),
        (1200.0, False, "third octave at 1.25 kHz: now −40.0, hold −38.0 dBFS"),
        (9000.0, False, ""),
        (3.0, False, ""),
    ],
)
def test_the_pointer_names_what_lies_under_it(frequency_hz: float, by_hertz: bool, expected: str) -> None:
    assert curves().words_at(frequency_hz, by_hertz=by_hertz) == expected


def test_an_empty_layout_has_nothing_to_name() -> None:
    none = np.empty(0)
    assert Curves(none, none, none, none, none, none).words_at(100.0, by_hertz=False) == ""


def drawn(closer: CloserLook) -> list[tuple[np.ndarray, np.ndarray]]:
    """Every curve of the plot that has points inside the view, as frequencies and levels."""
    found = []
    for item in closer._plot.getPlotItem().listDataItems():
        hertz, level = item.getOriginalDataset()
        if hertz is not None and len(hertz) > 1:
            found.append((np.asarray(hertz), np.asarray(level)))
    return found


def pink() -> Frame:
    """Pink noise: equal power in every third octave, 3 dB less per octave in bands of one width."""
    plan = LAYOUTS[2]
    fine_hz = np.arange(20.0, 241.0)
    fine = -30.0 - 10.0 * np.log10(fine_hz * 0.2316 / 2.5)
    third = {"spectrum.third_octave": np.full(31, -30.0), "spectrum.third_octave_hold": np.full(31, -28.0)}
    fines = {"spectrum.fine_hz": fine_hz, "spectrum.fine": fine, "spectrum.fine_hold": fine + 2.0}
    return snapshot(given=values_at(100.0) | third | fines, plan=plan, feed=status(100.0))


@pytest.mark.parametrize("view", [(20.0, 22_400.0), (100.0, 1000.0), (30.0, 260.0), (20.0, 240.0), (50.0, 200.0)])
def test_one_resolution_holds_for_the_whole_axis(view: tuple[float, float], face: SpectrumFace) -> None:
    """Equal power in every third octave (IEC 61260-1) is a straight line, without a shelf at 224 Hz."""
    face.look_closer()
    closer = face.findChild(CloserLook)
    assert closer is not None
    closer._look_at(*view)
    closer._shown_at = math.nan
    closer.show_frame(pink())
    for hertz, level in drawn(closer):
        inside = (hertz >= view[0]) & (hertz <= view[1])
        assert np.abs(np.diff(level[inside])).max() < 0.5
        assert hertz.min() <= max(view[0], 22.4)
    law = closer._plot.getAxis("left").labelText
    assert law == ("dBFS, every hertz" if view[1] <= 240.0 else "dBFS, third octaves")


def test_the_wheel_zooms_the_frequencies_and_leaves_the_levels(face: SpectrumFace, qtbot) -> None:
    face.look_closer()
    closer = face.findChild(CloserLook)
    assert closer is not None
    plot = closer._plot
    (low, high), levels = plot.getViewBox().viewRange()
    middle = plot.viewport().rect().center()
    at = QPointF(middle)
    for _ in range(8):
        wheel = QWheelEvent(
            at, QPointF(plot.viewport().mapToGlobal(middle)), QPoint(), QPoint(0, 120), Qt.MouseButton.NoButton,
            Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
        )  # fmt: skip
        QApplication.sendEvent(plot.viewport(), wheel)
    (low_after, high_after), levels_after = plot.getViewBox().viewRange()
    assert high_after - low_after < 0.7 * (high - low)
    assert levels_after == levels


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
    assert closer.reading.text().startswith("third octave at 100 Hz")
    closer.show_lows()
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

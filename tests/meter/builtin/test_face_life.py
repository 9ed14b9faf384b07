"""The life of a face: settings, faults, theme, assistive programs, scale, memory."""

from __future__ import annotations

import gc
import importlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import psutil
import pytest
from PySide6.QtCore import QEvent
from PySide6.QtGui import QAccessible
from PySide6.QtWidgets import QPushButton

from meter.gui.kit.theme import DARK, LIGHT, apply_theme
from meter.readings import Frame, Layout
from tests.support.faces import (
    ENTRIES,
    LAYOUTS,
    frame_of,
    make,
    pixels_like,
)
from tests.support.frames import ORDER, manifests, status, values_at
from tests.support.frames import frame as snapshot

DRAWN = Path(__file__).with_name("test_faces.py")


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


def test_menu_offers_what_the_manifest_allows(qtbot):
    found = manifests()
    for meter_id in ORDER:
        face = make(meter_id, qtbot)
        for choice in face.choices():
            if choice.run is None:
                found[meter_id].settings({choice.setting: choice.value})


def test_choosing_from_the_menu_is_told(qtbot):
    face = make("vu", qtbot)
    actions = {action.text(): action for action in face.menu().actions()}
    assert actions["−18 dBFS, EBU R 68"].isChecked()
    with qtbot.waitSignal(face.setting_chosen) as chosen:
        actions["−20 dBFS, SMPTE RP 155"].trigger()
    assert chosen.args == ["vu", {"alignment_dbfs": -20.0}]
    with qtbot.waitSignal(face.setting_chosen) as chosen:
        actions["PPM type II"].trigger()
    assert chosen.args == ["vu", {"movement": "ppm_2"}]


def test_another_alignment_can_be_typed(qtbot):
    face = make("vu", qtbot)
    face.show_frame(frame_of("usual"))
    next(action for action in face.menu().actions() if action.text() == "another level…").trigger()
    with qtbot.waitSignal(face.setting_chosen) as chosen:
        face._asker.setDoubleValue(-15.5)
        face._asker.accept()
    assert chosen.args == ["vu", {"alignment_dbfs": -15.5}]


@pytest.mark.parametrize("meter_id", ORDER)
def test_a_fault_is_said_and_stays(meter_id, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(frame_of("usual"))
    face.show_fault("It raised a ValueError: no such band.")
    face.show_frame(frame_of("usual", seconds=200.0))
    assert face.fault == "It raised a ValueError: no such band."
    assert " ".join(face._fault_note.reason.shown) == face.fault
    assert pixels_like(face.grab().toImage(), DARK.broken) >= 100
    assert not any(button.isVisible() for button in face.findChildren(QPushButton))
    face.show_fault("")
    face.show_frame(frame_of("usual", seconds=201.0))
    assert pixels_like(face.grab().toImage(), DARK.broken) == 0


def test_quarantine_reaches_the_face_by_the_feed(qtbot):
    face = make("peaks", qtbot)
    face.show_frame(frame_of("usual", quarantined={"peaks": "Three ticks took too long."}))
    assert face.fault == "Three ticks took too long."
    face.show_frame(frame_of("usual"))
    assert face.fault == ""


def test_a_failing_view_is_set_aside(qtbot, monkeypatch):
    face = make("peaks", qtbot)
    monkeypatch.setattr(face, "take", lambda frame: 1 / 0)
    face.show_frame(frame_of("usual"))
    assert "division by zero" in face.fault
    assert not face.grab().isNull()


@pytest.mark.parametrize("meter_id", ORDER)
def test_a_frame_without_its_readings_is_not_yet(meter_id, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(Frame(Layout(()), np.empty(0), status(1.0)))
    assert face.fault == ""
    assert not face.grab().isNull()


@pytest.mark.parametrize("meter_id", ORDER)
def test_theme_changes_at_once(meter_id, qapp, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(frame_of("usual"))
    for theme in (LIGHT, DARK):
        apply_theme(qapp, theme.name)
        qapp.processEvents()
        assert pixels_like(face.grab().toImage(), theme.card, near=0) > 1000


@pytest.mark.parametrize("meter_id", ORDER)
def test_assistive_programs_find_a_name(meter_id, qtbot):
    face = make(meter_id, qtbot)
    found = QAccessible.queryAccessibleInterface(face)
    assert found.text(QAccessible.Text.Name) == manifests()[meter_id].name == face.title


def test_readings_are_told_to_assistive_programs_once_a_second(qtbot, monkeypatch):
    monkeypatch.setattr("meter.plugin.face.QAccessible.isActive", lambda: True)
    face = make("peaks", qtbot)
    told = []
    monkeypatch.setattr(face, "setAccessibleDescription", told.append)
    for number in range(180):
        face.show_frame(frame_of("usual", seconds=100.0 + number / 60))
    assert len(told) == 3
    assert "max true peak since R L −2.9, R −3.4 dBTP" in told[0]


@pytest.mark.parametrize("factor", ["1.5"])
def test_the_same_at_another_scale(factor):
    """Layout and colours again in a process of its own, since Qt reads the scale once."""
    selected = "text_fits or measured_is_blue or only_what_moved or same_readings or no_trace"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", selected, str(DRAWN)],
        env=os.environ | {"QT_SCALE_FACTOR": factor}, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:]


def test_pixmap_follows_the_scale(qtbot):
    face = make("vu", qtbot)
    ratio = face.devicePixelRatioF()
    assert face.grab().width() == round(face.width() * ratio)
    assert face._still_picture().devicePixelRatio() == ratio


def test_memory_stays_flat_over_500_open_and_close(qapp):
    """Limit of 10 MB as for a window; a face that kept one 500 x 400 pixmap each would take 400 MB."""
    process = psutil.Process()
    frame = frame_of("usual")

    def cycle(count: int) -> None:
        for number in range(count):
            module, _, name = ENTRIES[ORDER[number % len(ORDER)]].partition(":")
            face = getattr(importlib.import_module(module), name)()
            face.resize(400, 300)
            face.show()
            face.show_frame(frame)
            qapp.processEvents()
            face.menu()
            face.close()
            face.deleteLater()
            qapp.sendPostedEvents(None, QEvent.Type.DeferredDelete)
        gc.collect()

    cycle(100)
    before = process.memory_info().rss
    cycle(500)
    assert process.memory_info().rss - before < 10e6


def test_memory_stays_flat_over_many_frames(qapp, qtbot):
    faces = [make(meter_id, qtbot) for meter_id in ("spectrum", "stereo", "vu", "mono_lows")]
    frames = [snapshot(given=values_at(n / 60), plan=LAYOUTS[2], feed=status(n / 60)) for n in range(40)]

    def run(count: int) -> None:
        for number in range(count):
            for face in faces:
                face.show_frame(frames[number % len(frames)])
            qapp.processEvents()

    run(100)
    before = psutil.Process().memory_info().rss
    run(1500)
    assert psutil.Process().memory_info().rss - before < 5e6

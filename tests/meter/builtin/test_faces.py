"""The faces drawn: nothing clipped, nothing alarming, nothing painted twice."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from PySide6.QtCore import QRect
from PySide6.QtGui import QImage

from meter.gui.kit.theme import DARK, LIGHT, apply_theme
from tests.support.faces import (
    LAYOUTS,
    OTHER_SIZES,
    PAGE_SIZES,
    STATES,
    Paints,
    assert_text_fits,
    blues,
    frame_of,
    make,
    pixels_like,
)
from tests.support.frames import ORDER, status, values_at
from tests.support.frames import frame as snapshot


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


@pytest.mark.parametrize("meter_id", ORDER)
@pytest.mark.parametrize("channels", [1, 2, 32])
def test_text_fits_in_every_state_and_size(meter_id, channels, qtbot):
    face = make(meter_id, qtbot)
    least = (face.minimumSizeHint().width(), face.minimumSizeHint().height())
    hint = (face.sizeHint().width(), face.sizeHint().height())
    for number, (state, size) in enumerate(
        itertools.product(STATES, [PAGE_SIZES[meter_id], least, hint, *OTHER_SIZES])
    ):
        face.resize(*size)
        face.show_frame(frame_of(state, channels, seconds=100.0 + number))
        assert face.fault == "", state
        assert_text_fits(face)


@pytest.mark.parametrize("meter_id", ORDER)
def test_text_fits_at_any_size(meter_id, qtbot):
    rng = np.random.default_rng(5)
    face = make(meter_id, qtbot)
    least = face.minimumSizeHint()
    for state in ("usual", "stale", "uncalibrated"):
        face.show_frame(frame_of(state))
        for _ in range(80):
            face.resize(int(rng.integers(least.width(), 760)), int(rng.integers(least.height(), 560)))
            assert_text_fits(face)


@pytest.mark.parametrize("meter_id", ORDER)
def test_nothing_touches_the_edge_of_the_card(meter_id, qtbot):
    """What is drawn without a label, such as the marks of a scale, would be cut off there."""
    rng = np.random.default_rng(6)
    face = make(meter_id, qtbot)
    ratio = face.devicePixelRatioF()
    for number in range(40):
        face.resize(int(rng.integers(face.least.width(), 760)), int(rng.integers(face.least.height(), 560)))
        face.show_frame(frame_of("usual", channels=(2, 32)[number % 2], seconds=100.0 + number))
        picture = face.grab().toImage()
        edge, corner = round(2 * ratio), round(12 * ratio)
        right, bottom = picture.width() - 1 - edge, picture.height() - 1 - edge
        across, down = range(corner, picture.width() - corner), range(corner, picture.height() - corner)
        ring = [(x, y) for x in across for y in (edge, bottom)] + [(x, y) for y in down for x in (edge, right)]
        assert {picture.pixelColor(x, y).name() for x, y in ring} == {DARK.card.name()}, face.size()


@pytest.mark.parametrize("meter_id", ORDER)
@pytest.mark.parametrize("state", STATES)
def test_every_state_paints(meter_id, state, qtbot):
    face = make(meter_id, qtbot)
    for channels in (2, 32, 1, 2):
        face.show_frame(frame_of(state, channels))
        assert not face.grab().isNull()
        assert face.fault == ""
        assert face.value_text()


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("meter_id", ORDER)
def test_what_is_measured_is_blue_and_nothing_is_vermilion(meter_id, theme, qapp, qtbot):
    apply_theme(qapp, theme.name)
    face = make(meter_id, qtbot)
    qapp.processEvents()
    face.show_frame(frame_of("usual"))
    picture = face.grab().toImage()
    assert sum(pixels_like(picture, blue) for blue in blues(theme)) > 100
    assert pixels_like(picture, theme.card) > 1000
    for state in ("usual", "huge", "silence", "stale"):
        face.show_frame(frame_of(state, seconds=200.0))
        assert pixels_like(face.grab().toImage(), theme.broken) == 0


HOLDING = ("vu", "peaks", "spectrum")
"""Faces that show a held value or a maximum."""


@pytest.mark.parametrize("meter_id", ORDER)
def test_what_is_held_is_amber_and_nothing_else_is(meter_id, qtbot):
    face = make(meter_id, qtbot)
    for number, state in enumerate(("usual", "stale")):
        face.show_frame(frame_of(state, seconds=100.0 + 10 * number))
        found = pixels_like(face.grab().toImage(), DARK.held, near=40)
        assert found > 20 if meter_id in HOLDING else found == 0


@pytest.mark.parametrize("meter_id", ORDER)
def test_a_feed_that_stands_still_is_dim(meter_id, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(frame_of("usual"))
    live = pixels_like(face.grab().toImage(), DARK.measured)
    face.show_frame(frame_of("usual", state="lost"))
    dim = pixels_like(face.grab().toImage(), DARK.measured)
    assert dim < live or live == 0


@pytest.mark.parametrize("meter_id", ORDER)
def test_the_same_readings_paint_nothing(meter_id, qapp, qtbot):
    face = make(meter_id, qtbot)
    first = frame_of("usual")
    face.show_frame(first)
    qapp.processEvents()
    paints = Paints(face)
    for _ in range(5):
        face.show_frame(first)
        qapp.processEvents()
    assert paints.regions == []


@pytest.mark.parametrize(
    ("meter_id", "change", "most"),
    [
        ("vu", {"vu.now": [-3.0, -12.0]}, 0.35),
        ("peaks", {"peaks.true": [-3.0, -12.0]}, 0.15),
        ("spectrum", {"spectrum.third_octave": np.full(31, -31.0)}, 0.45),
        ("stereo", {"stereo.correlation_now": -0.5}, 0.08),
        ("loudness", {"loudness.short_term": -10.0, "loudness.momentary": -8.0}, 0.35),
    ],
)
def test_only_what_moved_is_painted(meter_id, change, most, qapp, qtbot):
    face = make(meter_id, qtbot)
    values = values_at(100.0)
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(100.0)))
    qapp.processEvents()
    paints = Paints(face)
    face.show_frame(snapshot(given=values | change, plan=LAYOUTS[2], feed=status(100.5)))
    qapp.processEvents()
    assert len(paints.regions) == 1
    assert 0 < paints.area() < most * face.width() * face.height()


def test_figures_change_at_most_four_times_a_second_of_audio(qtbot):
    face = make("loudness", qtbot)
    told = []
    for number in range(121):
        values = values_at(100.0) | {"loudness.short_term": -20.0 + number}
        face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(100.0 + number / 60)))
        told.append(face.labels["short_term"].text)
    changes = sum(one != other for one, other in itertools.pairwise(told))
    assert 6 <= changes <= 8
    # However often the same moment comes round, nothing changes.
    for number in range(200):
        values = values_at(100.0) | {"loudness.short_term": float(number)}
        face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(102.0)))
    assert face.labels["short_term"].text == told[-1]


def test_a_new_engine_starts_the_clock_again(qtbot):
    face = make("loudness", qtbot)
    face.show_frame(frame_of("usual", seconds=5000.0))
    values = values_at(100.0) | {"loudness.short_term": -31.0}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(0.1)))
    assert face.labels["short_term"].text == "−31.0"


def jittered(rng: np.random.Generator, seconds: float) -> dict[str, object]:
    """Readings that jump, so that every picture has old places to clear."""
    peaks = rng.uniform(-60.0, 4.0, 2)
    return values_at(seconds) | {
        "vu.now": rng.uniform(-30.0, 4.0, 2), "peaks.true": peaks, "peaks.true_hold": peaks + rng.uniform(0.0, 9.0),
        "mono_lows.band_loss": rng.uniform(-20.0, 0.0, 4), "mono_lows.band_balance": rng.uniform(-20.0, 20.0, 4),
        "mono_lows.loss_now": rng.uniform(-20.0, 0.0), "mono_lows.age": rng.choice([0.0, 60.0]),
        "stereo.correlation_now": rng.uniform(-1.0, 1.0), "stereo.age": rng.choice([0.0, 60.0]),
        "loudness.short_term": rng.uniform(-120.0, 0.0), "listening.share": rng.uniform(0.0, 120.0),
        "listening.time_left_low": rng.uniform(0.0, 10.0), "listening.time_left_high": rng.uniform(10.0, 40.0),
    }  # fmt: skip


@pytest.mark.parametrize("meter_id", ORDER)
def test_painting_in_parts_leaves_no_trace(meter_id, qapp, qtbot):
    """What the screen holds after many small repaints is what one whole repaint would give."""
    rng = np.random.default_rng(7)
    face = make(meter_id, qtbot)
    for number in range(60):
        seconds = 100.0 + number / 10
        face.show_frame(snapshot(given=jittered(rng, seconds), plan=LAYOUTS[2], feed=status(seconds)))
        qapp.processEvents()
    shown, whole = face.screen().grabWindow(face.winId()).toImage(), face.grab().toImage()
    shared = QRect(0, 0, min(shown.width(), whole.width()), min(shown.height(), whole.height()))
    pair = [picture.copy(shared).convertToFormat(QImage.Format.Format_RGB32) for picture in (shown, whole)]
    first, second = (np.frombuffer(picture.constBits(), dtype=np.uint8).astype(int) for picture in pair)
    assert np.abs(first - second).max() <= 8

"""The faces in words: one sentence, rounded to its span, never a verdict on the music."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
from PySide6.QtCore import QRect, QRectF, Qt
from PySide6.QtWidgets import QPushButton

from meter.builtin.drift.findings import DriftFindings
from meter.builtin.vu.face_dials import DIALS
from meter.gui.kit import scale
from meter.gui.kit.theme import DARK, LIGHT, apply_theme
from meter.marks import Mark
from meter.readings import Frame, Layout
from tests.support.faces import (
    LAYOUTS,
    SILENT,
    STATES,
    Paints,
    assert_text_fits,
    frame_of,
    make,
    manifests_settings,
    pixels_like,
    widened,
    words_of,
)
from tests.support.frames import ORDER, layout, manifests, status, values_at
from tests.support.frames import frame as snapshot


@pytest.fixture(autouse=True)
def _dark(qapp):
    apply_theme(qapp, "dark")


def test_mono_lows_in_words(qtbot):
    face = make("mono_lows", qtbot)

    def told(seconds: float, **changed: object) -> tuple[str, str]:
        values = values_at(100.0) | {f"mono_lows.{key}": value for key, value in changed.items()}
        for after in (0.0, 4.0):  # longer than any judgement waits
            face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(10.0 * seconds + after)))
        return face.labels["figure"].text, face.labels["verdict"].text

    assert told(1.0) == ("−1.8", "60–90 Hz largely cancels in mono")
    assert told(2.0, band_loss=[-0.1, -0.2, -1.9, 0.0])[1] == "60–90 Hz partly cancels in mono"
    assert told(3.0, verdict=1, loss_now=-0.1, balance_now=0.1, band_loss=[0, 0, 0, 0])[1] == "solid below 120 Hz"
    told(4.5, verdict=2, loss_now=-0.2, balance_now=-1.2, band_loss=[-0.1, -0.4, -1.2, -0.3])
    assert not any(stone.spoken_of for stone in face._stones)  # a lean is of the whole: no band of it is marked
    assert told(5.0, band_balance=[0, 0, 24.0, 0])[1] == "60–90 Hz loses level in mono"
    assert told(6.0, verdict=3, loss_now=SILENT) == ("−∞", "the low end cancels completely in mono")
    assert told(7.0, age=12.0, verdict=1, band_loss=[0, 0, 0, 0]) == ("−1.8", "solid below 120 Hz, 12 s ago")
    assert face.labels["figure"].role == "faint"
    assert told(8.0, loss_now=math.nan, verdict=0) == ("–", "listening…")
    face.show_frame(frame_of("not_yet", channels=1))
    assert face.labels["verdict"].text == "needs two channels"


def test_stones_are_as_wide_as_what_survives(qtbot):
    face = make("mono_lows", qtbot)
    values = values_at(100.0) | {
        "mono_lows.band_loss": [0.0, -6.0206, SILENT, math.nan], "mono_lows.band_level": [-20.0] * 4,
        "mono_lows.band_balance": [0.0, 6.0, 0.0, 0.0], "mono_lows.band_votes": [1, 1, 1, 0],
    }  # fmt: skip
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    whole, half, gone, weak = face._stones
    assert whole.body.width() == pytest.approx(whole.outline.width(), abs=0.5)
    assert half.body.width() == pytest.approx(half.outline.width() / 2.0, abs=0.5)
    assert gone.body.width() == 0.0
    assert not weak.votes
    assert half.body.center().x() < whole.body.center().x()
    assert weak.body.width() == pytest.approx(weak.outline.width(), abs=0.5)  # too weak to judge is not lost
    assert len({stone.outline.width() for stone in (whole, half, gone, weak)}) == 1
    assert whole.body.top() > half.body.top() > gone.body.top() > weak.body.top()


def test_level_in_words(qtbot):
    face = make("vu", qtbot, (523, 274))

    def told(seconds: float, **changed: object) -> tuple[str, str]:
        values = values_at(100.0) | {f"vu.{key}": value for key, value in changed.items()}
        face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(seconds)))
        return face.labels["usual"].text, face.labels["note"].text

    assert told(1.0, usual=1.0, usual_low=-4.2) == ("sits at −4, hits +1 VU", "max +1.2 VU since R")
    assert face.subtitle == "0 VU = −18 dBFS"
    assert told(2.0, peak_over=14.2)[1] == "peaks 14 dB above VU: transients are faster than the needle"
    assert told(12.0, usual=math.nan, usual_low=math.nan) == ("sits at −8, hits −3 VU", "10 s ago")
    assert told(13.0, usual=math.nan, max=SILENT) == ("listening…", "")
    assert told(14.0, movement=2, alignment=-20.0, peak_over=14.2)[1] == "max +1.2 dB since R"
    assert face.subtitle == "PPM type II, 0 dB = −20 dBFS"
    face.show_frame(frame_of("usual", channels=32))
    assert face.labels["note"].text.startswith("loudest channel")


def test_hands_point_where_the_scale_says(qtbot):
    face = make("vu", qtbot)
    values = values_at(100.0) | {"vu.now": [0.0, SILENT]}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    left, right = (face._hand(place) for place in face._hands)
    # 0 VU: 70.8 % of the travel (IEC 60268-17), so right of the middle; silence: the left end.
    assert left.p2().x() > face._pivot.x()
    travel = math.degrees(math.atan2(left.p2().x() - face._pivot.x(), face._pivot.y() - left.p2().y()))
    assert (travel + 46.0) / 92.0 == pytest.approx(0.708, abs=0.001)
    assert right.p2().x() < face._pivot.x()


def test_peaks_in_words(qtbot):
    face = make("peaks", qtbot)
    face.show_frame(frame_of("usual"))
    assert face.labels["most0"].text == "−2.9"
    assert face.labels["note"].text == "never over 0 dBTP"
    values = values_at(100.0) | {"peaks.overs": 3, "peaks.true_max": 1.25, "peaks.true_max_each": [1.25, -0.4]}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(200.0)))
    assert face.labels["note"].text == "over 0 dBTP 3 times"
    assert face.labels["most0"].text == "+1.2"
    many = np.linspace(-30.0, -1.0, 32)
    values = STATES["usual"](LAYOUTS[32]) | {"peaks.true_max_each": many, "peaks.true": many}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[32], feed=status(300.0, channels=32)))
    face.resize(523, 300)
    assert len(face._bars) == 32
    assert face._now[31] > face._now[0]
    assert face.labels["where"].text == "channel 32"


def overs(counts: dict[str, float], channels: int, seconds: float):
    most = np.full(channels, -20.0)
    most[0] = 1.0 if any(counts.values()) else -4.4
    values = {"peaks.true_max_each": most, "peaks.true": -9.0, "peaks.true_hold": -8.0, "peaks.true_max": most[0]}
    return snapshot(given=values | counts, plan=layout(channels), feed=status(seconds, channels=channels))


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("channels", [1, 2, 8, 32])
@pytest.mark.parametrize("size", [(160, 90), (239, 90), (377, 137), (523, 144), (523, 300), (220, 900)])
def test_an_over_is_told_at_every_size_until_the_reset(size, channels, theme, qtbot, qapp):
    """377 x 137 is the card of a window of 1280 x 800, 239 x 90 that of one of 820 x 560."""
    apply_theme(qapp, theme.name)
    face = make("peaks", qtbot, size)
    never = {"peaks.overs": 0.0, "peaks.clipped": 0.0}
    face.show_frame(overs(never, channels, 100.0))
    assert "OVER" not in face.labels
    quiet = face.grab().toImage()
    assert pixels_like(quiet, theme.broken) == 0
    for seconds, count in enumerate((1, 3, 12, 4321), start=101):
        before = face.grab().toImage()
        paints = Paints(face)
        face.show_frame(overs(never | {"peaks.overs": float(count)}, channels, float(seconds)))
        qtbot.wait(1)
        tag = face.labels["OVER"]
        assert tag.shown == [f"OVER {count}"]
        assert not tag.elided
        assert paints.missed(before, picture := face.grab().toImage()) == 0
        assert pixels_like(picture, theme.broken) > 400
        assert_text_fits(face)
        assert f"over 0 dBTP {'once' if count == 1 else f'{count} times'}" in face.value_text()
    face.show_frame(overs(never, channels, 110.0))
    assert "OVER" not in face.labels
    assert face.grab().toImage() == quiet


@pytest.mark.parametrize("size", [(160, 90), (239, 90), (377, 137), (523, 144)])
def test_clipped_runs_are_told_too_and_give_way_to_the_over(size, qtbot):
    face = make("peaks", qtbot, size)
    face.show_frame(overs({"peaks.overs": 0.0, "peaks.clipped": 12.0}, 2, 100.0))
    assert face.labels["CLIP"].shown == ["CLIP 12"]
    assert "clipped 12 times" in face.value_text()
    face.show_frame(overs({"peaks.overs": 3.0, "peaks.clipped": 12.0}, 2, 101.0))
    assert face.labels["OVER"].shown == ["OVER 3"]
    assert [label.shown for name, label in face.labels.items() if name == "CLIP"] == (
        [] if size == (160, 90) else [["CLIP"]] if size == (239, 90) else [["CLIP 12"]]
    )
    assert "over 0 dBTP 3 times, clipped 12 times" in face.value_text()
    assert_text_fits(face)


@pytest.mark.parametrize("channels", [3, 8, 32])
@pytest.mark.parametrize("size", [(377, 137), (301, 104), (523, 144), (523, 300), (320, 180)])
def test_of_many_channels_the_highest_peak_and_its_channel_are_read_from_a_metre(size, channels, qtbot):
    face = make("peaks", qtbot, size)
    plan = layout(channels)
    most = np.full(channels, -20.0)
    most[channels - 2] = -1.3
    values = {"peaks.true_max_each": most, "peaks.true": most, "peaks.true_hold": most, "peaks.true_max": -1.3}
    face.show_frame(snapshot(given=values, plan=plan, feed=status(100.0, channels=channels)))
    figure, where = face.labels["figure"], face.labels["where"]
    assert figure.shown == ["−1.3"]
    assert figure.size_px >= 34
    assert where.shown == [f"channel {channels - 1}"]
    assert where.size_px >= 15
    assert len(face._bars) == channels
    assert all(bar.width() >= 1 and bar.height() >= 30 for bar in face._bars)
    before = face.grab().toImage()
    paints = Paints(face)
    most[0] = 0.4
    values |= {"peaks.true_max_each": most, "peaks.true_max": 0.4, "peaks.overs": 1.0}
    face.show_frame(snapshot(given=values, plan=plan, feed=status(101.0, channels=channels)))
    qtbot.wait(1)
    assert where.shown == ["channel 1"]
    assert paints.missed(before, face.grab().toImage()) == 0


@pytest.mark.parametrize("size", [(239, 90), (239, 96), (300, 107), (377, 137), (523, 144), (160, 90)])
def test_the_scale_under_the_bars_is_whole_or_not_there(size, qtbot):
    face = make("peaks", qtbot, size)
    face.show_frame(frame_of("usual"))
    picture = face.grab().toImage()
    ratio = picture.devicePixelRatio()
    rows = [picture.height() - 1 - round(down * ratio) for down in (1, 2, 3)]
    across = range(round(12 * ratio), picture.width() - round(12 * ratio))
    assert {picture.pixelColor(x, y).name() for y in rows for x in across} == {face.theme.card.name()}


def test_channels_of_a_mix_further_up_are_called_by_their_numbers(qtbot):
    face = make("peaks", qtbot, (523, 300))
    plan = Layout.build({"peaks": manifests()["peaks"].fields}, {"peaks": 3}, {"mix": (4, 5, 6), "part kick": (0,)})
    values = {"peaks.true_max_each": [-9.0, -3.0, -6.0], "peaks.true": -9.0, "peaks.true_max": -3.0}
    face.show_frame(snapshot(given=values, plan=plan, feed=status(100.0, channels=7)))
    assert [face.labels[f"name{number}"].text for number in range(3)] == ["5", "6", "7"]
    assert face.labels["where"].text == "channel 6"


def test_a_band_that_folds_away_under_a_solid_whole_is_named(qtbot):
    face = make("mono_lows", qtbot)
    losses = {"mono_lows.verdict": 1, "mono_lows.loss_now": -0.2, "mono_lows.worst_band": 2}
    for seconds, band, said in (
        (1.0, -7.0, "solid as a whole, but 60–90 Hz largely cancels in mono"),
        (10.0, -1.0, "solid below 120 Hz"),
    ):
        values = values_at(100.0) | losses | {"mono_lows.band_loss": [-0.1, -0.1, band, -0.1]}
        for after in (0.0, 4.0):
            face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(seconds + after)))
        assert face.labels["verdict"].text == said


def test_loudness_is_paused_and_resumed_from_its_menu_and_says_so(qtbot):
    face = make("loudness", qtbot)
    offered = {(choice.words, choice.value) for choice in face.choices() if choice.setting == "running"}
    assert offered == {("running", True), ("paused", False)}
    face.show_settings({"running": False})
    face.show_frame(frame_of("usual"))
    assert face.labels["incomplete"].text == "integrated, range and max paused"


def test_loudness_range_is_not_called_settled_in_the_first_minute(qtbot):
    face = make("loudness", qtbot)
    told = {seconds: values_at(100.0) | {"loudness.measured": seconds} for seconds in (59.0, 61.0)}
    face.show_frame(snapshot(given=told[59.0], plan=LAYOUTS[2], feed=status(1.0)))
    assert face.labels["range_words"].text == "range, still settling"
    face.show_frame(snapshot(given=told[61.0], plan=LAYOUTS[2], feed=status(2.0)))
    assert face.labels["range_words"].text == "range"


def test_loudness_says_when_it_is_incomplete_and_rounds_to_its_spans(qtbot):
    face = make("loudness", qtbot)
    values = values_at(100.0) | {"loudness.incomplete": 1, "loudness.momentary": -14.8, "loudness.short_term": -16.24}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    assert face.labels["incomplete"].text == "incomplete: dropouts"
    assert face.labels["short_term"].text == "−16.2"
    assert face.labels["integrated"].text == "−17.1"
    assert face.labels["momentary"].text == "−15.0"
    assert face.labels["to_loudness"].text == "14.2"
    face.show_frame(frame_of("not_yet", seconds=2.0))
    assert face.labels["short_term_words"].text == "listening…"
    face.show_frame(frame_of("silence", seconds=3.0))
    assert (face.labels["short_term"].text, face.labels["short_term"].role) == ("−∞", "faint")
    values |= {"loudness.short_term": 3.51, "peaks.to_loudness": 6.2}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(4.0)))
    assert (face.labels["short_term"].text, face.labels["to_loudness"].text) == ("+3.5", "6.2")
    face.resize(900, 351)
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(5.0)))
    assert (face.labels["momentary"].text, face.labels["to_loudness"].text) == ("−15.0 LUFS", "6.2 LU")


def history_of(face, marks=(), **changed):
    values = values_at(100.0) | {f"loudness.{key}": value for key, value in changed.items()}
    shown = snapshot(given=values, plan=LAYOUTS[2], feed=status(400.0))
    face.show_frame(Frame(shown.layout, shown.values, shown.status, marks=marks))
    return face.grab().toImage()


def test_the_history_has_a_target_line_where_the_scale_says(qtbot):
    """EBU R 128 (2023), item h: -23.0 LUFS."""
    face = make("loudness", qtbot)
    face.show_settings(face.settings | {"target_lufs": -23.0})
    assert face.subtitle == "LUFS, target −23.0"
    quiet = np.full(300, -70.0)
    picture, plot = history_of(face, history=quiet), face._history.plot
    white = [y for y in range(plot.top(), plot.bottom()) if picture.pixelColor(plot.left() + 2, y) == DARK.ink]
    assert white == [plot.bottom() + 1 - round(plot.height() * (36.0 - 23.0) / 36.0)]  # 0 down to -36 LUFS
    face.show_settings(face.settings | {"target_lufs": 0.0})
    picture = history_of(face, history=quiet)
    assert all(picture.pixelColor(plot.left() + 2, y) != DARK.ink for y in range(plot.top(), plot.bottom()))


def test_marks_stand_in_the_history_at_their_seconds(qtbot):
    face = make("loudness", qtbot)
    marks = (Mark(50.0, 0.0, "long ago", 100.0), Mark(250.0, 0.0, "verse", 340.0), Mark(340.0, 0.0, "chorus"))
    picture, plot = history_of(face, marks, history=np.full(300, -70.0)), face._history.plot
    row = plot.bottom() - 4
    lines = [x for x in range(plot.left(), plot.right()) if picture.pixelColor(x, row) == DARK.soft]
    assert lines == [plot.right() - round(age / 300.0 * plot.width()) for age in (150.0, 60.0)]


def test_an_own_target_and_a_published_one_are_offered(qtbot):
    face = make("loudness", qtbot)
    offered = {choice.value: choice.words for choice in face.choices() if choice.setting == "target_lufs"}
    assert offered[0.0] == "none"
    assert "EBU R 128" in offered[-23.0]
    assert all("AES TD1008" in offered[value] for value in (-18.0, -16.0, -14.0))
    chosen = []
    face.setting_chosen.connect(lambda *each: chosen.append(each))
    face._ask_target()
    face._asker.setDoubleValue(-11.5)
    face._asker.accept()
    assert chosen == [("loudness", {"target_lufs": -11.5})]


@pytest.mark.parametrize("state", ["starting", "idle", "waiting", "failed"])
@pytest.mark.parametrize("meter_id", ["mono_lows", "vu", "spectrum", "stereo", "loudness"])
def test_no_face_says_that_it_listens_while_no_sound_arrives(meter_id, state, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(frame_of("not_yet", state=state))
    assert "no sound now" in words_of(face)
    assert "listening…" not in words_of(face)
    face.show_frame(frame_of("not_yet", seconds=101.0))
    assert "listening…" in words_of(face)


@pytest.mark.parametrize(("meter_id", "label"), [("vu", "usual"), ("spectrum", "strongest")])
def test_what_was_heard_before_a_loss_is_dimmed(meter_id, label, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(frame_of("usual"))
    assert face.labels[label].role == "ink"
    face.show_frame(frame_of("usual", state="lost"))
    assert face.labels[label].role == "faint"


def test_width_says_where_it_leans_in_any_card(qtbot):
    face = make("stereo", qtbot, (280, 290))
    values = widened(values_at(100.0), LAYOUTS[2]) | {"stereo.age": 39.0, "stereo.balance_now": -0.7}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    assert face.labels["balance"].shown == ["0.7 dB right, 39 s ago"]


@pytest.mark.parametrize(("meter_id", "label"), [("loudness", "momentary"), ("peaks", "most0"), ("peaks", "figure")])
def test_silence_is_no_figure_to_read(meter_id, label, qtbot):
    face = make(meter_id, qtbot)
    face.show_frame(frame_of("silence"))
    assert (face.labels[label].text[:2], face.labels[label].role) == ("−∞", "faint")
    face.show_frame(frame_of("usual", seconds=101.0))
    assert face.labels[label].role == "ink"


def test_width_in_words(qtbot):
    face = make("stereo", qtbot)
    face.show_frame(frame_of("usual"))
    assert (face.labels["whole"].text, face.labels["lows"].text) == ("+0.6", "+0.3")
    face.show_frame(frame_of("stale", seconds=200.0))
    assert face.labels["balance"].text.endswith("2 h ago")
    assert face.labels["whole"].role == "faint"
    face.show_frame(frame_of("not_yet", channels=1))
    assert face.labels["balance"].text == "needs two channels"


def test_picture_puts_left_on_the_left(qtbot):
    face = make("stereo", qtbot)
    # A signal on the left alone: across (R - L) / sqrt 2 is negative where up (L + R) / sqrt 2 is positive.
    tone = np.full(512, 0.3)
    values = values_at(100.0) | {"stereo.picture": np.concatenate([-tone, tone])}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    middle = face._picture.center()
    assert all(point.x() < middle.x() and point.y() < middle.y() for point in face._dots)
    assert len(face._dots) == 512


def test_a_point_of_the_picture_is_a_square_of_two_pixels(qtbot):
    face = make("stereo", qtbot)
    face.show_frame(frame_of("usual"))
    values = values_at(100.0) | {"stereo.picture": np.full(1024, np.nan)}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    bare = face.grab().toImage()
    values["stereo.picture"][[7, 519]] = 0.02, 0.1
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    dotted = face.grab().toImage()
    lit = [
        (x, y)
        for x in range(dotted.width())
        for y in range(dotted.height())
        if dotted.pixel(x, y) != bare.pixel(x, y)
    ]
    side = round(2 * dotted.devicePixelRatio())
    assert len(lit) == side**2
    assert all(max(place) - min(place) == side - 1 for place in zip(*lit, strict=True))


def test_spectrum_names_the_strongest_low(qtbot):
    face = make("spectrum", qtbot)
    values = values_at(100.0)
    fine = np.full(221, -60.0)
    fine[values["spectrum.fine_hz"] == 55.0] = -20.0  # A1 (ISO 16)
    face.show_frame(snapshot(given=values | {"spectrum.fine": fine}, plan=LAYOUTS[2], feed=status(1.0)))
    assert face.labels["strongest"].text == "strongest low: 55 Hz, near A1"
    assert len(face._bars) == 20  # 250 Hz to 20 kHz
    assert face._filled.size() <= 1200
    face.show_frame(frame_of("silence", seconds=2.0))
    assert face.labels["strongest"].text == "no low end now"


# Listening


def test_no_figure_without_a_calibration(qtbot):
    face = make("listening", qtbot)
    face.show_frame(frame_of("uncalibrated"))
    seat = [label.text for name, label in face.labels.items() if name not in ("passage", "drift")]
    shown = " ".join(seat) + face.subtitle + face.value_text()
    assert not re.search(r"\d", shown)
    assert face.labels["drift"].text == "top +1.5 dB, lows −0.4 dB", "a change of tone needs no calibration"
    assert "not calibrated" in shown
    assert "Not a medical measurement." in shown
    visible = {button.text() for button in face.findChildren(QPushButton) if button.isVisible()}
    assert visible == {"Calibrate…", "more"}


@pytest.mark.parametrize(
    ("monitor_setting", "words"),
    [("", ""), ("loudspeakers", ""), ("loudspeakers at −10", ", at −10"), ("headphones", ", headphones"),
     ("headphones at late", ", headphones, at late")],
)  # fmt: skip
def test_the_level_now_names_where_the_control_stands(monitor_setting, words, qtbot):
    face = make("listening", qtbot)
    face.show_settings(face.settings | {"monitor_setting": monitor_setting})
    face.show_frame(frame_of("usual"))
    assert face.labels["now"].text == f"now 79 dB(A){words}"


def test_a_calibration_that_waits_to_be_confirmed_is_not_denied(qtbot):
    face = make("listening", qtbot)
    face.show_settings(face.settings | {"monitor_setting": "loudspeakers"})
    face.show_frame(frame_of("uncalibrated"))
    assert face.labels["state"].text == "no estimate"
    assert "for this output, or not confirmed" in face.labels["left"].text
    assert "not calibrated" not in face.value_text()
    assert not re.search(r"\d", face.value_text())


def test_the_share_is_whole_in_the_card_of_the_page(qtbot):
    face = make("listening", qtbot)
    values = values_at(100.0) | {"listening.share": 0.4, "listening.since_break": 0.5}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    assert face.labels["used"].shown == ["under 1 % of the week"]
    assert not face.labels["used"].elided
    assert face.labels["break"].text == "last break just now"


def test_headphones_are_said_not_to_be_estimated(qtbot):
    face = make("listening", qtbot)
    face.show_settings(face.settings | {"monitor_setting": "headphones"})
    face.show_frame(frame_of("uncalibrated"))
    assert face.labels["state"].text == "not estimated"
    assert "Headphones are not estimated" in face.labels["left"].text


def test_the_same_passage_is_told_beside_the_creep(qtbot):
    face = make("listening", qtbot)
    face.show_frame(frame_of("usual"))
    assert face.labels["passage"].text == "same passage as 2 h ago:"
    assert face.labels["drift"].text == "top +1.5 dB, lows −0.4 dB"
    new = DriftFindings("not heard before")
    face.show_frame(snapshot(given=values_at(100.0), plan=LAYOUTS[2], feed=status(200.0), drift=new))
    assert face.labels["passage"].text == face.labels["drift"].text == ""


def test_a_turn_of_the_control_is_in_the_menu(qtbot):
    face = make("listening", qtbot)
    action = next(action for action in face.menu().actions() if "moved the monitor knob" in action.text())
    with qtbot.waitSignal(face.action_asked) as asked:
        action.trigger()
    assert asked.args == ["turn"]


def test_listening_asks_for_what_its_buttons_say(qtbot):
    face = make("listening", qtbot)
    face.show_frame(frame_of("uncalibrated"))
    for text, action in (("Calibrate…", "calibrate"), ("more", "cautions")):
        button = next(button for button in face.findChildren(QPushButton) if button.text() == text)
        with qtbot.waitSignal(face.action_asked) as asked:
            qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
        assert asked.args == [action]


def test_an_estimate_names_its_doubt_and_its_rule(qtbot):
    face = make("listening", qtbot)
    face.show_frame(frame_of("usual"))
    assert face.labels["figure"].text == "2 to 7 h"
    assert face.subtitle == "estimate ±3 dB"
    assert "WHO-ITU H.870" in face.labels["rule"].text
    assert face.labels["now"].text == "now 79 dB(A)"
    assert face.labels["caution"].text == "Not a medical measurement."
    visible = {button.text() for button in face.findChildren(QPushButton) if button.isVisible()}
    assert visible == {"more"}


@pytest.mark.parametrize(
    ("share", "words"),
    [(20.0, ""), (55.0, "More than half"), (84.0, "a break or a lower level"), (150.0, "rest your ears")],
)
def test_a_share_is_told_early_and_calmly(share, words, qtbot):
    face = make("listening", qtbot)
    values = values_at(100.0) | {"listening.share": share}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    assert words in face.labels["share_note"].text
    assert bool(words) == bool(face.labels["share_note"].text)


def listening(qtbot, size=None, settings=None, **readings):
    face = make("listening", qtbot, size)
    face.show_settings({**manifests_settings("listening"), **(settings or {})})
    values = values_at(100.0) | {f"listening.{key}": value for key, value in readings.items()}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    return face


def test_what_the_ledger_knows_stands_in_the_rows(qtbot):
    face = listening(qtbot)
    said = {name: face.labels[name].text for name in ("used", "other", "break", "creep", "quarter")}
    assert said == {
        "used": "41 % of the week’s allowance",
        "other": "today: 12 % of it",
        "break": "last break 1 h 20 ago",
        "creep": "up 3 dB since the start",
        "quarter": "15 min: 78 dB(A)",
    }
    assert face.value_text().endswith("estimate ±3 dB. Not a medical measurement.")
    by_day = listening(
        qtbot, settings={"period": "day", "person": "Ada"}, share_week=0.4, since_break=0.0, creep=-2.6
    )
    assert by_day.labels["used"].text == "41 % of the day’s allowance"
    assert by_day.labels["other"].text == "last 7 days: under 1 % of 5 days"
    assert by_day.labels["break"].text == "on a break now"
    assert by_day.labels["creep"].text == "down 3 dB since the start"
    assert by_day.subtitle == "estimate ±3 dB, Ada"
    assert listening(qtbot, doubt=5.2).subtitle == "estimate ±6 dB"
    assert listening(qtbot, doubt=math.nan).subtitle == "estimate"


def test_rows_that_are_not_known_leave_no_holes(qtbot):
    face = listening(qtbot, share_today=math.nan, since_break=math.nan, creep=math.nan)
    rows = ("now", "used", "passage", "drift", "quarter", "listened")
    shown = [face.labels[name].rect for name in rows]
    assert [rect.top() - shown[0].top() for rect in shown] == [0, 23, 46, 69, 92, 115]
    assert all(not face.labels[name].shown for name in ("other", "break", "creep"))


@pytest.mark.parametrize("hours", [math.inf])
def test_a_time_without_meaning_is_words_and_no_promise(qtbot, hours):
    face = listening(qtbot, time_left_low=hours, time_left_high=hours, seat_minute=54.2)
    assert face.labels["figure"].text == "over 7 days"
    assert face.labels["left"].text == "more than a week at 54 dB(A), the last minute"
    assert face.labels["quarter"].text == "15 min: 78 dB(A)"
    assert not re.search(r"\bsafe\b", words_of(face), re.IGNORECASE)


@pytest.mark.parametrize(
    ("notice", "share", "words", "role"),
    [
        (0.0, 41.0, "", "ink"),
        (1.0, 41.0, "1 h 20 without a break: ten quiet minutes, when it suits you?", "ink"),
        (2.0, 51.0, "More than half of the allowance is used.", "ink"),
        (3.0, 81.0, "Most of the allowance is used: a break or a lower level stretches it.", "ink"),
        (0.0, 81.0, "Most of the allowance is used: a break or a lower level stretches it.", "ink"),
        (math.nan, 81.0, "Most of the allowance is used: a break or a lower level stretches it.", "ink"),
        (1e38, 41.0, "", "ink"),
    ],
)
def test_a_notice_is_calm_words_in_the_colour_of_what_is_spoken_of(qtbot, notice, share, words, role):
    label = listening(qtbot, notice=notice, share=share).labels["share_note"]
    assert (label.text, label.role) == (words, role)


@pytest.mark.parametrize(("creep", "colour"), [(4.0, "ink"), (-4.0, "measured"), (0.4, "measured"), (math.nan, None)])
def test_creep_has_an_arrow_beside_its_words(qtbot, creep, colour):
    face = listening(qtbot, creep=creep)
    row = face.labels["creep"].rect
    if colour is None:
        assert row.isEmpty()
        return
    arrow = QRect(row.left() - 20, row.top(), 18, row.height())
    picture = face.grab(arrow).toImage()
    assert pixels_like(picture, getattr(face.theme, colour)) > 20


def test_gaps_are_counted_from_the_faces_menu(qtbot):
    face = listening(qtbot)
    action = next(each for each in face.menu().actions() if each.text() == "count at the level before")
    assert not action.isChecked()
    with qtbot.waitSignal(face.setting_chosen) as chosen:
        action.trigger()
    assert chosen.args == ["listening", {"count_gaps": True}]


@pytest.mark.parametrize("meter_id", ORDER)
def test_no_face_calls_anything_safe_or_good(meter_id, qtbot):
    face = make(meter_id, qtbot)
    for number, state in enumerate(STATES):
        face.show_frame(frame_of(state, seconds=100.0 + number))
        assert not re.search(r"\b(safe|good|perfect|danger|warning|score)\b", words_of(face), re.IGNORECASE)


def test_the_level_dims_when_the_sound_stops_and_its_range_does_too(qtbot):
    face = make("vu", qtbot)
    usual = face.labels["usual"]
    band = face.theme.measured_deep
    face.show_frame(snapshot(given=values_at(100.0), plan=LAYOUTS[2], feed=status(1.0)))
    assert usual.role == "ink"
    shown = pixels_like(face.grab().toImage(), band)
    face.show_frame(snapshot(given=values_at(100.0) | {"vu.age": 4.0}, plan=LAYOUTS[2], feed=status(5.0)))
    assert (usual.text, usual.role, face.labels["note"].text) == ("sits at −8, hits −3 VU", "faint", "4 s ago")
    assert pixels_like(face.grab().toImage(), band) < shown / 4
    gone = {"vu.age": 12.0, "vu.usual": math.nan, "vu.usual_low": math.nan}
    face.show_frame(snapshot(given=values_at(100.0) | gone, plan=LAYOUTS[2], feed=status(13.0)))
    assert (usual.role, face.labels["note"].text) == ("faint", "12 s ago")


@pytest.mark.parametrize("change", [{"vu.movement": 2}, {"vu.alignment": -20.0}], ids=["ballistics", "alignment"])
def test_figures_of_another_scale_do_not_stand_under_a_new_title(change, qtbot):
    face = make("vu", qtbot)
    face.show_frame(snapshot(given=values_at(100.0), plan=LAYOUTS[2], feed=status(1.0)))
    waits = {"vu.usual": math.nan, "vu.usual_low": math.nan, "vu.age": math.nan}
    face.show_frame(snapshot(given=values_at(100.0) | change | waits, plan=LAYOUTS[2], feed=status(1.1)))
    assert face.labels["usual"].text == "listening…"
    assert face.labels["note"].text == ""
    assert math.isnan(face._band[0])


@pytest.mark.parametrize(
    ("meter_id", "figures"),
    [("vu", ["usual"]), ("mono_lows", ["figure"]), ("loudness", ["short_term"]), ("stereo", ["whole", "lows"])],
)
def test_a_figure_of_now_dims_when_no_sound_comes(meter_id, figures, qtbot):
    """The audio clock stands still then, and no age tells it."""
    face = make(meter_id, qtbot)
    for state, role in (("running", "ink"), ("idle", "faint"), ("lost", "faint"), ("running", "ink")):
        face.show_frame(frame_of("usual", state=state))
        assert {face.labels[name].role for name in figures} == {role}, state


def test_a_key_goes_through_the_usual_alignments(qtbot):
    face = make("vu", qtbot)
    chosen = []
    face.setting_chosen.connect(lambda _meter, setting: chosen.append(setting["alignment_dbfs"]))
    for number, alignment in enumerate((-18.0, -20.0, -24.0, -13.0)):
        values = values_at(100.0) | {"vu.alignment": alignment}
        face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0 + number)))
        assert face.press("A")
    assert chosen == [-20.0, -24.0, -14.0, -14.0]
    assert not face.press("Z")


@pytest.mark.parametrize("size", [(357, 52), (222, 52)])
def test_listening_is_one_row_until_it_is_calibrated(qtbot, size):
    face = make("listening", qtbot, size)
    face.show_frame(frame_of("uncalibrated"))
    assert not face.needs_room
    button = face._calibrate
    assert button.isVisible()
    assert face.rect().contains(button.geometry())
    assert not face._title.box.intersects(QRectF(button.geometry()))
    assert_text_fits(face)
    changes = []
    face.room_changed.connect(lambda: changes.append(face.needs_room))
    face.show_frame(frame_of("usual", seconds=200.0))
    assert changes == [True]


@pytest.mark.parametrize("size", [(345, 351), (216, 231), (200, 190), (523, 274), (900, 600)])
def test_no_number_is_left_out_of_the_middle_of_a_scale(qtbot, size):
    """The numbers of a dial are one of its sets: the fullest whose numbers do not touch."""
    face = make("vu", qtbot, size)
    face.show_frame(frame_of("usual"))
    drawn = face._shown_marks(DIALS[0])
    boxes = [face._mark_box(DIALS[0], mark) for mark in drawn]
    assert drawn in DIALS[0].labels
    assert {-20, 0, 3} <= set(drawn)
    assert not any(one.intersects(other) for one, other in itertools.combinations(boxes, 2))


def test_time_left_is_one_range_of_the_stated_uncertainty(qtbot):
    """The window shows what the command and its JSON show, once."""
    face = listening(qtbot, time_left_low=1.5, time_left_high=30.0, doubt=8.0, seat_minute=71.0)
    assert face.labels["figure"].text == "1.5 to 30 h"
    assert face.labels["left"].text == "left at 71 dB(A), the last minute"
    assert face.subtitle == "estimate ±8 dB"
    assert sum("left at" in label.text for label in face.labels.values()) == 1
    assert face.labels["quarter"].text == "15 min: 78 dB(A)"


def test_mono_loss_above_the_lows_is_a_line_that_is_silent_under_3_db(qtbot):
    face = make("stereo", qtbot)

    def told(seconds, *losses):
        values = values_at(100.0) | {"stereo.mono_loss": losses}
        face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(seconds)))
        assert_text_fits(face)
        return face.labels["mono"].text

    assert told(1.0, -0.5, -1.0, -2.9, -1.0, math.nan) == ""
    assert told(2.0, -0.5, -1.0, -4.2, -1.0, math.nan) == ""
    assert told(4.0, -0.5, -1.0, -4.2, -1.0, math.nan) == "1–3 kHz loses 4.2 dB in mono"
    assert told(4.5, -0.5, -1.0, -1.0, -1.0, math.nan) == "1–3 kHz loses 1.0 dB in mono"
    assert told(7.0, -0.5, -1.0, -1.0, -1.0, math.nan) == ""
    assert told(8.0, SILENT, -1.0, -1.0, -1.0, math.nan) == ""
    assert told(10.5, SILENT, -1.0, -1.0, -1.0, math.nan) == "120–350 Hz cancels completely in mono"


def spectrum_with(qtbot, **settings):
    face = make("spectrum", qtbot)
    face.show_settings(face.settings | settings)
    values = values_at(100.0) | {"spectrum.third_octave": np.full(31, -40.0)}
    face.show_frame(snapshot(given=values, plan=LAYOUTS[2], feed=status(1.0)))
    return face


def test_slope_compensation_tilts_the_picture_about_1_khz(qtbot):
    """3 dB per octave lift 2 kHz by 3 dB and leave 1 kHz as it is (nominal bands of ISO 266)."""
    plain, tilted = spectrum_with(qtbot), spectrum_with(qtbot, slope="3")
    nominal = [scale.nominal_hz(hz) for hz in tilted._bar_hz]
    a_decibel = tilted._thirds.height() / 84.0
    for hz, lift in ((1000.0, 0.0), (2000.0, 3.0), (500.0, -3.0), (16_000.0, 12.0)):
        bar = nominal.index(hz)
        assert tilted._tops[bar] - plain._tops[bar] == pytest.approx(lift * a_decibel, abs=1.0)
    assert "+3 dB per octave" in tilted.subtitle
    assert tilted.labels["strongest"].text == plain.labels["strongest"].text


def test_an_average_is_held_to_compare_with(qtbot):
    face = spectrum_with(qtbot)
    menu = {choice.words: choice.run for choice in face.choices()}
    menu["hold the average of now to compare"]()
    louder = values_at(100.0) | {"spectrum.third_octave": np.full(31, -20.0)}
    for seconds in (2.0, 9.0):
        face.show_frame(snapshot(given=louder, plan=LAYOUTS[2], feed=status(seconds)))
    at = round((84.0 - 40.0) / 84.0 * face._thirds.height())
    assert face._holds == [at] * len(face._bars)
    assert "held average" in face.subtitle
    {choice.words: choice.run for choice in face.choices()}["peak hold"]()
    assert face._holds != [at] * len(face._bars)
    assert "held average" not in face.subtitle

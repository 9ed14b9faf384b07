"""The window as a whole, driven by invented snapshots through a link without an engine."""

from __future__ import annotations

import gc
import json
import math
import weakref
from datetime import datetime

import msgspec
import pytest
from PySide6.QtCore import QEvent, Qt
from PySide6.QtWidgets import QApplication, QWidget

from meter import settings as settings_file
from meter.gui.engine_link import MeterEntry, Surroundings
from meter.gui.geometry import LEAST_SIZE
from meter.gui.kit.theme import DARK, LIGHT
from meter.gui.kit.widgets import Paragraph
from meter.gui.page.layout import pages_folder
from meter.gui.page.plain_face import PlainFace, plain_face
from meter.gui.source.source_list import source_title
from meter.gui.window import Window
from meter.plugin.face import Face
from meter.readings import Field, Layout
from meter.settings import Calibration, Settings, SourceChoice
from tests.support.frames import ORDER, FakeLink, entries, frame, layout, manifests, status, values_at

LISTENED = SourceChoice("monitor", "studio.monitor", {}, "what plays on Studio Out")


class Bench:
    """A window with everything around it."""

    def __init__(self, qtbot, folder, settings=None, meters=None, **around):
        self.qtbot = qtbot
        self.link = FakeLink()
        self.settings = settings if settings is not None else Settings(source=LISTENED, cautions_read=True)
        self.path = folder / "settings.json"
        around.setdefault("pages_folder", pages_folder())
        if meters is None:
            meters = entries(faces=False)
        self.window = Window(self.link, self.settings, Surroundings(settings_path=self.path, meters=meters, **around))
        qtbot.addWidget(self.window)
        self.window.show()
        self.plan = layout()
        qtbot.waitUntil(self.window.may_draw if self.settings.source else self.window.isVisible)

    def feed(self, seconds=8040.0, plan=None, given=None, **changes):
        self.link.now = frame(seconds, plan=plan or self.plan, given=given, feed=status(seconds, **changes))
        self.window.clock.tick()
        QApplication.processEvents()

    def key(self, key):
        self.qtbot.keyClick(self.window, key)

    def face(self, meter_id):
        return self.window.page.card(meter_id).face


@pytest.fixture
def bench(qtbot, tmp_path):
    made = Bench(qtbot, tmp_path)
    yield made
    made.window.close()


@pytest.fixture
def full(qtbot, tmp_path):
    """With the real faces."""
    made = Bench(qtbot, tmp_path, meters=entries())
    yield made
    made.window.close()


def test_readings_reach_the_faces_and_the_feed_line(bench):
    bench.feed()
    assert "−16.2 LUFS" in bench.face("loudness").value_text()
    assert "listening" in bench.window.feed_line.words.whole
    assert "what plays on Studio Out" in bench.window.feed_line.source.accessibleName()


def test_all_our_faces_draw_at_1280_by_800(full):
    full.window.resize(1280, 800)
    for number in range(5):
        full.feed(8040.0 + number / 10)
    faults = {card.name: card.face.fault for card in full.window.page.cards if card.face.fault}
    assert faults == {}
    picture = full.window.grab().toImage()
    for card in full.window.page.cards:
        corner = card.face.mapTo(full.window, card.face.rect().center())
        assert full.window.rect().contains(corner)
        box = card.face.rect().translated(card.face.mapTo(full.window, card.face.rect().topLeft()))
        seen = {
            picture.pixel(x, y) for x in range(box.left(), box.right(), 3) for y in range(box.top(), box.bottom(), 3)
        }
        assert len(seen) > 3, f"{card.name} is blank"


def test_every_face_has_an_accessible_name_and_a_text(full):
    full.feed()
    for card in full.window.page.cards:
        assert card.face.accessibleName()
        assert card.face.value_text()


def test_hold_reset_by_key_and_button(bench):
    bench.feed()
    bench.key(Qt.Key.Key_H)
    bench.window.feed_line.hold.click()
    bench.key(Qt.Key.Key_R)
    assert bench.link.calls[-3:] == [("hold", True), ("hold", False), ("reset",)]


def test_ears_only_blanks_everything_and_measuring_goes_on(bench):
    bench.feed(8040.0)
    before = bench.face("loudness").value_text()
    bench.key(Qt.Key.Key_E)
    picture = bench.window.grab().toImage()
    colours = {picture.pixel(x, y) for x in range(0, 1280, 7) for y in range(0, 700, 7)}
    assert len(colours) == 1
    bench.feed(8041.0, given={"loudness.short_term": -9.0})
    assert bench.face("loudness").value_text() == before
    bench.key(Qt.Key.Key_E)
    bench.window.clock.tick()
    assert "−9.0" in bench.face("loudness").value_text()


def test_ears_only_takes_the_other_panels_away_too(bench):
    bench.feed()
    window = bench.window
    window.read_levels()
    window.feeds.find()
    panels = (window.readings, window.feeds.finder)
    assert all(panel.isVisible() for panel in panels)
    window.toggle_ears_only()
    window.read_levels()
    assert not any(panel.isVisible() for panel in panels)


def test_ears_only_tells_a_fault_small_and_ends_by_a_click(bench):
    bench.feed()
    bench.window.toggle_ears_only()
    bench.feed(8042.0, state="lost", sentence="Plug it in again.")
    assert "Plug it in again." in bench.window.ears_only.words
    bench.feed(8043.0, state="held")
    assert "still measuring" not in bench.window.ears_only.words
    bench.feed(8044.0)
    assert "still measuring" in bench.window.ears_only.words
    bench.qtbot.mouseClick(bench.window.ears_only, Qt.MouseButton.LeftButton)
    assert bench.window.feed_line.isVisible()


def test_nothing_is_drawn_while_minimised(bench):
    bench.feed(8040.0)
    before = bench.face("loudness").value_text()
    bench.window.hide()
    bench.feed(8041.0, given={"loudness.short_term": -9.0})
    assert bench.face("loudness").value_text() == before
    assert bench.link.polls > 0
    bench.window.show()
    bench.qtbot.waitUntil(bench.window.may_draw)
    bench.window.clock.tick()
    assert "−9.0" in bench.face("loudness").value_text()


def test_a_quarantined_meter_says_so_in_place_and_the_others_go_on(full):
    full.feed(8040.0)
    full.feed(8041.0, quarantined={"vu": "It raised ZeroDivisionError."})
    assert full.face("vu").fault == "It raised ZeroDivisionError."
    assert full.face("loudness").fault == ""
    full.feed(8042.0)
    assert full.face("vu").fault == ""


def test_a_meter_that_this_source_does_not_feed_says_so(bench):
    fields = {key: item.fields for key, item in manifests().items() if key != "stereo"}
    bench.feed(plan=Layout.build(fields, dict.fromkeys(fields, 1)))
    assert "not measured" in bench.face("stereo").fault
    bench.feed(8041.0)
    assert bench.face("stereo").fault == ""


class Raising(Face):
    meter_id = "raising"
    title = "Raising"

    def show_frame(self, frame):
        raise RuntimeError("no idea")


class Unborn(Face):
    def __init__(self):
        raise RuntimeError("stillborn")


def strangers():
    return (
        MeterEntry("clock_drift", "Clock drift", "How far the clock runs off"),
        MeterEntry("raising", "Raising", load_face=lambda: Raising),
        MeterEntry("unborn", "Unborn", load_face=lambda: Unborn),
        MeterEntry("alien", "Alien", load_face=lambda: QWidget),
        MeterEntry("refused", "Refused", trouble="Its manifest was made for contract 9.0."),
    )


def test_strangers_follow_below_and_none_takes_the_page_down(qtbot, tmp_path):
    bench = Bench(qtbot, tmp_path, meters=entries(faces=False) + strangers())
    fields = {key: item.fields for key, item in manifests().items()}
    fields["clock_drift"] = (Field("offset", "ms", label="offset since start"), Field("each", "dB", size="channels"))
    fields["raising"] = (Field("x", ""),)
    plan = Layout.build(fields, dict.fromkeys(fields, 2))
    bench.feed(plan=plan, given={**values_at(8040.0), "clock_drift.offset": 1.25, "clock_drift.each": [-1.0, 2.0]})
    assert isinstance(bench.face("clock_drift"), PlainFace)
    assert bench.face("clock_drift").value_text() == "offset since start 1.2 ms, each −1.0  2.0 dB"
    assert "no idea" in bench.face("raising").fault
    assert "stillborn" in bench.face("unborn").fault
    assert "meter.plugin.face.Face" in bench.face("alien").fault
    assert "contract 9.0" in bench.face("refused").fault
    assert bench.face("loudness").fault == ""
    bottom = bench.face("spectrum").geometry().bottom()
    assert all(bench.face(entry.meter_id).geometry().top() > bottom for entry in strangers())
    bench.window.close()


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (1.25, "ms", "1.2 ms"), (-3.0, "", "−3.0"), (47999.8, "Hz", "48,000 Hz"), (-1234.0, "dB", "−1,234 dB"),
        (1e38, "dB", "1e+38 dB"), (math.nan, "dB", "–"), (-math.inf, "dB", "−∞ dB"), (math.inf, "dB", "∞ dB"),
    ],
)  # fmt: skip
def test_a_plain_table_writes_any_number(qtbot, value, unit, words):
    face = plain_face("drift", "Drift")
    qtbot.addWidget(face)
    plan = Layout.build({"drift": (Field("x", unit, label="x"),)}, {"drift": 2})
    face.show_frame(frame(plan=plan, given={"drift.x": value}))
    assert face.value_text() == f"x {words}"


def test_a_layout_that_asks_for_an_unknown_meter_shows_that_in_place(qtbot, tmp_path):
    (tmp_path / "page.toml").write_text(
        'kind = "page"\nversion = 1\nname = "mine"\ncolumn_shares = [1, 1]\nrow_shares = [1]\n'
        '[[place]]\nmeter = "vu"\nrow = 0\ncolumn = 0\n[[place]]\nmeter = "ghost"\nrow = 0\ncolumn = 1\n'
    )
    bench = Bench(qtbot, tmp_path, pages_folder=tmp_path)
    bench.feed()
    assert "no meter “ghost”" in bench.face("ghost").fault
    assert bench.face("vu").fault == ""
    bench.window.close()


@pytest.mark.parametrize("text", [None, "name = ", b"\xff"])
def test_a_broken_layout_leaves_all_meters_in_rows_and_one_sentence(qtbot, tmp_path, text):
    if text is not None:
        (tmp_path / "page.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    bench = Bench(qtbot, tmp_path, pages_folder=tmp_path)
    bench.feed()
    assert "page.toml" in bench.window.feed_line.asked()
    assert all(card.face.isVisible() for card in bench.window.page.cards)
    assert len(bench.window.page.cards) == len(ORDER) + 3  # and those that have a page of their own
    bench.window.close()


def test_a_page_name_cannot_leave_its_folder(qtbot, tmp_path):
    (tmp_path / "inner").mkdir()
    (tmp_path / "page.toml").write_text("name = ")
    settings = Settings(source=LISTENED, cautions_read=True, page="../page")
    bench = Bench(qtbot, tmp_path, settings, pages_folder=tmp_path / "inner")
    assert "inner" in bench.window.feed_line.asked()
    bench.window.close()


def test_the_cautions_come_before_the_first_calibration_in_five_lines(bench):
    bench.settings.cautions_read = False
    bench.feed()
    cautions = bench.window.cautions
    assert not cautions.isVisible(), "no wall before the first sound"
    bench.window.more.calibrate_asked.emit()
    assert cautions.isVisible()
    assert not bench.window.seat.dialog.isVisible()
    lines = [label.text() for label in cautions._paragraphs]
    assert len(lines) == 5
    wide = cautions._paragraphs[0].fontMetrics()
    assert all(wide.horizontalAdvance(line) <= cautions._paragraphs[0].width() for line in lines)
    for words in ("estimate", "not a medical or legal measurement", "workplace", "audiologist", "no proof"):
        assert words in " ".join(lines)
    assert "safe" not in " ".join(lines)
    bench.qtbot.keyClick(cautions, Qt.Key.Key_Escape)
    assert not cautions.isVisible()
    assert not bench.settings.cautions_read, "left unread"
    assert not bench.window.seat.dialog.isVisible()
    bench.face("listening").action_asked.emit("calibrate")
    cautions.done.click()
    assert bench.settings.cautions_read
    assert bench.window.seat.dialog.isVisible()
    bench.window.seat.dialog.close()
    bench.window.more.calibrate_asked.emit()
    assert not cautions.isVisible(), "once is enough"
    assert bench.window.seat.dialog.isVisible()
    bench.window.more.cautions_asked.emit()
    assert cautions.isVisible(), "and they stay in the menu"


def test_a_chosen_source_is_opened_named_and_remembered(bench):
    request = {"kind": "device", "name": "Interface", "options": {"host_api": "ALSA", "channels": [3, 4]}}
    bench.window.listen_to(request, "Interface")
    assert bench.link.called("open") == [("open", {**request, "label": "Interface"})]
    bench.window.save()
    kept = settings_file.load(bench.path)[0].source
    assert kept == SourceChoice("device", "Interface", {"host_api": "ALSA", "channels": [3, 4]}, "Interface")


def test_a_setting_is_checked_kept_and_handed_on(bench):
    bench.face("vu").setting_chosen.emit("vu", {"alignment_dbfs": -20})
    assert bench.link.calls[-1] == ("configure", "vu", {"alignment_dbfs": -20.0})
    assert bench.settings.meters["vu"] == {"alignment_dbfs": -20.0}
    assert bench.face("vu").settings["alignment_dbfs"] == -20.0
    assert bench.face("vu").settings["movement"] == "vu"


@pytest.mark.parametrize("chosen", [{"alignment_dbfs": 99.0}, {"alignment_dbfs": "low"}, {"colour": "red"}])
def test_a_setting_that_is_not_allowed_is_one_sentence(bench, chosen):
    bench.face("vu").setting_chosen.emit("vu", chosen)
    assert bench.link.called("configure") == []
    assert bench.window.feed_line.asked()
    assert bench.settings.meters == {}


def test_kept_settings_that_are_no_longer_allowed_are_left_out(qtbot, tmp_path):
    settings = Settings(
        source=LISTENED, cautions_read=True, meters={"vu": {"movement": "gone", "alignment_dbfs": -12.0}}
    )
    bench = Bench(qtbot, tmp_path, settings)
    in_force = bench.face("vu").settings
    assert (in_force["movement"], in_force["alignment_dbfs"]) == ("vu", -12.0)
    bench.window.close()


def test_what_a_face_asks_for_happens(bench):
    bench.feed()
    bench.face("listening").action_asked.emit("cautions")
    assert bench.window.cautions.isVisible()
    bench.face("listening").action_asked.emit("calibrate")
    assert bench.window.seat.dialog.isVisible()
    bench.face("listening").action_asked.emit("source")
    assert bench.window.picker.isVisible()
    bench.face("listening").action_asked.emit("make coffee")


def noise(bench, now, left, right):
    levels = {"listening.feed_each": [left - 0.16, right - 0.16], "listening.feed_each_c": [left, right]}
    for number in range(110):
        bench.feed(now + number * 0.05, given=levels)


def test_nothing_counts_while_the_calibration_measures_and_for_a_moment_after(bench):
    bench.feed(99.0)
    bench.face("listening").action_asked.emit("calibrate")
    dialog = bench.window.seat.dialog
    assert bench.link.called("suspend") == [], "the first page plays nothing"
    dialog.next.click()
    ((_, reason),) = bench.link.called("suspend")
    assert "figures since R stand still" in reason
    dialog.close()
    assert len(bench.link.called("suspend")) == 1, "the end of the noise is still on its way"
    bench.qtbot.waitUntil(lambda: bench.link.calls[-1] == ("suspend", ""), timeout=5000)


def test_calibrating_end_to_end(bench):
    silent = -math.inf
    bench.feed(99.0)
    bench.face("listening").action_asked.emit("calibrate")
    dialog = bench.window.seat.dialog
    dialog.next.click()
    for number, (left, right, typed) in enumerate(((-20, silent, "79"), (silent, -20, "79"), (-20, -20, "82"))):
        noise(bench, 100.0 + 10.0 * number, left, right)
        dialog.side.typed.setText(typed)
        dialog.next.click()
    dialog.next.click()
    chosen = {"calibrated": True, "calibrated_for": "monitor:Studio Out", "offset_db": 99.0, "doubt_db": 3.0}
    chosen["monitor_setting"] = "loudspeakers"
    assert bench.link.calls[-1] == ("configure", "listening", chosen)
    assert bench.face("listening").settings["monitor_setting"] == "loudspeakers"
    bench.window.save()
    kept = settings_file.load(bench.path)[0]
    assert kept.calibrations[0].source == "monitor:Studio Out"
    assert "listening" not in kept.meters, "what is in force is not kept as a setting of the meter"


def test_a_turn_by_key_and_number(bench, qtbot):
    bench.settings.keep_calibration(Calibration("monitor:Studio Out", 99.0, "2026-11-24", 79.0, "A", "band"))
    bench.feed()
    bench.key(Qt.Key.Key_T)
    menu = bench.window.seat.menu
    assert menu.isVisible()
    qtbot.keyClick(menu, Qt.Key.Key_2)
    assert bench.link.calls[-1][2] == {
        "calibrated": True, "calibrated_for": "monitor:Studio Out", "offset_db": 89.0, "doubt_db": 8.0,
        "monitor_setting": "loudspeakers at −10",
    }  # fmt: skip
    assert bench.window.feed_line.asked() == ""
    bench.window.more.turn_asked.emit()
    menu.close()
    bench.window.seat.another.named.emit("late", -3.0)
    assert bench.link.calls[-1][2]["offset_db"] == 96.0
    bench.window.save()
    assert settings_file.load(bench.path)[0].state_of("monitor:Studio Out").setting == "late"
    bench.window.seat.menu.listens.emit("headphones")
    assert "Headphones are not estimated" in bench.window.feed_line.asked()
    assert bench.link.calls[-1][2]["calibrated"] is False


def test_a_kept_calibration_is_asked_about_at_start(qtbot, tmp_path):
    kept = Calibration("monitor:Studio Out", 99.0, "2026-11-24", 79.0, "A", "band")
    bench = Bench(qtbot, tmp_path, Settings(source=LISTENED, cautions_read=True, calibrations=[kept]))
    bench.feed()
    assert "monitor knob" in bench.window.feed_line.asked()
    off = {"calibrated": False, "monitor_setting": "loudspeakers"}
    assert bench.link.calls == [("configure", "listening", off)]
    bench.window.close()


def test_no_calibration_without_a_source_that_is_heard(qtbot, tmp_path):
    bench = Bench(qtbot, tmp_path, Settings(source=SourceChoice("file", "mix.wav"), cautions_read=True))
    bench.feed()
    bench.window.seat.calibrate()
    bench.key(Qt.Key.Key_T)
    assert not bench.window.seat.dialog.isVisible()
    assert not bench.window.seat.menu.isVisible()
    assert "belongs to a device" in bench.window.feed_line.asked()
    bench.window.close()


def test_light_and_dark_change_the_picture_at_once(full):
    full.feed()
    pictures = {}
    for theme in ("dark", "light"):
        full.window.looks.choose_theme(theme)
        full.window.clock.tick()
        QApplication.processEvents()
        pictures[theme] = full.window.grab().toImage().pixelColor(3, 3).lightness()
    assert pictures["dark"] < 60 < 180 < pictures["light"]
    full.window.looks.choose_theme("dark")


def test_words_follow_a_change_of_theme(bench):
    bench.feed()
    bench.window.cautions.bring_up()
    parts = [bench.window.feed_line.words, bench.window.picker.hints, *bench.window.cautions._paragraphs]
    parts += [bench.window.seat.dialog.side.feed, *bench.window.empty.findChildren(Paragraph)]
    for name, theme in (("light", LIGHT), ("dark", DARK)):
        bench.window.looks.choose_theme(name)
        QApplication.processEvents()
        for part in parts:
            assert part.palette().color(part.foregroundRole()) in (theme.ink, theme.soft), part.text()


def test_on_top_is_a_flag_of_the_window_and_kept(bench):
    bench.window.more.on_top.setChecked(True)
    assert bench.window.windowFlags() & Qt.WindowType.WindowStaysOnTopHint
    assert bench.window.isVisible()
    bench.window.more.on_top.setChecked(False)
    assert not bench.window.windowFlags() & Qt.WindowType.WindowStaysOnTopHint
    assert not bench.settings.always_on_top


def test_on_wayland_the_entry_says_why_it_is_off(qtbot, tmp_path, monkeypatch):
    monkeypatch.setattr("meter.gui.page.more_menu.QGuiApplication.platformName", lambda: "wayland")
    bench = Bench(qtbot, tmp_path, Settings(source=LISTENED, cautions_read=True, always_on_top=True))
    assert not bench.window.more.on_top.isEnabled()
    assert "compositor" in bench.window.more.on_top.toolTip()
    bench.window.close()


@pytest.mark.parametrize(
    "sentence", ["", "The sound server ended the capture; choose the source again or restart it. " * 2]
)
def test_the_smallest_window_shows_each_page_whole(sentence, qtbot, tmp_path):
    bench = Bench(qtbot, tmp_path)
    bench.window.resize(LEAST_SIZE)
    bench.feed(1.0, state="lost" if sentence else "running", sentence=sentence)
    for number, _ in enumerate(bench.window.pages.names):
        bench.window.turn_to(number)
        qtbot.wait(1)
        scroll = bench.window.pages.currentWidget()
        assert not scroll.verticalScrollBar().isVisible()
        assert not scroll.horizontalScrollBar().isVisible()
    bench.window.close()


def test_size_comes_back(qtbot, tmp_path):
    bench = Bench(qtbot, tmp_path)
    bench.window.resize(820, 640)  # not wider than the screen that Qt pretends to have, or Qt narrows it
    bench.window.close()
    kept = settings_file.load(bench.path)[0]
    again = Bench(qtbot, tmp_path, kept)
    assert (again.window.width(), again.window.height()) == (820, 640)
    again.window.close()


def test_where_a_window_may_not_place_itself_its_plain_size_comes_back(qtbot, tmp_path):
    bench = Bench(qtbot, tmp_path, Settings(source=LISTENED, cautions_read=True, width=1000, height=640))
    assert (bench.window.width(), bench.window.height()) == (1000, 640)
    bench.window.close()


def test_a_damaged_geometry_is_ignored(qtbot, tmp_path):
    settings = Settings(source=LISTENED, cautions_read=True, geometry="ß not base64 \u2603", width=-5, height=10)
    bench = Bench(qtbot, tmp_path, settings)
    assert bench.window.width() >= 820
    bench.window.close()


def test_saving_waits_a_second_and_a_full_disk_is_said(bench):
    bench.window.resize(1100, 700)
    assert not bench.path.exists()
    bench.qtbot.waitUntil(bench.path.exists, timeout=3000)
    bench.path.unlink()
    bench.path.mkdir()
    bench.window.save()
    assert "cannot be saved" in bench.window.feed_line.asked()
    bench.path.rmdir()


def test_a_slowed_display_is_told_without_a_list_of_cards(bench):
    bench.window.clock.pace._divisors = {"Low end, price": 2, "Spectrum": 4}
    bench.window.clock.noted.emit("Spectrum is drawn at 1/4 of the rate.")
    bench.feed()
    assert bench.window.feed_line.words.whole.endswith("display slowed: computer busy")
    bench.window.clock.pace._divisors = {}
    bench.window.clock.noted.emit("Spectrum is drawn faster again.")
    assert "slowed" not in bench.window.feed_line.words.whole


def test_readings_as_text(bench):
    bench.feed()
    bench.key(Qt.Key.Key_L)
    text = bench.window.readings.text.toPlainText()
    assert "source: what plays on Studio Out" in text
    assert datetime.now().strftime("time: %Y-%m-%d") in text
    assert "state: listening, 48 kHz, 2 channels, no dropouts, for 2 h 14 min" in text
    assert "\nLoudness: " in text, "what the faces of the page say"
    for entry in bench.window._around.meters:
        assert (f"\n{entry.name}\n" in text) == (entry.feed != "pair"), "this source has no pair"
    lines = text.splitlines()
    assert "  integrated: −17.10 LUFS" in lines
    assert len([line for line in lines if line.startswith("  ")]) == len(bench.plan.slots), "none is left out"
    assert "  last 0.3 s: 512 values across, then 512 up: 1,024 values, −0.8 to 0.8" in lines
    assert "  A-weighted level of each channel, last 1 s: needs 1 s of sound" in lines, "or why it has no value"
    bench.window.readings.copy.click()
    assert QApplication.clipboard().text() == text


def test_a_click_on_a_button_leaves_the_keys_with_the_window(bench):
    bench.feed()
    bench.qtbot.mouseClick(bench.window.feed_line.reset, Qt.MouseButton.LeftButton)
    assert not bench.window.feed_line.reset.hasFocus()
    bench.key(Qt.Key.Key_Space)
    assert bench.link.called("reset") == [("reset",)]


def test_shutdown_stops_the_clock_then_saves_then_closes_the_engine_once(qtbot, tmp_path):
    bench = Bench(qtbot, tmp_path)
    order = []
    save, close = bench.window.save, bench.link.close
    bench.window.save = lambda: (order.append(("save", bench.window.clock.running())), save())
    bench.link.close = lambda: (order.append(("close", bench.window.clock.running())), close())
    bench.window.close()
    bench.window.close()
    assert order == [("save", False), ("close", False)]
    assert bench.link.closed == 1
    assert json.loads(bench.path.read_text())["source"]["kind"] == "monitor"
    bench.window.save_soon()
    assert not bench.window._save_timer.isActive()


def test_two_windows_at_once(qtbot, tmp_path):
    one, two = Bench(qtbot, tmp_path), Bench(qtbot, tmp_path)
    one.feed()
    two.feed()
    one.window.looks.choose_theme("dark")
    two.window.looks.choose_theme("light")
    one.window.close()
    two.feed(8041.0)
    two.window.close()
    assert settings_file.load(tmp_path / "settings.json")[0].theme == "light"
    assert {entry.name for entry in tmp_path.iterdir()} == {"settings.json", "settings.json.lock"}


def test_a_picture_keeps_nothing(qtbot, tmp_path):
    window = Window(FakeLink(), Settings(cautions_read=True), Surroundings(None, pages_folder()))
    qtbot.addWidget(window)
    window.show()
    window.close()
    assert list(tmp_path.iterdir()) == []


def test_thirty_windows_leave_nothing(qtbot, tmp_path):
    meters = entries()
    alive = []
    for _ in range(30):
        window = Window(
            FakeLink(),
            Settings(source=LISTENED, cautions_read=True),
            Surroundings(None, pages_folder(), meters=meters),
        )
        window.show()
        window.clock.tick()
        window.close()
        alive.append(weakref.ref(window))
        window.deleteLater()
        del window
        QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    gc.collect()
    QApplication.processEvents()
    assert [ref for ref in alive if ref() is not None] == []
    assert QApplication.topLevelWidgets() == [] or not any(
        isinstance(widget, Window) for widget in QApplication.topLevelWidgets()
    )


@pytest.mark.parametrize(
    ("source", "title"),
    [
        (SourceChoice("file", "/music/mix.wav", {}, "/music/mix.wav"), "mix.wav"),
        (SourceChoice("file", "/music/mix.wav", {}, "take two"), "take two"),
        (SourceChoice("device", "Interface"), "Interface"),
        (SourceChoice("demo"), "demo"),
        (LISTENED, "what plays on Studio Out"),
    ],
)
def test_what_a_source_is_called(source, title):
    assert source_title(source) == title


def test_the_window_closed_last_keeps_the_calibration_of_the_other(qtbot, tmp_path):
    old = Calibration("monitor:Studio Out", 99.0, "2026-11-24", 79.0, "A", "band")
    settings_file.save(Settings(source=LISTENED, cautions_read=True, calibrations=[old]), tmp_path / "settings.json")
    first, second = (Bench(qtbot, tmp_path, settings_file.load(tmp_path / "settings.json")[0]) for _ in range(2))
    first.feed()
    first.window.seat.dialog.calibrated.emit(msgspec.structs.replace(old, offset_db=90.0))
    first.window.close()
    second.window.looks.choose_theme("light")
    second.window.close()
    kept = settings_file.load(tmp_path / "settings.json")[0]
    assert [entry.offset_db for entry in kept.calibrations] == [90.0]
    assert kept.theme == "light"


def test_what_the_faces_settle_on_goes_into_the_day_record(full):
    for second in range(8):
        full.feed(8040.0 + second, given={"mono_lows.loss_now": 0.1, "mono_lows.verdict": 2.0})
        full.window.settled._looked_at = -math.inf
    told = [words for name, *words in full.link.calls if name == "record"]
    assert any(
        kind == "verdict" and words.startswith("Low end in mono: ") and feed == "mix" for kind, words, feed in told
    )
    assert len({words for _, words, _ in told}) == len(told)

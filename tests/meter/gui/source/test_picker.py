"""The picker: what the listing child prints, what goes wrong with it, what is chosen."""

from __future__ import annotations

import json
import sys

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetrics

from meter import sound_lists
from meter.audio.monitor import DEFAULT_MONITOR
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX, font
from meter.gui.source.listing_process import SourceLister
from meter.gui.source.picker import EDGE_PX, NOTHING_FOUND, ROW_PX, TEXT_WIDTH_PX, Picker, _row_height
from meter.gui.source.source_list import (
    DEFAULT_OUTPUT,
    INPUTS,
    LESSER,
    PLAYING,
    Listing,
    SourceEntry,
    channel_choices,
    read_listing,
    source_title,
)
from meter.settings import SourceChoice

PLAINLY = {
    "sources": [
        {"kind": "monitor", "name": "a.monitor", "label": "what plays on Studio Out", "host_api": "PulseAudio",
         "channels": 2, "rate_hz": 48000, "loopback": True, "positions": ["L", "R"]},
        {"kind": "device", "name": "Interface", "label": "Interface", "host_api": "ALSA", "channels": 18,
         "rate_hz": 96000, "hint": "Has many channels."},
        {"kind": "device", "name": "pulse", "host_api": "ALSA", "channels": 32, "rate_hz": 44100, "lesser": True},
    ],
    "missing": ["PortAudio is not installed: sudo apt install libportaudio2, then start again."],
}  # fmt: skip


def encoded(plain):
    return json.dumps(plain).encode()


@pytest.fixture
def picker(qtbot):
    made = Picker(SourceLister([]))
    qtbot.addWidget(made)
    return made


def titles(picker):
    return [picker.list.item(row).text() for row in range(picker.list.count())]


def test_a_listing_comes_in_groups():
    groups = read_listing(encoded(PLAINLY)).groups()
    assert {heading: [entry.name for entry in entries] for heading, entries in groups.items()} == {
        PLAYING: ["a.monitor"], INPUTS: ["Interface"], LESSER: ["pulse"],
    }  # fmt: skip


def test_the_listing_of_the_sound_room_is_understood():
    """The other side of the same contract."""
    given = sound_lists.Listing(
        (sound_lists.SourceEntry("device", "x", "X", "ALSA", 2, 48000, "hint", True, True, ("L", "R")),), ("gone",)
    )
    found = read_listing(sound_lists.encode(given).encode())
    assert found.entries == (SourceEntry("device", "x", "X", "ALSA", 2, 48000, "hint", True, True, ("L", "R")),)
    assert found.sentences == ("gone",)


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"{}", b'{"sources": 1}', b"\xff", b"[" * 100_000], ids=range(7))
def test_a_garbled_listing_is_one_sentence(text):
    with pytest.raises(ValueError, match="rescan"):
        read_listing(text)


def test_entries_that_are_none_of_ours_are_left_out():
    good = {"kind": "device", "name": "x"}
    odd = [
        1,
        None,
        {},
        {"kind": "device"},
        {"kind": 1, "name": []},
        {**good, "channels": 10**9},
        {**good, "channels": -1},
    ]
    assert [entry.name for entry in read_listing(encoded({"sources": [*odd, good]})).entries] == ["x"]


def test_a_request_names_what_the_engine_needs():
    device = SourceEntry("device", "Interface", host_api="ALSA", channels=18)
    assert device.request((3, 4)) == {
        "kind": "device", "name": "Interface", "options": {"host_api": "ALSA", "channels": [3, 4]},
    }  # fmt: skip
    monitor = SourceEntry("monitor", "a.monitor", host_api="PulseAudio", channels=2)
    assert monitor.request() == {"kind": "monitor", "name": "a.monitor", "options": {}}


def test_requests_are_taken_by_the_sound_room():
    from meter.audio.options import channel_numbers
    from meter.audio.source import SourceRequest

    for _, numbers in channel_choices(18):
        plain = SourceEntry("device", "x", channels=18).request(numbers)
        request = SourceRequest(plain["kind"], plain["name"], plain["options"])
        assert channel_numbers(request, 18, 2) == numbers


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        (0, []),
        (2, []),
        (3, ["channels 1 and 2", "channel 3 alone", "all 3 channels"]),
        (4, ["channels 1 and 2", "channels 3 and 4", "all 4 channels"]),
    ],
)
def test_channel_choices(channels, words):
    assert [choice[0] for choice in channel_choices(channels)] == words


def test_channel_names_of_the_system_are_shown():
    assert channel_choices(4, ["L", "R", "Ls", "Rs"])[1] == ("channels 3 and 4: Ls, Rs", (3, 4))
    assert channel_choices(4, ["L"])[1] == ("channels 3 and 4", (3, 4))
    assert not any(words.startswith("all") for words, _ in channel_choices(33))


def test_lesser_ways_stand_behind_more(picker):
    picker.show_listing(read_listing(encoded(PLAINLY)))
    assert "pulse" not in titles(picker)
    assert not picker.lesser.isHidden()
    picker.lesser.click()
    assert "pulse" in titles(picker)


def test_sentences_of_what_is_missing_are_shown(picker):
    picker.show_listing(read_listing(encoded(PLAINLY)))
    assert "libportaudio2" in picker.hints.text()
    picker.list.setCurrentRow(3)
    assert "Has many channels." in picker.hints.text()
    assert "libportaudio2" in picker.hints.text()


def test_an_empty_machine_is_told_what_to_do(picker):
    picker.show_listing(Listing())
    assert NOTHING_FOUND in picker.hints.text()
    assert not picker.listen.isEnabled()
    assert picker.open_file.isEnabled()
    assert picker.demo.isEnabled()


def test_a_pair_is_chosen_and_return_listens(picker, qtbot):
    picker.show_listing(read_listing(encoded(PLAINLY)))
    picker.list.setCurrentRow(3)
    assert picker.channels.count() == 10
    picker.channels.setCurrentIndex(1)
    with qtbot.waitSignal(picker.chosen) as heard:
        qtbot.keyClick(picker.list, Qt.Key.Key_Return)
    assert heard.args == [
        {"kind": "device", "name": "Interface", "options": {"host_api": "ALSA", "channels": [3, 4]}}, "Interface",
    ]  # fmt: skip


def test_the_source_in_use_is_selected_with_its_channels(picker, qtbot):
    picker.show_listing(read_listing(encoded(PLAINLY)))
    current = {"kind": "device", "name": "Interface", "options": {"host_api": "ALSA", "channels": [5, 6]}}
    picker.list.setCurrentRow(-1)
    picker.pop_up(picker, current)
    assert picker.list.currentItem().text() == "Interface"
    assert picker.channels.currentData() == (5, 6)
    picker.hide()


def test_the_demo_and_a_file(picker, qtbot, tmp_path):
    with qtbot.waitSignal(picker.chosen) as heard:
        picker.demo.click()
    assert heard.args[0]["kind"] == "demo"
    with qtbot.waitSignal(picker.chosen) as heard:
        picker.take_file(tmp_path / "mix.wav")
    assert heard.args == [{"kind": "file", "name": str(tmp_path / "mix.wav"), "options": {}}, "mix.wav"]


def test_a_heading_is_not_a_source(picker):
    picker.show_listing(read_listing(encoded(PLAINLY)))
    assert picker.list.item(0).flags() == Qt.ItemFlag.NoItemFlags
    picker.list.setCurrentRow(0)
    assert not picker.listen.isEnabled()


def child(text):
    return [sys.executable, "-S", "-c", text]


def heard_from(qtbot, lister):
    said = []
    lister.listed.connect(said.append)
    lister.failed.connect(said.append)
    lister.start()
    qtbot.waitUntil(lambda: bool(said), timeout=10_000)
    assert not lister.busy
    return said[0]


def test_the_child_is_read(qtbot):
    listing = heard_from(qtbot, SourceLister(child(f"print({json.dumps(PLAINLY)!r})")))
    assert [entry.name for entry in listing.entries] == ["a.monitor", "Interface", "pulse"]


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ([], "without a way to list"),
        (["/does/not/exist"], "could not be started"),
        (child("import sys; sys.exit('PortAudio is broken')"), "PortAudio is broken"),
        (child("import os; os.abort()"), "crashed"),
        (child("print('hello')"), "garbled"),
    ],
    ids=["none", "missing", "exit", "crash", "garbled"],
)
def test_a_child_that_fails_is_one_sentence(qtbot, command, words):
    assert words in heard_from(qtbot, SourceLister(command))


def test_a_child_that_hangs_is_ended(qtbot):
    lister = SourceLister(child("import time; time.sleep(60)"), limit_ms=300)
    assert "took too long" in heard_from(qtbot, lister)


def test_a_stopped_lister_says_nothing(qtbot):
    said = []
    lister = SourceLister(child("import time; time.sleep(60)"))
    lister.listed.connect(said.append)
    lister.failed.connect(said.append)
    lister.start()
    lister.start()
    lister.stop()
    lister.stop()
    qtbot.wait(20)
    assert said == []
    assert not lister.busy


def test_rescan_keeps_the_list_until_the_answer(picker):
    picker.show_listing(read_listing(encoded(PLAINLY)))
    before = titles(picker)
    picker.rescan.click()  # no command: fails at once
    assert titles(picker) == before
    assert "without a way to list" in picker.hints.text()
    assert picker.rescan.isEnabled()


# What a source is called

STEREO = "Built-in Audio Analog Stereo"
LONG = "Family 17h (Models 10h-1fh) High Definition Audio Controller, Digital Stereo (HDMI 2), monitor on the left"


def entry(label, name="x.monitor", **more):
    return SourceEntry("monitor", name, label, "PulseAudio", 2, 48_000, loopback=True, **more)


def test_a_heading_is_not_said_again_under_it(picker):
    picker.show_listing(Listing((entry("the default output", "@DEFAULT_MONITOR@", now=STEREO), entry(STEREO))))
    assert titles(picker) == [PLAYING, f"the default output, now {STEREO}", STEREO]
    assert [item.title for item in picker._listing.entries] == [
        "what plays on the default output", f"what plays on {STEREO}",
    ]  # fmt: skip
    assert entry(STEREO).detail == "48 kHz  ·  2 channels", "one sound server needs no name"


@pytest.mark.parametrize("label", [STEREO, f"{STEREO} of the second card", LONG], ids=["short", "medium", "long"])
def test_no_name_is_cut_in_the_list(picker, label):
    """What is painted is what a row of its own, painted without a limit, has room for."""
    one = entry(label)
    high = _row_height(one)
    names, details = QFontMetrics(font(TEXT_PX)), QFontMetrics(font(SUBTITLE_PX))
    wide = names.horizontalAdvance(label)
    beside = high == ROW_PX
    assert beside == (wide + details.horizontalAdvance(one.detail) + EDGE_PX <= TEXT_WIDTH_PX)
    if not beside:
        lines = -(-wide // TEXT_WIDTH_PX)
        assert high >= lines * names.lineSpacing() + details.lineSpacing()
    picker.show_listing(Listing((one,)))
    picker.show()
    assert picker.list.visualItemRect(picker.list.item(1)).height() == high
    assert picker.list.viewport().width() >= TEXT_WIDTH_PX + 2 * EDGE_PX
    picker.hide()


@pytest.mark.parametrize(
    ("choice", "title"),
    [
        (SourceChoice("monitor", "a.monitor", {}, "What is playing on Studio Out"), "what plays on Studio Out"),
        (
            SourceChoice("monitor", DEFAULT_MONITOR, {}, "What is playing on A, following the default output"),
            "what plays on the default output",
        ),
        (SourceChoice("device", "Interface", {}, ""), "Interface"),
        (SourceChoice("file", "/music/mix.wav", {}, "/music/mix.wav"), "mix.wav"),
    ],
)
def test_a_kept_source_is_called_as_a_chosen_one(choice, title):
    """Names that earlier versions kept among them; what the default output was then is not told as now."""
    assert source_title(choice) == title


def test_the_follower_of_the_default_output_has_one_name_on_both_sides():
    assert DEFAULT_OUTPUT == DEFAULT_MONITOR

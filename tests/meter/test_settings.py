"""Settings: what is kept comes back, what is broken is kept aside, nothing is half written."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import msgspec
import pytest

from meter import settings as settings_file
from meter.feeds import feed_map, write_feed_map
from meter.settings import (
    HEADPHONES,
    LOUDSPEAKERS,
    MAX_FILE_BYTES,
    VERSION,
    Calibration,
    MonitorSetting,
    MonitorState,
    Settings,
    SourceChoice,
)
from meter.whole_file import ASIDE_SUFFIX

SEAT = Calibration("monitor:Studio Out", 99.4, "2026-11-25", 79.5, "C", "band")


def full() -> Settings:
    return Settings(
        source=SourceChoice("device", "Interface", {"host_api": "ALSA", "channels": [3, 4]}, "Interface"),
        theme="light",
        always_on_top=True,
        cautions_read=True,
        meters={"vu": {"alignment_dbfs": -20.0, "movement": "ppm_1"}, "listening": {"rule": "none"}},
        calibrations=[SEAT],
        width=1000,
        height=700,
    )


def test_what_is_saved_comes_back(tmp_path):
    path = tmp_path / "deep" / "settings.json"
    assert settings_file.save(full(), path) == ""
    assert settings_file.load(path) == (full(), "")
    assert [entry.name for entry in path.parent.iterdir()] == ["settings.json"]


@pytest.mark.skipif(sys.platform == "win32", reason="no such permissions there")
def test_only_the_owner_reads_it(tmp_path):
    path = tmp_path / "settings.json"
    settings_file.save(full(), path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_no_file_is_a_first_start(tmp_path):
    assert settings_file.load(tmp_path / "settings.json") == (Settings(), "")


@pytest.mark.parametrize(
    "text",
    [b"", b"{", b"[]", b'{"width": "wide"}', b"\xff\xfe\x00", b'{"calibrations": [1]}', b"[" * 200_000],
    ids=["empty", "cut off", "a list", "wrong type", "not text", "wrong entry", "deep"],
)
def test_a_broken_file_is_kept_aside_and_said(tmp_path, text):
    path = tmp_path / "settings.json"
    path.write_bytes(text)
    found, sentence = settings_file.load(path)
    assert found == Settings()
    assert sentence.count("settings.json" + ASIDE_SUFFIX) == 1
    assert (tmp_path / f"settings.json{ASIDE_SUFFIX}").read_bytes() == text
    assert not path.exists()


@pytest.mark.parametrize(
    "plain",
    [
        {"width": 2**63},
        {"width": 2**31, "height": 700},
        {"height": -1},
        {"source": {"kind": "file", "name": "/songs/\0.wav"}},
        {"source": {"kind": "device", "options": {"host_api": "\0"}}},
        {"feed_maps": {"device x": "/jobs/\0.toml"}},
        {"meters": {"listening": {"person": "\0"}}},
        {"calibrations": [msgspec.to_builtins(SEAT) | {"offset_db": 1e300}]},
    ],
    ids=str,
)
def test_values_that_no_window_or_system_takes_are_kept_aside(tmp_path, plain):
    path = tmp_path / "settings.json"
    path.write_bytes(msgspec.json.encode(plain))
    found, sentence = settings_file.load(path)
    assert found == Settings()
    assert "is kept as settings.json" + ASIDE_SUFFIX in sentence
    assert msgspec.json.decode((tmp_path / f"settings.json{ASIDE_SUFFIX}").read_bytes()) == plain


def test_a_second_broken_file_does_not_replace_the_first(tmp_path):
    path = tmp_path / "settings.json"
    for text in ("first", "second"):
        path.write_text(text)
        settings_file.load(path)
    assert (tmp_path / f"settings.json{ASIDE_SUFFIX}").read_text() == "first"
    assert (tmp_path / f"settings.json{ASIDE_SUFFIX}-2").read_text() == "second"


def test_a_newer_file_is_kept_aside(tmp_path):
    path = tmp_path / "settings.json"
    path.write_bytes(msgspec.json.encode({"version": VERSION + 1}))
    _, sentence = settings_file.load(path)
    assert "newer version" in sentence


def test_a_huge_file_is_not_read(tmp_path):
    path = tmp_path / "settings.json"
    with path.open("wb") as file:
        file.truncate(MAX_FILE_BYTES + 1)
    assert "too large" in settings_file.load(path)[1]


def test_unknown_keys_are_ignored_and_a_strange_theme_becomes_the_usual_one(tmp_path):
    path = tmp_path / "settings.json"
    path.write_bytes(b'{"theme": "neon", "colour_of_the_knobs": 3, "width": 900}')
    found, sentence = settings_file.load(path)
    assert (found.theme, found.width, sentence) == ("system", 900, "")


def test_a_folder_in_the_way_is_a_sentence(tmp_path):
    (tmp_path / "settings.json").mkdir()
    assert "no file" in settings_file.save(full(), tmp_path / "settings.json")
    (tmp_path / "file").write_text("")
    assert "cannot be saved" in settings_file.save(full(), tmp_path / "file" / "settings.json")


def test_never_written_over_a_device():
    before = Path(os.devnull).stat().st_rdev
    assert "no file" in settings_file.save(full(), Path(os.devnull))
    assert Path(os.devnull).stat().st_rdev == before


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "settings.json"
    settings_file.save(full(), path)

    def fail(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    assert "No space left" in settings_file.save(Settings(), path)
    assert settings_file.load(path)[0] == full()
    assert [entry.name for entry in tmp_path.iterdir()] == ["settings.json"]


def test_one_calibration_for_each_source():
    kept = Settings()
    kept.keep_calibration(SEAT)
    newer = msgspec.structs.replace(SEAT, offset_db=101.0)
    other = msgspec.structs.replace(SEAT, source="device:Interface")
    kept.keep_calibration(newer)
    kept.keep_calibration(other)
    assert kept.calibrations_for(SEAT.source, LOUDSPEAKERS) == [newer]
    kept.forget_calibrations(SEAT.source, LOUDSPEAKERS)
    assert kept.calibrations == [other]
    assert kept.calibrations_for(SEAT.source, LOUDSPEAKERS) == []


def test_calibrations_stand_apart_by_setting_and_by_what_is_listened_on():
    kept = Settings()
    quiet = msgspec.structs.replace(SEAT, setting="−20")
    phones = msgspec.structs.replace(SEAT, heard_on=HEADPHONES)
    for entry in (SEAT, quiet, phones):
        kept.keep_calibration(entry)
    assert kept.calibrations_for(SEAT.source, LOUDSPEAKERS) == [SEAT, quiet]
    kept.forget_calibrations(SEAT.source, LOUDSPEAKERS)
    assert kept.calibrations == [phones]


def test_settings_of_the_control_and_where_it_stands_are_kept(tmp_path):
    kept = Settings()
    assert kept.state_of("monitor:A") == MonitorState("monitor:A", LOUDSPEAKERS, "full")
    kept.keep_state(MonitorState("monitor:A", HEADPHONES, "−10"))
    kept.keep_state(MonitorState("monitor:A", HEADPHONES, "late"))
    for change in (-14.0, -15.0):
        kept.keep_monitor_setting(MonitorSetting("monitor:A", HEADPHONES, "late", change))
    settings_file.save(kept, tmp_path / "settings.json")
    back = settings_file.load(tmp_path / "settings.json")[0]
    assert back.state_of("monitor:A").setting == "late"
    assert back.changes_of("monitor:A", HEADPHONES) == {"full": 0.0, "−10": -10.0, "−20": -20.0, "late": -15.0}
    assert "late" not in back.changes_of("monitor:A", LOUDSPEAKERS)
    assert "late" not in back.changes_of("monitor:B", HEADPHONES)


def test_a_calibration_of_an_older_file_is_taken_as_less_sure(tmp_path):
    path = tmp_path / "settings.json"
    old = '{"source": "monitor:A", "offset_db": 99.0, "measured_on": "2026-11-01", "typed_db": 79.0, '
    path.write_text('{"calibrations": [' + old + '"weighting": "A", "noise": "band"}]}')
    (entry,) = settings_file.load(path)[0].calibrations
    assert (entry.heard_on, entry.setting, entry.doubt_db) == (LOUDSPEAKERS, "full", 6.0)


def test_the_file_lies_in_the_configuration_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    path = settings_file.settings_path()
    assert path.name == "settings.json"
    assert "earwitness" in path.parts


DESK = SourceChoice("device", "desk", {"channels": [1, 2, 5]})


def test_a_source_keeps_its_feed_map(tmp_path):
    path = tmp_path / "song.toml"
    write_feed_map(feed_map("song", [1, 2], {"kick": [5]}), path)
    kept = Settings(feed_maps={settings_file.source_key(DESK): str(path)})
    settings_file.save(kept, tmp_path / "settings.json")
    back = settings_file.load(tmp_path / "settings.json")[0]
    feeds, columns, sentence = settings_file.kept_feeds(back, DESK)
    assert feeds.name == "song"
    assert columns == {"mix": (0, 1), "part kick": (2,)}
    assert sentence == ""
    assert settings_file.kept_feeds(back, SourceChoice("device", "other")) == (None, None, "")
    assert settings_file.kept_feeds(back, None) == (None, None, "")


@pytest.mark.parametrize("options", [{"channels": [1, 2]}, {"channels": ["1"]}, {"channels": [None, 5]}])
def test_a_feed_map_that_does_not_fit_what_is_taken_is_told(tmp_path, options):
    path = tmp_path / "song.toml"
    write_feed_map(feed_map("song", [1, 2], {"kick": [5]}), path)
    source = SourceChoice("device", "desk", options)
    kept = Settings(feed_maps={settings_file.source_key(source): str(path)})
    feeds, columns, sentence = settings_file.kept_feeds(kept, source)
    assert (feeds, columns) == (None, None)
    assert "not taken from the source" in sentence


@pytest.mark.parametrize(
    ("kind", "options", "taken"),
    [
        ("device", {}, [1, 2, 5]),
        ("device", {"host_api": "ALSA"}, [1, 2, 5]),
        ("device", {"channels": [3, 4]}, [3, 4]),
        ("monitor", {}, [1, 2, 5]),
        ("file", {}, None),
    ],
)
def test_a_source_is_asked_for_the_channels_of_its_map(tmp_path, kind, options, taken):
    """Where the choice names none; a file and the demo give all they have."""
    path = tmp_path / "song.toml"
    write_feed_map(feed_map("song", [1, 2], {"kick": [5]}), path)
    source = SourceChoice(kind, "desk", options, "the desk")
    kept = Settings(feed_maps={settings_file.source_key(source): str(path)})
    found = settings_file.with_map_channels(kept, source)
    assert found.options.get("channels") == taken
    assert (found.kind, found.name, found.label) == (kind, "desk", "the desk")
    assert settings_file.with_map_channels(Settings(), source) == source
    path.unlink()
    assert settings_file.with_map_channels(kept, source) == source


def test_options_that_are_no_list_take_the_usual_channels(tmp_path):
    assert settings_file.taken_channels({"channels": "12"}) == ()
    assert settings_file.taken_channels({}) == ()
    assert settings_file.jobs_folder().name == "jobs"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_no_settings_file_and_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "settings.json"
    os.mkfifo(path)
    found, sentence = settings_file.load(path)
    assert found == Settings()
    assert "not an ordinary file" in sentence
    assert path.exists()

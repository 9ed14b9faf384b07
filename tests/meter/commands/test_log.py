"""`earwitness log`: a day's figures and events, a job and a time by name, CSV that adds up to the same figures."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from meter.commands.log import _time_of
from meter.commands.log_csv import column_names
from meter.exposure_rules import default_rule
from meter.logbook.day_record import day_path, record_folder
from tests.support.command_line import Command, rows_of
from tests.support.recorded import MORNING, DayFile, figures_of_a_mix, invented_day

run, as_json = Command("log").run, Command("log").as_json
DAY = "2026-11-28"
SONG = "an invented song"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("COLUMNS", "200")
    yield tmp_path
    monkeypatch.undo()
    time.tzset()


def test_without_a_record_one_sentence_says_how_to_get_one(capsys: pytest.CaptureFixture[str]) -> None:
    said = run(capsys, code=1)
    assert "Nothing is recorded yet" in said
    assert "open it" in said
    assert said.count("\n") == 1


def test_the_last_day_is_shown_with_figures_events_and_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    invented_day(day_path(SONG, "2026-11-27"), 0.1, first=MORNING - 86_400)
    invented_day(day_path(SONG, DAY), 0.1, ("mix", "part drums"))
    text = run(capsys)
    assert f"Job “{SONG}”, Saturday 28 November 2026, 09:00:00 to 09:06:00" in text
    assert "gaps: 1, 18.0 s together" in text
    assert "Loudness: short-term, 3 s" in text
    assert "drums" in text
    assert "mark 3" in text
    assert "over +0.4 dBTP" in text
    assert "estimate:" in text
    assert "audiologist" in text


def test_json_has_numbers_and_a_reason_for_each_null(capsys: pytest.CaptureFixture[str]) -> None:
    file = DayFile(day_path(SONG, DAY))
    figures = figures_of_a_mix(30)
    figures[:, 14:] = math.nan
    figures[3, 1] = -math.inf
    file.seconds(file.series(file.segment()), MORNING + np.arange(30), figures)
    found = as_json(capsys)
    mix = found["feeds"]["mix"]
    assert mix["seconds"] == 30
    assert mix["figures"]["loudness.short_term_lufs"]["lowest"] is None
    assert found["why"]["feeds.mix.loudness.short_term_lufs.lowest"] == "silence"
    assert found["listening"] == {
        "estimate": True, "rule": default_rule().name, "hours": 0.0, "level_dba": None, "share_percent": None,
    }  # fmt: skip
    assert "not calibrated" in found["why"]["listening.level_dba"]
    assert found["first_utc"] == "2026-11-28T09:00:00Z"
    assert "notes" not in found


def test_csv_adds_up_to_the_same_loudness_and_exposure(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    # The sums are made here from the cells alone: gating of BS.1770-5 Annex 1, equal energy of the chosen rule.
    invented_day(day_path(SONG, DAY), 0.5, ("mix", "part drums"))
    told = as_json(capsys)
    said = run(capsys, "--csv", str(tmp_path / "day.csv"))
    assert "3,420 rows" in said
    rows = [row for row in rows_of(tmp_path / "day.csv") if row["feed"] == "mix"]
    assert len(rows) == told["feeds"]["mix"]["seconds"] == 1710
    blocks = np.array([float(row[f"loudness.blocks_{number}_lufs"]) for row in rows for number in range(1, 11)])
    above = blocks[blocks > -70.0]
    gate = 10.0 * np.log10(np.mean(10.0 ** (above / 10.0))) - 10.0
    loudness = 10.0 * np.log10(np.mean(10.0 ** (above[above > gate] / 10.0)))
    assert told["feeds"]["mix"]["integrated_lufs"] == pytest.approx(loudness, abs=1e-3)
    levels = np.array([float(row["listening.seat_second_dba"]) for row in rows])
    rule = default_rule()  # its exchange rate is exact equal energy
    seconds = rule.criterion_hours * 3600.0 * 10.0 ** ((rule.criterion_db - levels) / 10.0)
    assert told["listening"]["share_percent"] == pytest.approx(float(np.sum(100.0 / seconds)), abs=0.051)
    assert told["listening"]["level_dba"] == pytest.approx(
        10.0 * np.log10(np.mean(10.0 ** (levels / 10.0))), abs=0.051
    )


def test_csv_files_are_private_and_hold_all_events(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = DayFile(day_path(SONG, DAY))
    file.seconds(file.series(file.segment()), MORNING + np.arange(3), figures_of_a_mix(3))
    file.event(MORNING + 1.5, "pass", '=HYPERLINK("x"), quoted', 1.25, figures={"loudness.integrated": -14.25})
    run(capsys, "--csv", str(tmp_path / "day.csv"))
    (event,) = rows_of(tmp_path / "day-events.csv")
    assert event["words"] == '\'=HYPERLINK("x"), quoted'  # a spreadsheet takes no name for a formula
    assert event["seconds"] == "1.250"
    assert event["figures"] == "loudness.integrated -14.25"
    for name in ("day.csv", "day-events.csv"):
        assert (tmp_path / name).stat().st_mode & 0o077 == 0


def test_figures_that_only_one_feed_has_are_empty_elsewhere(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = DayFile(day_path(SONG, DAY))
    segment = file.segment()
    file.seconds(file.series(segment, "mix", (("vu.now", "VU", 1),)), [MORNING], np.float32([[2.5]]))
    file.seconds(file.series(segment, "part a,b", (("vu_2.now", "VU", 1),)), [MORNING], np.float32([[-math.inf]]))
    run(capsys, "--csv", str(tmp_path / "day.csv"))
    first, second = rows_of(tmp_path / "day.csv")
    assert (first["vu.now_vu"], first["vu_2.now_vu"]) == ("2.5", "")
    assert (second["feed"], second["vu.now_vu"], second["vu_2.now_vu"]) == ("part a,b", "", "-inf")


def test_columns_of_several_values_are_numbered() -> None:
    assert column_names((("peaks.true", "dBTP", 2), ("stereo.correlation", "", 1))) == [
        "peaks.true_1_dbtp",
        "peaks.true_2_dbtp",
        "stereo.correlation",
    ]


def test_an_export_overwrites_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    invented_day(day_path(SONG, DAY), 0.01)
    (tmp_path / "day.csv").write_text("mine")
    assert "is there already" in run(capsys, "--csv", str(tmp_path / "day.csv"), code=2)
    assert (tmp_path / "day.csv").read_text() == "mine"
    (tmp_path / "other-events.csv").write_text("mine")
    assert "is there already" in run(capsys, "--csv", str(tmp_path / "other.csv"), code=2)
    assert not (tmp_path / "other.csv").exists()
    assert "cannot be written" in run(capsys, "--csv", str(tmp_path / "no" / "day.csv"), code=2)


def test_a_time_without_rows_makes_no_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    invented_day(day_path(SONG, DAY), 0.01)
    words = ("--since", "2026-11-28 20:00", "--csv", str(tmp_path / "day.csv"))
    assert "Nothing was recorded in this time" in run(capsys, *words, code=1)
    assert list(tmp_path.glob("*.csv")) == []
    assert "nothing was measured since" in run(capsys, "--since", "2026-11-28 20:00")


def test_a_job_is_found_by_a_part_of_its_name(capsys: pytest.CaptureFixture[str]) -> None:
    for name, day in (("first song", "2026-11-26"), ("second song", "2026-11-27")):
        file = DayFile(day_path(name, day))
        file.seconds(file.series(file.segment()), [MORNING], figures_of_a_mix(1))
        file.run(f"UPDATE segment SET job = '{name}'")
    assert "Job “second song”" in run(capsys)
    assert "Job “first song”" in run(capsys, "--job", "FIRST")
    both = run(capsys, "--job", "song", code=2)
    assert "first song, last on 2026-11-26" in both
    assert "second song" in both
    assert "no record of a job called “third”" in run(capsys, "--job", "third", code=2)


def test_since_takes_more_than_one_day(capsys: pytest.CaptureFixture[str]) -> None:
    for day in (27, 28):
        invented_day(day_path(SONG, f"2026-11-{day}"), 0.01, first=MORNING + (day - 28) * 86_400)
    text = run(capsys, "--since", "2026-11-27 09:00")
    assert "Friday 27 November 2026, 09:00:00 to Saturday 28 November 2026, 09:00:36" in text


@pytest.mark.parametrize(
    ("words", "ago"),
    [("2h", 7200.0), ("90m", 5400.0), ("1d", 86_400.0), ("08:30", 1800.0), ("2026-11-28", 32_400.0),
     ("2026-11-28T08:00", 3600.0), ("2026-11-27 09:00", 86_400.0)],
)  # fmt: skip
def test_times_are_read_as_a_person_writes_them(words: str, ago: float) -> None:
    assert _time_of(words, MORNING) == MORNING - ago


@pytest.mark.parametrize("words", ["", "yesterday", "25:00", "2026-13-01", "٣h", "-2h", "9" * 40 + "d", "0000-01-01"])
def test_what_is_no_time_is_told(capsys: pytest.CaptureFixture[str], words: str) -> None:
    invented_day(day_path(SONG, DAY), 0.01)
    said = run(capsys, f"--since={words}", code=2)
    assert "is no time; write one like" in said


def test_a_damaged_day_is_told_and_the_others_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    invented_day(day_path(SONG, "2026-11-27"), 0.01, first=MORNING - 86_400)
    day_path(SONG, DAY).write_bytes(b"no database" * 100)
    text = run(capsys, "--since", "2026-11-27")
    assert "2026-11-28.sqlite3 could not be read whole" in text
    assert "mark 8" in text


def test_strange_files_beside_the_days_are_left_alone(capsys: pytest.CaptureFixture[str]) -> None:
    invented_day(day_path(SONG, DAY), 0.01)
    (record_folder() / "words.txt").write_text("mine")
    (record_folder() / "loop").symlink_to(record_folder())
    day_path(SONG, "2026-11-29").mkdir()
    for name in (f"{DAY}.sqlite3.damaged", f"{DAY}.sqlite3.backup-version-1", "note.sqlite3"):
        (day_path(SONG, DAY).parent / name).write_text("mine")
    assert "mark 8" in run(capsys, "--since", DAY)


@pytest.mark.parametrize("letter", [b"NO\xe0L", b"N\xffLL"])
def test_tables_that_are_no_text_are_told_by_no_traceback(capsys: pytest.CaptureFixture[str], letter: bytes) -> None:
    # SQLite's own message then holds bytes that are no text, which Python raises as another error.
    path = invented_day(day_path(SONG, DAY), 0.01)
    content = path.read_bytes()
    assert content.count(b"NOT NULL") > 4
    path.write_bytes(content.replace(b"NOT NULL", b"NOT " + letter))
    text = run(capsys, "--since", DAY)
    assert f"{DAY}.sqlite3 could not be read whole" in text


def test_absurd_figures_stop_nothing(capsys: pytest.CaptureFixture[str], recwarn: pytest.WarningsRecorder) -> None:
    file = DayFile(day_path(SONG, DAY))
    rows = np.full((3, 17), 3e38, dtype=np.float32)
    rows[1] = -3e38
    rows[2] = np.frombuffer(b"\x01\x00\xa0\x7f" * 17, dtype=np.float32)  # signalling NaN
    file.seconds(file.series(file.segment()), MORNING + np.arange(3), rows)
    found = as_json(capsys)
    assert found["feeds"]["mix"]["seconds"] == 3
    assert [str(warning.message) for warning in recwarn if warning.category is RuntimeWarning] == []

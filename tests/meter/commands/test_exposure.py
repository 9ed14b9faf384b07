"""`earwitness exposure`: figures with their rule and their doubt, reasons in place of figures, export, forgetting."""

from __future__ import annotations

import errno
import io
import math
import os
import re
import sqlite3
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from meter import settings as settings_file
from meter.commands import exposure
from meter.commands.exposure_tables import CAUTIONS, JSON_KEYS, decibels, duration, percent
from meter.exposure_rules import default_rule, load_rules
from meter.logbook.clock import SittingClock
from meter.logbook.day_record import day_path, record_folder
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.store import logbook_path, open_store
from tests.support.command_line import Command, rows_of
from tests.support.ledgers import HOUR, NIOSH
from tests.support.recorded import DayFile, figures_of_a_mix

run, as_json = Command("exposure").run, Command("exposure").as_json
NUMBERS = {*JSON_KEYS.values(), "time_left_hours"}
NIOSH_WORDS = NIOSH.name


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A user of whom nothing is known, at a place where it is afternoon: what was just heard is all of today."""
    monkeypatch.setenv("TZ", f"HERE{time.gmtime().tm_hour - 14:+d}")
    time.tzset()
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setattr("sys.stdin", io.StringIO())
    yield tmp_path
    monkeypatch.undo()
    time.tzset()


def listen(stretches: Sequence[tuple[float | None, float]], person: str = "me", until: float | None = None) -> None:
    """Levels, each for its hours, up to now; None is a gap."""
    end = time.time() if until is None else until
    begin = end - sum(hours for _level, hours in stretches) * HOUR
    clock = SittingClock(lambda: begin, lambda: 0.0)
    ledger = ExposureRecord(open_store(logbook_path()), clock)
    ledger.begin_sitting(person)
    second = int(begin)
    for level, hours in stretches:
        for _ in range(round(hours * HOUR)):
            if level is not None:
                ledger.add_second(second, level, level + 18.0)
            second += 1
    ledger.close()


def choose(**settings: Any) -> None:
    """What was chosen in the window."""
    kept = settings_file.Settings(meters={"listening": settings})
    assert settings_file.save(kept, settings_file.settings_path()) == ""


# Nothing known


def test_without_a_calibration_every_number_is_null_with_a_reason(capsys: pytest.CaptureFixture[str]) -> None:
    found = as_json(capsys)
    assert found.keys() >= NUMBERS
    assert all(found[key] is None for key in NUMBERS)
    assert found["why"].keys() == NUMBERS
    assert all(reason.startswith("not calibrated") for reason in found["why"].values())
    assert (found["days"], found["gaps"]) == ([], [])


def test_without_a_calibration_there_is_no_figure_in_the_words_either(capsys: pytest.CaptureFixture[str]) -> None:
    said = run(capsys, "--week")
    table = said[said.index(default_rule().name) + len(default_rule().name) : said.index(default_rule().caution)]
    assert "Not calibrated" in table
    assert not re.search(r"\d", table)


def test_looking_makes_no_file(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    run(capsys)
    assert not (home / "data").exists()


# Something known


def test_every_share_has_its_rule_beside_it_and_is_called_an_estimate(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(88.0, 1.0)])
    said = run(capsys, "--rule", "niosh")
    for line in said.splitlines():
        if re.search(r"\d %|left at|same share", line):
            assert NIOSH_WORDS in line
    assert "estimate ±3 dB" in said
    assert all(caution in said.replace("\n", " ") or caution in said for caution in CAUTIONS)
    assert load_rules()[NIOSH_WORDS].caution in said
    assert "audiologist" in said
    assert "safe" not in said.lower().replace("safe listening devices", "")


def test_whole_per_cent_whole_decibels_whole_minutes(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(88.04, 1.0)])
    said = run(capsys, "--rule", "niosh")
    assert "25 % of the day's allowance" in said
    assert "5 % of 5 days' allowance" in said
    assert "last minute" in said
    assert "88 dB(A): about 50 min to 5 h left at this level" in said
    assert said.count("left at this level") == 1, "one answer, not one for each average"
    assert "106 dB(C), no check of any peak limit" in said
    assert not re.search(r"\d\.\d+ (dB|%|h)", said), "no tenths of what is known to 3 dB"


def test_json_gives_numbers_with_their_unit_in_the_last_word(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(88.0, 1.0)])
    found = as_json(capsys, "--rule", "NIOSH 98-126")
    assert found["rule"] == NIOSH_WORDS
    assert found["share_percent"] == found["share_today_percent"] == pytest.approx(25.0, abs=0.1)
    assert found["heard_today_hours"] == pytest.approx(1.0, abs=0.01)
    assert found["level_8h_today_dba"] == pytest.approx(79.0, abs=0.1)
    # 3 dB up: half of the allowance is used, 1 h left; 3 dB down: an eighth is used, 7 h left.
    assert found["time_left_hours"] == {"low": 1.0, "high": 7.0}
    assert "about 1 to 7 h left at this level" in run(capsys, "--rule", "niosh"), "the same as in the table"
    assert found["highest_peak_today_dbc"] == 106.0
    assert found["estimate"] == "estimate ±3 dB"
    assert found["cautions"][1:] == list(CAUTIONS)
    assert "why" not in found
    (day,) = found["days"]
    assert day["share_percent"] == pytest.approx(25.0, abs=0.1)


def test_a_level_that_is_not_counted_leaves_words_and_null(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(60.0, 0.3)])
    found = as_json(capsys, "--rule", "niosh")
    assert found["time_left_hours"] is None
    assert found["why"]["time_left_hours"] == "more than a week at this level"
    assert "60 dB(A): more than a week at this level within the rule" in run(capsys, "--rule", "niosh")


def test_a_used_up_allowance_and_silence_have_words(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(110.0, 0.3)])
    assert "the allowance is used up" in run(capsys)
    listen([(-math.inf, 0.02)], person="Ada")
    said = run(capsys, "--person", "Ada")
    assert "silence, which uses nothing up" in said
    assert as_json(capsys, "--person", "Ada")["last_minute_dba"] is None


def test_the_week_day_by_day(capsys: pytest.CaptureFixture[str]) -> None:
    for days in (3, 2, 0):
        listen([(80.0, 0.5)], until=time.time() - days * 86_400)
    said = run(capsys, "--week")
    assert len(re.findall(r"^\w+day \d+ \w+ \d{4}", said, re.MULTILINE)) == len(as_json(capsys)["days"]) == 3
    assert len(re.findall("estimate", said)) >= 3


def test_gaps_are_listed_and_counted_by_choice(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(85.0, 0.5), (None, 0.25), (85.0, 0.5)])
    said = run(capsys, "--rule", "adults")
    assert "Unheard time (not counted):" in said
    assert "(15 min), 85 dB(A) before" in said
    plain = as_json(capsys, "--rule", "adults")
    assert plain["gaps_counted"] is False
    assert plain["gaps"][0]["level_before_dba"] == 85.0
    assert plain["gaps"][0]["counted_minutes"] == 15.0
    choose(count_gaps=True)
    assert "counted at the level before, 1 h 00 min of each at most" in run(capsys)
    counted = as_json(capsys, "--rule", "adults")
    assert counted["share_week_percent"] == pytest.approx(1.25 * plain["share_week_percent"], abs=0.1)


def test_a_sitting_that_never_ended_is_a_gap_without_an_end(capsys: pytest.CaptureFixture[str]) -> None:
    clock = SittingClock(lambda: time.time() - 600, lambda: 0.0)
    ledger = ExposureRecord(open_store(logbook_path()), clock)
    ledger.begin_sitting("me")
    ledger.add_second(int(clock.now()), 80.0)
    ledger.flush()
    assert re.search(r"since \w+day \d+ \w+ \d{4}, \d\d:\d\d, 80 dB\(A\) before", run(capsys))
    assert as_json(capsys)["gaps"][0]["end"] is None
    ledger._connection.close()


def test_the_doubt_is_that_of_the_roughest_calibration(capsys: pytest.CaptureFixture[str]) -> None:
    ledger = ExposureRecord(open_store(logbook_path()), SittingClock(lambda: time.time() - 60, lambda: 0.0))
    ledger.begin_sitting("me")
    ledger.add_second(int(time.time()) - 60, 80.0, math.nan, 5.6)
    ledger.close()
    assert "an estimate ±6 dB" in run(capsys)
    assert as_json(capsys)["estimate"] == "estimate ±6 dB"


# Persons, rules, settings


def test_person_and_rule_are_those_chosen_in_the_window(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(80.0, 0.2)], person="Ada")
    choose(person="Ada", **load_rules()[NIOSH_WORDS].settings)
    found = as_json(capsys)
    assert (found["person"], found["rule"]) == ("Ada", NIOSH_WORDS)
    assert found["share_week_percent"] is not None


def test_settings_that_are_no_longer_allowed_are_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    choose(person=5.0, criterion_db=1e9, unknown=True)
    assert as_json(capsys)["person"] == "me"


def test_a_name_that_nobody_has_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(80.0, 0.1)], person="Ada")
    assert "There is no record of “Bo”, only of Ada; check the name." in run(capsys, "--person", "Bo")
    assert as_json(capsys, "--person", "Bo")["notes"] == ["There is no record of “Bo”, only of Ada; check the name."]


@pytest.mark.parametrize(("words", "trouble"), [("nonsense", "No rule"), ("WHO", "More than one rule"), ("", "More")])
def test_a_rule_that_is_not_one_names_those_there_are(
    capsys: pytest.CaptureFixture[str], words: str, trouble: str
) -> None:
    said = run(capsys, "--rule", words, code=2)
    assert said.startswith(trouble)
    assert "WHO-ITU H.870, adults" in said


def test_a_logbook_that_is_damaged_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    logbook_path().parent.mkdir(parents=True)
    logbook_path().write_bytes(b"no table " * 100)
    said = run(capsys)
    assert "The logbook was unusable (it is damaged); it is kept as" in said
    assert "Traceback" not in said


# Export


def test_export_writes_each_minute_into_a_private_new_file(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    listen([(85.0, 0.1), (70.0, 0.1)])
    path = home / "out.csv"
    said = run(capsys, "--export", str(path))
    rows = rows_of(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert f"{len(rows)} minutes of “me” are in {path}" in said
    assert "estimates" in said
    assert "private" in said
    assert {row["doubt_db"] for row in rows} == {"3.0"}
    assert sum(int(row["heard_seconds"]) for row in rows) == 720
    assert {row["person"] for row in rows} == {"me"}
    assert rows[0]["estimated_laeq_dba"] == "85.0"
    assert rows[-1]["estimated_highest_peak_dbc"] == "88.0"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\dZ", rows[0]["utc"])
    assert run(capsys, "--export", str(path), code=2) == f"{path} is there already; name a new file.\n"


def test_export_of_the_week_leaves_out_what_is_older(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    listen([(85.0, 0.1)], until=time.time() - 8 * 86_400)
    listen([(70.0, 0.1)])
    run(capsys, "--export", str(home / "all.csv"))
    run(capsys, "--week", "--export", str(home / "week.csv"))
    levels = [{row["estimated_laeq_dba"] for row in rows_of(home / name)} for name in ("all.csv", "week.csv")]
    assert levels == [{"85.0", "70.0"}, {"70.0"}]


def test_nothing_to_export_makes_no_file_and_a_bad_place_is_a_sentence(
    capsys: pytest.CaptureFixture[str], home: Path
) -> None:
    assert "no file was made" in run(capsys, "--export", str(home / "none.csv"), code=1)
    assert not (home / "none.csv").exists()
    listen([(80.0, 0.1)])
    assert "cannot be written" in run(capsys, "--export", str(home / "nowhere" / "out.csv"), code=2)


# Forgetting


def test_forgetting_says_what_goes_and_asks_first(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    listen([(80.0, 0.1)])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    asked: list[str] = []
    answers = iter(["no", "yes"])
    monkeypatch.setattr("builtins.input", lambda words: asked.append(words) or next(answers))
    assert "Nothing was deleted." in run(capsys, "--forget")
    assert re.search(r"This deletes \d+ minutes of “me”, from .* to .*, for good", asked[0])
    assert as_json(capsys)["share_week_percent"] is not None
    assert re.search(r"Deleted: \d+ minutes of “me”", run(capsys, "--forget"))
    assert as_json(capsys)["share_week_percent"] is None


def test_where_nobody_can_be_asked_it_must_be_said_outright(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(80.0, 0.1)])
    assert "add --yes" in run(capsys, "--forget", code=2)
    assert as_json(capsys)["share_week_percent"] is not None
    run(capsys, "--forget", "--yes")
    assert as_json(capsys)["share_week_percent"] is None


def test_forgetting_one_leaves_the_other_and_what_is_not_there_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(80.0, 0.1)])
    listen([(80.0, 0.1)], person="Ada")
    run(capsys, "--forget", "--yes", "--person", "Ada")
    assert as_json(capsys)["share_week_percent"] is not None
    assert (
        run(capsys, "--forget", "--yes", "--person", "Ada") == "There is no record of “Ada”; nothing was deleted.\n"
    )


def test_damaged_files_kept_aside_are_named_when_forgetting(capsys: pytest.CaptureFixture[str]) -> None:
    logbook_path().parent.mkdir(parents=True)
    logbook_path().write_bytes(b"no table " * 100)
    run(capsys)
    listen([(80.0, 0.1)])
    assert "logbook.sqlite3.damaged" in run(capsys, "--forget", "--yes")


def test_forgetting_takes_the_listening_levels_out_of_the_day_records(capsys: pytest.CaptureFixture[str]) -> None:
    listen([(80.0, 0.1)])
    path = day_path("a song", "2026-11-28", record_folder())
    day = DayFile(path)
    day.seconds(day.series(day.segment()), range(1000, 1010), figures_of_a_mix(10))
    day.close()
    said = run(capsys, "--forget", "--yes")
    assert "Listening levels are removed from 1 day record; they name no person." in said
    assert "day record" not in run(capsys, "--forget", "--yes")


# Words


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.0, "0 min"), (0.999, "59 min"), (1.0, "1 h 00 min"), (9.99, "9 h 59 min"), (168.0, "168 h 00 min"),
        (168.1, "more than a week at this level"), (math.inf, "more than a week at this level"), (math.nan, "–"),
    ],
)  # fmt: skip
def test_times_in_words(hours: float, words: str) -> None:
    assert duration(hours) == words


def test_shares_and_levels_in_words() -> None:
    assert [percent(share) for share in (0.0, 0.4, 1.0, 99.6)] == ["0 %", "less than 1 %", "1 %", "100 %"]
    assert [decibels(level, "A") for level in (-math.inf, 84.6, math.nan)] == ["silence", "85 dB(A)", "–"]


# Hostile files and places


@pytest.mark.parametrize(
    "damage",
    ["peak = 'x'", "doubt = 'x'", "utc_offset = 'x'", "utc_offset = 99999999", "minute = minute + 9000000000"],
)
def test_a_row_that_holds_nonsense_is_no_traceback(
    damage: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    listen([(85.0, 0.25)])
    with sqlite3.connect(logbook_path()) as file:
        (first,) = file.execute("SELECT min(minute) FROM minute").fetchone()
        file.execute(f"UPDATE minute SET {damage} WHERE minute = {first}")
    file.close()
    # The other minutes are still counted.
    assert as_json(capsys, "--week")["heard_week_hours"] == pytest.approx(0.25, abs=0.02)
    run(capsys, "--week")
    run(capsys, "--export", str(home / "minutes.csv"))
    assert len(rows_of(home / "minutes.csv")) >= 14
    run(capsys, "--forget", "--yes")


def test_a_time_zone_a_whole_day_away(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "FAR24")
    time.tzset()
    listen([(85.0, 0.1)])
    run(capsys, "--week")
    run(capsys, "--export", str(home / "minutes.csv"))
    assert rows_of(home / "minutes.csv")[0]["local"].endswith("-23:59")


def test_an_export_that_fails_leaves_nothing_in_the_way(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    listen([(85.0, 0.1)])

    def full(*_words: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(exposure, "write_minutes", full)
        assert "No space left" in run(capsys, "--export", str(home / "minutes.csv"), code=2)
    assert not (home / "minutes.csv").exists()
    run(capsys, "--export", str(home / "minutes.csv"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_in_the_place_of_the_logbook_is_not_waited_for(capsys: pytest.CaptureFixture[str]) -> None:
    logbook_path().parent.mkdir(parents=True)
    os.mkfifo(logbook_path())
    assert "not an ordinary file" in run(capsys)


def test_a_rule_of_no_time_at_all_is_no_warning(capsys: pytest.CaptureFixture[str]) -> None:
    choose(criterion_db=40.0, threshold_db=0.0, exchange_db=0.0001)
    listen([(110.0, 0.1)])
    found = as_json(capsys)
    assert found["share_percent"] is None
    assert "no time at all" in found["why"]["share_percent"]
    assert "inf" not in run(capsys, "--week").split()

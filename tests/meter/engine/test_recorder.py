"""From the engine's readings to the ledger and back: what counts, once, and what the readings then say."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meter.audio.script import Event, Gone, Lost, Rate, ScriptedSource, Stall, Tone, Value
from meter.audio.source import SourceInfo, SourceRequest
from meter.engine import recorder_thread as recorder_thread
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.engine.recorder import Recorder, open_recorder
from meter.engine.recorder_thread import Heard, RecorderThread, Rest
from meter.exposure_rules import load_rules
from meter.logbook.exposure_recorder import Context, ExposureRecorder
from meter.logbook.store import open_store
from meter.plugin.host import Plugin, discover
from meter.plugin.services import RECORDER_FILLS
from meter.readings import Frame, Layout
from tests.support.ledgers import DAY, ME, NIOSH, NOON, Desk, DirectLine, FakeTime, seconds_of
from tests.support.plugins import renamed_copy

STEP_SECONDS = 0.02
RATE_HZ = 8000
LISTENING = [plugin for plugin in discover() if plugin.id == "listening"]
RULES = {rule.name: rule for rule in load_rules().values()}
CALIBRATED = {"calibrated": True, "offset_db": 110.0} | RULES[NIOSH.name].settings
LEVEL_DBA = 90.0
"""A tone of -20 dBFS on the one channel there is, 1 kHz: A leaves it alone."""


class Device(ScriptedSource):
    """A script that passes for a device."""

    kind = "device"

    def open(self) -> SourceInfo:
        info = super().open()
        return replace(info, kind=self.kind, idle_is_normal=self.kind == "monitor")


class Monitor(Device):
    kind = "monitor"


class Engined:
    """An engine with the listening meter and a ledger on disk; time moves only by ``run``."""

    def __init__(
        self,
        folder: Path,
        *events: Event,
        source: type[ScriptedSource] = Device,
        plugins: Sequence[Plugin] = LISTENING,
        meter_id: str = "listening",
        **settings: Any,
    ) -> None:
        self.source = source(events, rate_hz=RATE_HZ, channels=1)
        self.time = FakeTime(NOON)
        self.folder = folder
        self.meter_id = meter_id
        self.box = Mailbox()
        clock = self.time.clock()
        self.line = DirectLine(ExposureRecorder(partial(open_store, folder / "data" / "logbook.sqlite3"), clock))
        self.recorder = Recorder(self.line, clock)
        self.engine = Engine(
            plugins,
            self.box,
            clock=lambda: self.source.now_ns() / 1e9,
            open_source=lambda _request: self.source,
            recorder=self.recorder,
        )
        self.configure(**(CALIBRATED | settings))
        self.engine.open(SourceRequest("device", "a device"))

    def configure(self, **settings: Any) -> None:
        self.engine.configure(self.meter_id, settings)

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / STEP_SECONDS)):
            self.source.advance(STEP_SECONDS)
            self.time.go(STEP_SECONDS)
            while self.engine.step():
                pass
        frame = self.box.take()
        assert frame is not None
        return frame

    def heard(self) -> dict[int, float]:
        """Seconds after noon and their levels, as they are on disk."""
        reader = Desk(self.folder, self.time, begin=False)
        found = seconds_of(reader.ledger)
        reader.ledger.close()
        return {second - NOON: level for second, level in found.items()}

    def gaps(self) -> list[tuple[int, int | None]]:
        reader = Desk(self.folder, self.time, begin=False)
        gaps = reader.ledger.history(ME, NOON - DAY).gaps
        reader.ledger.close()
        return [(gap.start - NOON, gap.end and gap.end - NOON) for gap in gaps]


def tone(seconds: float) -> Tone:
    return Tone(seconds, level_dbfs=-20.0)


def test_every_second_that_sounds_is_noted_once(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(100.0))
    bench.run(60.0)
    bench.engine.close()
    heard = bench.heard()
    assert len(heard) == pytest.approx(60, abs=1)
    assert list(heard) == list(range(min(heard), max(heard) + 1))
    assert all(level == pytest.approx(LEVEL_DBA, abs=0.1) for level in list(heard.values())[1:])
    assert bench.gaps() == []


def test_the_readings_say_what_the_ledger_holds_from_before_and_from_now(tmp_path: Path) -> None:
    earlier = Desk(tmp_path, FakeTime(NOON - 7200))
    earlier.listen(88.0, 3600)
    earlier.ledger.close()
    bench = Engined(tmp_path, tone(200.0))
    frame = bench.run(100.0)
    # 88 dB(A) may last 4 h, 90 dB(A) 2 h 31 min (NIOSH 98-126, Table 1-1).
    before, now = 25.0, 100 * 100 / (60 * 151.2)
    assert frame.number("listening.share") == pytest.approx(before + now, abs=0.1)
    assert frame.number("listening.share_today") == frame.number("listening.share")
    assert frame.number("listening.share_week") == pytest.approx((before + now) / 5, abs=0.05)
    left = (0.75 - now / 100) * 151.2 / 60
    assert frame.number("listening.time_left_low") < left < frame.number("listening.time_left_high")
    assert frame.number("listening.since_break") == pytest.approx(100 / 60, abs=0.2)
    assert frame.number("listening.notice") == 0.0
    bench.engine.close()


def test_without_a_calibration_nothing_is_noted_and_no_figure_is_given(tmp_path: Path) -> None:
    earlier = Desk(tmp_path, FakeTime(NOON - 7200))
    earlier.listen(88.0, 3600)
    earlier.ledger.close()
    bench = Engined(tmp_path, tone(100.0), calibrated=False)
    frame = bench.run(20.0)
    assert all(math.isnan(frame.number(f"listening.{key}")) for key in RECORDER_FILLS)
    assert bench.line.messages == []
    bench.engine.close()


@pytest.mark.parametrize("kind", ["script", "file", "demo"])
def test_what_nobody_hears_in_the_room_is_nobodys_exposure(tmp_path: Path, kind: str) -> None:
    played = type("Played", (Device,), {"kind": kind})
    bench = Engined(tmp_path, tone(100.0), source=played)
    bench.run(20.0)
    bench.engine.close()
    assert bench.line.messages == []
    assert not (tmp_path / "data").exists()


def test_a_calibration_withdrawn_ends_the_sitting_in_good_order(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(200.0))
    bench.run(20.0)
    bench.configure(calibrated=False)
    frame = bench.run(60.0)
    assert all(math.isnan(frame.number(f"listening.{key}")) for key in RECORDER_FILLS)
    assert bench.line.messages[-1] == Rest()
    bench.configure(calibrated=True)
    bench.run(20.0)
    bench.engine.close()
    assert bench.gaps() == []
    assert len(bench.heard()) == pytest.approx(40, abs=2)


def test_reset_and_reopening_neither_lose_nor_double_what_was_counted(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(400.0))
    bench.run(60.0)
    bench.engine.reset()
    after = bench.run(6.0)
    assert after.number("listening.share") == pytest.approx(100 * 66 / (60 * 151.2), abs=0.07)
    for _ in range(5):
        bench.engine.reset()
        bench.run(10.0)
    bench.engine.close()
    heard = bench.heard()
    assert len(heard) == pytest.approx(116, abs=8), "a second that a reset cut is not whole"
    assert bench.gaps() == []


def test_held_readings_stand_still_while_listening_is_counted(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(200.0))
    before = bench.run(30.0).number("listening.share")
    bench.engine.hold(True)
    assert bench.run(30.0).number("listening.share") == pytest.approx(before, abs=0.06)
    bench.engine.hold(False)
    assert bench.run(6.0).number("listening.share") == pytest.approx(100 * 63 / (60 * 151.2), abs=0.06)
    bench.engine.close()
    assert len(bench.heard()) == pytest.approx(66, abs=1)


def test_another_rate_goes_on_in_the_same_sitting(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(20.0), Rate(16_000), tone(40.0))
    bench.run(50.0)
    bench.engine.close()
    assert len(bench.heard()) == pytest.approx(49, abs=3)
    assert bench.gaps() == []


def test_lost_seconds_are_not_heard_and_a_long_loss_is_a_gap(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(20.0), Lost(3 * RATE_HZ), tone(20.0), Lost(30 * RATE_HZ), tone(20.0))
    bench.run(130.0)
    bench.engine.close()
    assert len(bench.heard()) == pytest.approx(60, abs=4)
    (gap,) = bench.gaps()
    assert gap[0] == pytest.approx(43, abs=3)
    assert gap[1] is not None
    assert gap[1] - gap[0] >= 30


def test_a_burst_after_a_stall_is_noted_second_by_second(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(10.0), Stall(2.5), tone(30.0))
    bench.run(30.0)
    bench.engine.close()
    heard = bench.heard()
    assert len(heard) == pytest.approx(29, abs=1)
    assert list(heard) == list(range(min(heard), max(heard) + 1))


@pytest.mark.parametrize("stopped", [9.0, 60.0, 120.0])
def test_a_program_that_was_stopped_notes_every_second_it_catches_up(tmp_path: Path, stopped: float) -> None:
    bench = Engined(tmp_path, tone(600.0))
    bench.run(20.0)
    bench.time.go(stopped)  # the clock goes on and the sound is held back
    held_back = stopped * 4 / 3  # at four times the speed, with what sounds meanwhile
    for _ in range(round(held_back / STEP_SECONDS)):
        bench.source.advance(STEP_SECONDS)
        bench.time.go(STEP_SECONDS / 4)
        while bench.engine.step():
            pass
    bench.run(20.0)
    bench.engine.close()
    heard = bench.heard()
    assert len(heard) == pytest.approx(40 + held_back, abs=2)
    assert list(heard) == list(range(min(heard), max(heard) + 1))
    assert bench.gaps() == []


def test_an_unplugged_device_is_a_gap_once_it_is_back(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(20.0), Gone(refusals=6), tone(60.0))
    bench.run(80.0)
    bench.engine.close()
    (gap,) = bench.gaps()
    assert gap[0] == pytest.approx(20, abs=1)
    assert gap[1] is not None
    assert gap[1] - gap[0] > 10


def test_nothing_playing_is_quiet_and_no_gap(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(20.0), Stall(40.0, kept=False), tone(40.0), tone(20.0), source=Monitor)
    bench.run(75.0)
    bench.engine.close()
    heard = bench.heard()
    assert bench.gaps() == []
    assert sum(level == 0.01 for level in heard.values()) == pytest.approx(40, abs=2)
    assert len(heard) == pytest.approx(74, abs=2)


def test_digital_silence_is_heard_as_silence(tmp_path: Path) -> None:
    bench = Engined(tmp_path, Value(30.0, 0.0))
    bench.run(20.0)
    bench.engine.close()
    assert set(bench.heard().values()) == {0.01}


def test_audio_whose_clock_drifts_stays_with_the_wall(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(4000.0))
    for _ in range(15):
        bench.run(10.0)
        bench.time.go(1.0)  # an absurd drift, 10 %
    bench.engine.close()
    heard = bench.heard()
    assert max(heard) == pytest.approx(164, abs=6)
    assert len(heard) == pytest.approx(150, abs=8)


def test_a_machine_that_slept_has_no_gap(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(200.0))
    bench.run(20.0)
    bench.time.go(8 * 3600)
    bench.run(20.0)
    bench.engine.close()
    assert bench.gaps() == []
    heard = bench.heard()
    assert len(heard) == pytest.approx(40, abs=2)
    assert max(heard) - min(heard) > 8 * 3600


def test_a_new_rule_or_person_leaves_figures_open_until_the_ledger_answers(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(200.0))
    first = bench.run(30.0)
    sensitive = next(iter(RULES.values()))
    bench.configure(**sensitive.settings)
    second = bench.run(1.0)
    assert second.number("listening.share") > 1.5 * first.number("listening.share")
    bench.configure(person="Ada")
    third = bench.run(6.0)
    assert third.number("listening.share") < second.number("listening.share") / 3
    bench.engine.close()


def test_another_source_begins_another_sitting(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(200.0))
    bench.run(20.0)
    bench.engine.open(SourceRequest("device", "another"))
    assert bench.line.messages[-1] == Rest()
    bench.run(10.0)
    bench.engine.close()
    assert bench.gaps() == []


class Moving(Monitor):
    """Another output of the same description after each time it went away."""

    outputs = ("a1.monitor", "a2.monitor", "a1.monitor")
    opened = 0

    def open(self) -> SourceInfo:
        info = super().open()
        self.opened += 1
        return replace(info, name="Twin Out", output=self.outputs[self.opened - 1])


FOR_FIRST = {"calibrated_for": "monitor:a1.monitor"}


def test_another_output_ends_the_calibration_before_its_first_second(tmp_path: Path) -> None:
    events = (tone(20.0), Gone(refusals=0), tone(20.0), Gone(refusals=0), tone(60.0))
    bench = Engined(tmp_path, *events, source=Moving, **FOR_FIRST)
    assert bench.run(15.0).number("listening.calibrated") == 1.0
    other = bench.run(20.0)
    assert other.status.output == "a2.monitor"
    assert other.number("listening.calibrated") == 0.0
    assert math.isnan(other.number("listening.share"))
    assert "from 'a1.monitor' to 'a2.monitor'; figures since R hold both" in other.status.sentence
    bench.configure(calibrated=True, **FOR_FIRST)  # a word of the window that came too late
    assert bench.run(1.0).number("listening.calibrated") == 0.0
    back = bench.run(30.0)
    assert (back.status.output, back.status.output_changes) == ("a1.monitor", 2)
    assert back.number("listening.calibrated") == 0.0, "until it is confirmed"
    bench.engine.reset()
    assert "figures since R" not in bench.run(1.0).status.sentence
    bench.engine.close()
    assert len(bench.heard()) == pytest.approx(20, abs=1), "nothing of the other output is noted"


def test_a_new_engine_on_another_output_does_not_take_over_the_calibration(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(60.0), source=Moving, **{"calibrated_for": "monitor:a2.monitor"})
    assert bench.run(5.0).number("listening.calibrated") == 0.0
    bench.engine.close()
    assert bench.heard() == {}


def test_the_same_output_that_comes_back_keeps_its_calibration(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(20.0), Gone(refusals=2), tone(60.0), calibrated_for="device:Scripted input")
    frame = bench.run(60.0)
    assert frame.number("listening.calibrated") == 1.0
    assert "figures since R" not in frame.status.sentence
    bench.engine.close()


def test_a_chain_without_the_listening_meter_keeps_nothing(tmp_path: Path) -> None:
    line = DirectLine(ExposureRecorder(partial(open_store, tmp_path / "logbook.sqlite3"), FakeTime().clock()))
    recorder = Recorder(line, FakeTime().clock())
    recorder.configure("listening", settings())
    recorder.attend(Layout(()), np.empty(0), "device", "running")
    recorder.close()
    assert line.messages == []


def settings(**chosen: Any) -> Mapping[str, Any]:
    assert LISTENING[0].manifest is not None
    return LISTENING[0].manifest.settings(CALIBRATED | chosen)


def test_a_person_without_a_name_is_me(tmp_path: Path) -> None:
    bench = Engined(tmp_path, tone(20.0), person="  ")
    bench.run(5.0)
    bench.engine.close()
    assert [message.person for message in bench.line.messages if isinstance(message, Context)] == [ME]


# The thread


@pytest.fixture
def thread(tmp_path: Path) -> Iterator[RecorderThread]:
    used = RecorderThread(
        ExposureRecorder(partial(open_store, tmp_path / "data" / "logbook.sqlite3"), FakeTime().clock())
    )
    yield used
    used.close()


def test_the_thread_writes_what_it_is_handed_and_ends_its_sitting(tmp_path: Path, thread: RecorderThread) -> None:
    assert thread.post(Context(ME, NIOSH))
    for second in range(30):
        assert thread.post(Heard(NOON + second, 80.0, math.nan))
    thread.close()
    desk = Desk(tmp_path, FakeTime(NOON + 90), begin=False)
    assert len(seconds_of(desk.ledger)) == 30
    assert desk.ledger.history(ME, NOON).gaps == ()
    desk.ledger.close()
    assert "recorder" not in [each.name for each in threading.enumerate()]


def test_a_disk_that_does_not_answer_keeps_nobody_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_thread, "QUEUE_SECONDS", 5)
    monkeypatch.setattr(recorder_thread, "CLOSE_SECONDS", 0.01)
    stuck = threading.Event()

    def open_slowly() -> Any:
        stuck.wait()
        return open_store(None)

    thread = RecorderThread(ExposureRecorder(open_slowly, FakeTime().clock()))
    thread.post(Context(ME, NIOSH))
    accepted = [thread.post(Heard(NOON + second, 80.0, math.nan)) for second in range(50)]
    assert thread.dropped == accepted.count(False) >= 43
    assert f"{thread.dropped} s of listening could not be noted" in thread.sentence
    running = thread._thread
    thread.close()
    stuck.set()
    assert running is not None
    running.join(5.0)


def test_a_fault_in_the_ledger_is_said_and_stops_nothing_else(tmp_path: Path) -> None:
    def broken() -> Any:
        raise RuntimeError("no such luck")

    line = RecorderThread(ExposureRecorder(broken, FakeTime().clock()))
    line.post(Context(ME, NIOSH))
    line.post(Heard(NOON, 80.0, math.nan))
    assert line._thread is not None
    line._thread.join(5.0)
    assert line.sentence == (
        "The exposure record stopped (RuntimeError: no such luck); listening is not counted until the next start."
    )
    assert line.post(Heard(NOON, 80.0, math.nan))
    line.close()


def test_what_is_wrong_with_the_file_reaches_the_feed_line(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("in the way")
    bench = Engined(tmp_path, tone(60.0))
    frame = bench.run(20.0)
    assert "cannot be written" in frame.status.sentence
    assert frame.number("listening.share") > 0.0
    bench.engine.close()


def test_a_keeper_of_a_real_file_on_real_clocks(tmp_path: Path) -> None:
    recorder = open_recorder(tmp_path / "data" / "logbook.sqlite3")
    recorder.configure("listening", settings())
    recorder.close()
    assert not (tmp_path / "data").exists()


# Calibration noise, and R


def full_bench(folder: Path, *events: Event) -> Engined:
    """Loudness and tone drift beside the listening meter."""
    wanted = ("listening", "loudness", "drift")
    return Engined(folder, *events, plugins=[plugin for plugin in discover() if plugin.id in wanted])


def test_calibration_noise_is_in_no_figure_but_the_listening(tmp_path: Path) -> None:
    loud = Tone(30.0, level_dbfs=-10.0)
    bench = full_bench(tmp_path, tone(20.0), loud, tone(60.0))
    bench.run(10.0)
    bench.engine.mark()
    bench.run(10.0)
    bench.engine.output.suspend("Calibration noise plays.")
    during = bench.run(30.0)
    assert during.number("listening.feed_now") == pytest.approx(-10.0, abs=0.1), "the calibration is measured with it"
    assert "Calibration noise plays." in during.status.sentence
    bench.engine.output.suspend("")
    after = bench.run(20.0)
    assert after.number("loudness.measured") == pytest.approx(40.0, abs=0.5)
    # One channel, 1 kHz: a tone of -20 dBFS reads -23 LUFS and 0.7 dB of the K-filter (ITU-R BS.1770-5) at most.
    assert after.number("loudness.integrated") == pytest.approx(-23.0, abs=0.3)
    assert after.number("loudness.momentary_max") < -20.0
    assert after.number("loudness.integrated_mark") == pytest.approx(-23.0, abs=0.3)
    assert after.number("loudness.momentary_max_mark") < -20.0
    assert len(after.marks) == 2, "noise is no pass"
    assert "Calibration noise" not in after.status.sentence
    bench.engine.close()
    heard = bench.heard()
    assert sum(level == pytest.approx(LEVEL_DBA + 10.0, abs=0.2) for level in heard.values()) >= 28, "the ear gets it"
    assert bench.gaps() == []


def test_reset_leaves_the_listening_alone(tmp_path: Path) -> None:
    bench = full_bench(tmp_path, tone(200.0))
    before = bench.run(60.0)
    assert before.number("loudness.measured") == pytest.approx(60.0, abs=1.0)
    bench.engine.reset()
    after = bench.run(5.0)
    assert after.number("loudness.measured") == pytest.approx(5.0, abs=1.0)
    assert after.number("listening.time_listened") * 3600 == pytest.approx(65.0, abs=1.0)
    assert after.number("listening.seat_minute") == pytest.approx(before.number("listening.seat_minute"), abs=0.1)
    assert after.number("drift.remembered") >= before.number("drift.remembered") > 0.0
    assert after.number("listening.time_left_low") <= before.number("listening.time_left_low")
    bench.engine.close()
    assert len(bench.heard()) == pytest.approx(65, abs=1), "no second is cut"


# Whose meter it is


def test_a_meter_by_others_is_recorded_and_calibrated_where_ours_is_not_there(tmp_path: Path) -> None:
    theirs = discover([renamed_copy(tmp_path / "ears", "listening", "ears")], installed=False)
    loudness = [plugin for plugin in discover() if plugin.id == "loudness"]
    bench = Engined(tmp_path, tone(100.0), plugins=[*theirs, *loudness], meter_id="ears")
    bench.run(30.0)
    bench.engine.output.suspend("Calibration noise plays.")
    frame = bench.run(30.0)
    bench.engine.close()
    assert len(bench.heard()) == pytest.approx(60, abs=1), "what calibrates goes on while noise plays"
    assert frame.number("ears.share") > 0.0, "the record fills in the readings of the same meter"
    assert frame.number("loudness.measured") == pytest.approx(30.0, abs=0.5)


def test_beside_ours_a_meter_by_others_is_neither_recorded_nor_calibrated(tmp_path: Path) -> None:
    theirs = discover([renamed_copy(tmp_path / "ears", "listening", "ears")], installed=False)
    bench = Engined(tmp_path, tone(100.0), plugins=[*theirs, *LISTENING])
    bench.engine.configure("ears", CALIBRATED | {"offset_db": 60.0})
    bench.run(30.0)
    bench.engine.output.suspend("Calibration noise plays.")
    frame = bench.run(30.0)
    bench.engine.close()
    assert all(level == pytest.approx(LEVEL_DBA, abs=0.1) for level in list(bench.heard().values())[1:])
    assert len(bench.heard()) == pytest.approx(60, abs=1)
    assert math.isnan(frame.number("ears.share_today"))
    assert frame.number("ears.time_listened") == pytest.approx(30.0 / 3600.0, abs=1.0 / 3600.0)


def test_a_meter_by_others_that_counts_no_seconds_leaves_no_record(tmp_path: Path) -> None:
    folder = renamed_copy(tmp_path / "ears", "listening", "ears")
    (folder / "process.py").write_text(
        "class Listening:\n"
        "    def configure(self, settings): pass\n"
        "    prepare = process = skip = configure\n"
        "    def reset(self): pass\n"
        "    def read(self, out):\n"
        "        out.blank()\n"
        "        out['calibrated'] = 1.0\n",
        encoding="utf-8",
    )
    bench = Engined(tmp_path, tone(20.0), plugins=discover([folder], installed=False), meter_id="ears")
    frame = bench.run(10.0)
    bench.engine.close()
    assert frame.status.quarantined == {}
    assert frame.number("ears.calibrated") == 1.0
    assert bench.heard() == {}


def test_a_rule_by_others_that_means_nothing_is_told(tmp_path: Path) -> None:
    folder = renamed_copy(tmp_path / "ears", "listening", "ears")
    path = folder / "manifest.toml"
    text = path.read_text(encoding="utf-8").replace('choices = ["day", "week"]', "").replace('"week"', '"moon"', 1)
    path.write_text(text, encoding="utf-8")
    plugins = discover([folder], installed=False)
    bench = Engined(tmp_path, tone(40.0), plugins=plugins, meter_id="ears")
    bench.engine.configure("ears", {"period": "moon"})
    assert "is per day or week, not per 'moon'. Nothing is recorded" in bench.run(10.0).status.sentence
    bench.recorder.configure("ears", settings())
    assert bench.run(10.0).status.sentence == ""
    bench.engine.close()

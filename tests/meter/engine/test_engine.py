"""The engine over a scripted source and a virtual clock: gaps, losses, unplugging, holds, bad samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meter.audio.script import Event, Gone, Lost, Rate, ScriptedSource, Stall, Tone, Value
from meter.audio.source import SourceError, SourceInfo, SourceRequest
from meter.engine.engine import Engine
from meter.engine.guard import Timing
from meter.engine.in_process import Mailbox
from meter.engine.watchdog import ONLY_ZEROS
from meter.plugin.host import discover
from meter.readings import Frame
from tests.support.plugins import write_meter

STEP_SECONDS = 0.02


class Bench:
    """An engine with one meter that sums energy, over a script; time moves only by ``run``."""

    def __init__(self, folder: Path, events: Sequence[Event], **options: object) -> None:
        self.source = ScriptedSource(events, **options)
        self.box = Mailbox()
        self.states: list[str] = []
        plugins = discover([write_meter(folder, "tally")], installed=False)
        self.engine = Engine(plugins, self.box, clock=self.now, open_source=lambda _request: self.source)
        self.engine.open(SourceRequest("script", "a script"))

    def now(self) -> float:
        return self.source.now_ns() / 1e9

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / STEP_SECONDS)):
            self.source.advance(STEP_SECONDS)
            while self.engine.step():
                pass
            if not self.states or self.states[-1] != self.engine.state:
                self.states.append(self.engine.state)
        frame = self.box.take()
        assert frame is not None
        return frame


def energy(level_dbfs: float, seconds: float) -> float:
    """Sum of squares of a sine in two channels at 48 kHz."""
    return 10 ** (level_dbfs / 10) * 48_000 * seconds


def test_sound_is_measured_and_counted(tmp_path: Path) -> None:
    frame = Bench(tmp_path, [Tone(10.0, level_dbfs=-20.0)]).run(2.0)
    assert frame.status.state == "running"
    assert frame.status.frames == pytest.approx(96_000, abs=960)
    assert frame.number("tally.total") == pytest.approx(energy(-20.0, frame.status.frames / 48_000), rel=1e-3)


def test_lost_frames_are_counted_and_never_invented(tmp_path: Path) -> None:
    frame = Bench(tmp_path, [Tone(1.0), Lost(4800), Tone(5.0)]).run(3.0)
    assert (frame.status.lost_frames, frame.status.gaps) == (4800, 1)
    assert frame.status.frames + frame.status.lost_frames == pytest.approx(3 * 48_000, abs=960)


def test_frames_lost_without_a_flag_are_found_by_the_clock(tmp_path: Path) -> None:
    frame = Bench(tmp_path, [Tone(15.0), Lost(24_000, flagged=False), Tone(30.0)]).run(30.0)
    assert frame.status.lost_frames == pytest.approx(24_000, abs=1500)
    assert frame.status.gaps == 1


def test_a_burst_after_a_stall_is_no_gap(tmp_path: Path) -> None:
    frame = Bench(tmp_path, [Tone(5.0), Stall(2.0), Tone(20.0)]).run(20.0)
    assert (frame.status.lost_frames, frame.status.gaps) == (0, 0)


def test_samples_that_are_no_numbers_are_counted_and_left_out(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(1.0), Value(0.1, np.nan), Tone(5.0)])
    frame = bench.run(3.0)
    assert frame.status.invalid_samples == 2 * 4800
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, frame.status.frames / 48_000 - 0.1), rel=1e-3)


def test_an_unplugged_device_is_waited_for_and_the_gap_has_its_length(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(2.0), Gone("'Scripted input' went away.", refusals=3), Tone(60.0)])
    bench.run(10.0)
    assert bench.states[0] == "running"
    assert bench.states[-1] == "waiting"
    frame = bench.run(4.0)
    assert frame.status.state == "running"
    assert frame.status.sentence.startswith("Dropout of 8 s at ")
    assert frame.status.gaps == 1
    assert frame.status.elapsed_seconds == pytest.approx(14.0, abs=0.3)
    assert bench.run(10.0).status.sentence == ""


def test_while_waiting_the_sentence_names_the_device(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(2.0), Gone("'Scripted input' went away.", refusals=1000)])
    frame = bench.run(10.0)
    assert frame.status.state in ("waiting", "reopening")
    assert frame.status.sentence == "'Scripted input' went away."


def test_a_source_that_comes_back_at_another_rate_begins_anew(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(2.0), Rate(44_100), Tone(20.0)])
    frame = bench.run(8.0)
    assert frame.status.rate_hz == 44_100
    assert "another format" in frame.status.sentence
    assert "measuring restarted" in frame.status.sentence
    assert frame.number("tally.total") < energy(-18.0, 6.5)


def test_what_has_happened_is_said_long_enough_to_read_and_then_goes(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(2.0), Rate(44_100), Tone(60.0)])
    bench.run(2.5)
    assert "another format" in bench.run(3.0).status.sentence
    assert bench.run(15.0).status.sentence == ""


def test_a_refused_setting_is_not_said_all_day(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(60.0)])
    bench.engine.configure("nobody", {"x": 1.0})
    assert "no meter" in bench.run(2.0).status.sentence
    assert bench.run(15.0).status.sentence == ""


@pytest.mark.parametrize("value", [np.nan, np.inf, 1e38])
def test_a_feed_of_nothing_but_invalid_samples_is_not_called_running(tmp_path: Path, value: float) -> None:
    bench = Bench(tmp_path, [Tone(1.0), Value(4.0, value), Tone(30.0)])
    bench.run(1.0)
    frame = bench.run(3.0)
    assert frame.status.state == "invalid"
    assert "+60 dBFS" in frame.status.sentence
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, 1.0), rel=0.03)
    frame = bench.run(3.0)
    assert (frame.status.state, frame.status.sentence) == ("running", "")


def test_a_source_behind_a_converter_says_so_in_its_status(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(10.0)])
    assert not bench.run(0.2).status.resampled
    info = bench.source.open
    bench.source.open = lambda: replace(info(), resampled=True)  # type: ignore[method-assign]
    bench.engine.open(SourceRequest("script", "a script"))
    assert bench.run(0.2).status.resampled


def test_hold_freezes_the_readings_while_measuring_goes_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(60.0)])
    before = bench.run(2.0).number("tally.total")
    bench.engine.hold(True)
    held = bench.run(3.0)
    assert held.status.state == "held"
    assert held.number("tally.total") == pytest.approx(before, rel=0.02)
    bench.engine.hold(False)
    assert bench.run(1.0).number("tally.total") == pytest.approx(before * 3.0, rel=0.02)


def test_start_over_while_held_shows_the_empty_state(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(60.0)])
    bench.run(2.0)
    bench.engine.hold(True)
    bench.run(0.1)
    bench.engine.reset()
    assert bench.run(1.0).number("tally.total") < energy(-18.0, 0.1)


def test_reset_forgets_readings_and_counts(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(1.0), Lost(480), Tone(60.0)])
    bench.run(3.0)
    bench.engine.reset()
    frame = bench.run(1.0)
    assert frame.status.gaps == 0
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, 1.0), rel=0.03)


def test_a_refused_setting_is_one_sentence(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(10.0)])
    bench.engine.configure("nobody", {"x": 1.0})
    assert bench.run(0.1).status.sentence == "There is no meter “nobody” to set."


def test_the_end_of_a_file_like_source_is_ended_with_its_last_frames(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(1.0051)], live=False)
    frame = bench.run(3.0)
    assert frame.status.state == "ended"
    assert frame.status.frames == round(1.0051 * 48_000)


def test_a_kind_that_cannot_come_back_fails_for_good(tmp_path: Path) -> None:
    def refuse(_request: SourceRequest) -> ScriptedSource:
        raise SourceError("'tune.wav' is not there; choose another file.")

    box = Mailbox()
    engine = Engine(discover([write_meter(tmp_path, "tally")], installed=False), box, open_source=refuse)
    engine.open(SourceRequest("file", "tune.wav"))
    for _ in range(5):
        engine.step()
    assert engine.state == "failed"
    assert engine.status().sentence == "'tune.wav' is not there; choose another file."


def test_the_default_feed_takes_every_channel(tmp_path: Path) -> None:
    frame = Bench(tmp_path, [Tone(10.0)], channels=32).run(1.0)
    assert frame.status.channels == 32
    assert frame.number("tally.total") == pytest.approx(16 * energy(-18.0, frame.status.frames / 48_000), rel=1e-3)


def test_a_source_of_many_channels_that_tells_no_positions_says_what_is_assumed(tmp_path: Path) -> None:
    sentence = Bench(tmp_path, [Tone(10.0)], channels=8).run(1.0).status.sentence
    assert "which of its 8 channels is which" in sentence
    assert "L R C LFE Lb Rb Ls Rs" in sentence
    assert "name the feeds" in sentence


def test_a_source_that_tells_its_positions_is_not_doubted(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(10.0)], channels=3)
    info = bench.source.open
    bench.source.open = lambda: replace(info(), roles=("L", "R", "LFE"))  # type: ignore[method-assign]
    bench.engine.open(SourceRequest("script", "a script"))
    assert bench.run(0.2).status.sentence == ""


def test_a_mix_of_two_among_many_channels_assumes_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(10.0)], channels=8)
    bench.engine.open(SourceRequest("script", "a script"), {"mix": (6, 7), "part kick": (0,)})
    assert bench.run(0.2).status.sentence == ""


def test_feeds_that_do_not_fit_leave_all_in_the_mix_and_are_told(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(10.0)])
    bench.engine.open(SourceRequest("script", "a script"), {"mix": (0,), "part kick": (5,)})
    frame = bench.run(1.0)
    assert frame.status.state == "running"
    assert "“part kick” wants channel 6, but the source has 2" in frame.status.sentence
    assert "All channels are taken for the mix" in frame.status.sentence
    assert frame.feeds == {"mix": (0, 1)}
    bench.engine.open(SourceRequest("script", "a script"), {"mix": (0,), "part kick": (1,)})
    frame = bench.run(1.0)
    assert (frame.parts, frame.status.sentence) == (("kick",), "")


def test_a_source_that_names_its_channels_tells_its_feeds(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [Tone(10.0)])
    info = bench.source.open
    bench.source.open = lambda: replace(info(), channel_names=("mix", "kick"))  # type: ignore[method-assign]
    bench.engine.open(SourceRequest("script", "a script"))
    frame = bench.run(1.0)
    assert frame.feeds == {"mix": (0,), "part kick": (1,)}
    assert frame.layout.channel_names == ("mix", "kick")
    bench.engine.mark()
    assert bench.run(0.1).status.quarantined == {}


def test_a_mark_before_any_source_is_nothing(tmp_path: Path) -> None:
    engine = Engine(discover([write_meter(tmp_path, "tally")], installed=False), Mailbox())
    engine.mark()
    assert engine.chain is None


def test_nothing_but_zeros_from_a_device_is_told_until_sound_comes(tmp_path: Path) -> None:
    class Device(ScriptedSource):
        def open(self) -> SourceInfo:
            return replace(super().open(), kind="device")

    bench = Bench.__new__(Bench)
    bench.source = Device([Value(8.0, 0.0), Tone(10.0)])
    bench.box, bench.states = Mailbox(), []
    plugins = discover([write_meter(tmp_path, "tally")], installed=False)
    bench.engine = Engine(plugins, bench.box, clock=bench.now, open_source=lambda _request: bench.source)
    bench.engine.open(SourceRequest("device", "a desk"))
    assert bench.run(4.0).status.sentence == ""
    assert bench.run(2.0).status.sentence == ONLY_ZEROS
    assert bench.run(3.0).status.sentence == ""


class Waiting:
    """A wall clock by which every block takes as long as ``seconds`` says for its number, the last one ever after."""

    def __init__(self, *seconds: float) -> None:
        self.seconds, self.now, self.ends = list(seconds), 0.0, False

    def __call__(self) -> float:
        if self.ends:
            self.now += self.seconds.pop(0) if len(self.seconds) > 1 else self.seconds[0]
        self.ends = not self.ends
        return self.now


def waiting_bench(folder: Path, events: Sequence[Event], *seconds: float) -> Bench:
    """A bench whose one meter computes nothing and makes the engine wait that long for each block."""
    bench = Bench(folder, events)
    timing = Timing(busy=lambda: 0.0, wall=Waiting(*seconds))
    bench.engine = Engine(
        discover([folder], installed=False), bench.box, clock=bench.now, timing=timing,
        open_source=lambda _request: bench.source,
    )  # fmt: skip
    bench.source = ScriptedSource(events)
    bench.engine.open(SourceRequest("script", "a script"))
    return bench


def test_a_meter_that_waits_is_set_aside_when_sound_is_lost(tmp_path: Path) -> None:
    """0.1 s for each block of 20 ms: it is 1.5 s behind after 19 blocks."""
    frame = waiting_bench(tmp_path, [Tone(0.3), Lost(960), Tone(5.0)], 0.1).run(0.5)
    assert frame.status.quarantined == {}
    frame = waiting_bench(tmp_path, [Tone(0.5), Lost(960), Tone(5.0)], 0.1).run(0.7)
    assert "behind the sound, and sound was lost or about to be" in frame.status.quarantined["tally"]


def test_a_meter_that_falls_far_behind_is_set_aside_where_the_source_can_wait(tmp_path: Path) -> None:
    """3 s after 38 blocks."""
    assert waiting_bench(tmp_path, [Tone(5.0)], 0.1).run(0.7).status.quarantined == {}
    assert "fell further behind" in waiting_bench(tmp_path, [Tone(5.0)], 0.1).run(0.9).status.quarantined["tally"]


def test_a_meter_that_waits_when_it_is_read_is_set_aside_too(tmp_path: Path) -> None:
    """0.1 s for each reading, one for each block of 20 ms; the blocks themselves take no time."""
    bench = Bench(tmp_path, [Tone(1.0)])
    timing = Timing(busy=lambda: 0.0, wall=lambda: 0.0, between=Waiting(0.1))
    plugins = discover([tmp_path], installed=False)
    bench.source = ScriptedSource([Tone(0.5), Lost(960), Tone(5.0)])
    bench.engine = Engine(
        plugins, bench.box, clock=bench.now, timing=timing, open_source=lambda _request: bench.source
    )
    bench.engine.open(SourceRequest("script", "a script"))
    assert "behind the sound" in bench.run(0.9).status.quarantined["tally"]


def test_a_machine_that_stood_still_during_a_meter_sets_nothing_aside(tmp_path: Path) -> None:
    bench = waiting_bench(tmp_path, [Tone(0.1), Lost(48_000), Tone(1.0), Lost(960), Tone(5.0)], 0.001, 60.0, 0.001)
    assert bench.run(3.0).status.quarantined == {}


def test_a_long_good_time_gives_no_credit(tmp_path: Path) -> None:
    good = [0.001] * 100
    bench = waiting_bench(tmp_path, [Tone(2.7), Lost(960), Tone(5.0)], *good, 0.1)
    assert "sound was lost or about to be" in bench.run(3.0).status.quarantined["tally"]

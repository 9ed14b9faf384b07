"""From the engine's readings to the day record: every second once, blocks that add up, events where they happened."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from meter.audio.script import Gone, Lost, Rate, Samples, Stall, Tone
from meter.audio.source import SourceRequest
from meter.engine.messages import OpenSource, RecordEvent, encode, to_engine
from meter.engine.process import obey
from meter.instances import Instance
from meter.logbook.recorded_day import read, read_after
from tests.support.day_records import METERS, RATE_HZ, Recorded, events_in, figures_in
from tests.support.ledgers import HOUR, NOON

BLOCKS, INTEGRATED = "loudness.blocks", "loudness.integrated"
TRUE, SAMPLE = "peaks.true_latest", "peaks.sample_latest"
BINS_LU = 0.005
"""The meter gates by bins of 0.05 LU, so the blocks of one bin may count or not."""
ABSOLUTE, RELATIVE = -70.0, -10.0
"""Gates of ITU-R BS.1770-5 Annex 1."""


def gated(blocks: np.ndarray) -> float:
    """Integrated loudness of gating blocks in LUFS, by the two gates of BS.1770-5 Annex 1."""
    powers = [10.0 ** (float(block) / 10.0) for block in blocks if block > ABSOLUTE]
    gate = 10.0 * math.log10(sum(powers) / len(powers)) + RELATIVE
    kept = [power for power in powers if 10.0 * math.log10(power) > gate]
    return 10.0 * math.log10(sum(kept) / len(kept))


def music(seconds: float, seed: int = 1) -> Samples:
    """Noise whose level moves up and down over 40 dB, so that both gates have something to leave out."""
    frames = round(seconds * RATE_HZ)
    level_db = -30.0 + 20.0 * np.sin(np.arange(frames) / RATE_HZ * 0.7)
    noise = np.random.default_rng(seed).standard_normal((frames, 2)) * 10.0 ** (level_db[:, None] / 20.0)
    return Samples(np.clip(noise * 0.2, -1.0, 1.0).astype(np.float32))


def all_blocks(bench: Recorded) -> np.ndarray:
    rows = [values for _at, values in figures_in(bench.path, BLOCKS)]
    found = np.concatenate(rows)
    return found[~np.isnan(found)]


def test_every_second_has_one_row_and_it_stands_at_its_second(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    bench.run(20.5)
    bench.close()
    assert list(bench.figures(INTEGRATED)) == list(range(21))


def test_rows_add_up_to_the_integrated_loudness(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    frame = bench.run(25.37)
    bench.close()
    assert gated(all_blocks(bench)) == pytest.approx(frame.number(INTEGRATED), abs=BINS_LU)
    assert len(all_blocks(bench)) == frame.number("loudness.blocks_counted") == 250


def test_rows_add_up_over_gaps_bursts_and_the_end_of_a_second(tmp_path: Path) -> None:
    script = []
    for number in range(8):
        script += [
            music(2.45 + 0.09 * number, number),
            Lost(700 * (number + 1)),
            music(0.9, 50),
            Stall(0.35),
            music(0.4),
        ]
    bench = Recorded(tmp_path, *script)
    frame = bench.run(35.5)
    bench.close()
    assert frame.status.gaps >= 8
    assert gated(all_blocks(bench)) == pytest.approx(frame.number(INTEGRATED), abs=BINS_LU)
    assert len(all_blocks(bench)) == frame.number("loudness.blocks_counted")


def test_blocks_before_a_reset_are_recorded_and_those_after_it_once(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    before = bench.run(7.74).number("loudness.blocks_counted")
    bench.engine.reset()
    after = bench.run(5.3).number("loudness.blocks_counted")
    bench.close()
    assert len(all_blocks(bench)) == before + after == 74 + 50
    assert list(bench.figures(INTEGRATED)) == list(range(14)), "a reset costs no second"


def test_another_card_costs_no_block_and_repeats_none(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    bench.run(7.74)
    bench.engine.use_instances([Instance("loudness_2", "loudness", "mix")])
    frame = bench.run(5.3)
    bench.close()
    assert len(all_blocks(bench)) == frame.number("loudness.blocks_counted")
    seconds = [at for at, _ in figures_in(bench.path, BLOCKS)]
    assert len(seconds) == len(set(seconds))
    assert len(bench.figures("loudness_2.blocks")) > 4, "a second meter on the same feed has keys of its own"


def test_a_peak_is_in_the_row_of_its_second_and_in_no_other_but_beside_its_edge(tmp_path: Path) -> None:
    click = np.zeros((20 * RATE_HZ, 2), np.float32)
    click[round(5.5 * RATE_HZ), 1] = 0.5
    bench = Recorded(tmp_path, Samples(click))
    bench.run(10.0)
    bench.close()
    peaks = {at: float(values[0]) for at, values in bench.figures(SAMPLE).items()}
    assert peaks[5] == pytest.approx(20.0 * math.log10(0.5), abs=1e-4)
    assert [at for at, value in peaks.items() if value > -math.inf] == [5]
    assert bench.figures(TRUE)[5][0] >= peaks[5] - 1e-4


def test_sound_that_was_lost_leaves_out_its_seconds(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(5.0), Lost(round(2.5 * RATE_HZ)), music(10.0), Lost(20 * RATE_HZ), music(30.0))
    bench.run(40.0)
    bench.close()
    seconds = list(bench.figures(INTEGRATED))
    assert seconds[:5] == [0, 1, 2, 3, 4]
    assert 6 not in seconds
    assert seconds[-1] in (17, 18), "what was known before a loss is no figure of the loss"


def test_a_pause_of_the_source_moves_no_row_to_another_time(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(5.0), Gone(refusals=0), music(30.0))
    bench.run(5.0)
    bench.time.go(1000.0)
    bench.run(20.0)
    bench.close()
    seconds = list(bench.figures(INTEGRATED))
    assert {at for at in seconds if at < 900} <= {0, 1, 2, 3, 4, 5}
    assert len([at for at in seconds if at > 1000]) >= 8


def test_sound_that_was_held_back_is_placed_where_it_was_heard(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    bench.run(10.0)
    for _ in range(4):  # the process stands still while sound collects
        bench.source.advance(1.0)
        bench.time.go(1.0)
    bench.run(6.0)
    bench.close()
    assert list(bench.figures(INTEGRATED)) == list(range(21))[: len(bench.figures(INTEGRATED))]
    assert len(bench.figures(INTEGRATED)) >= 20


def test_a_change_of_rate_begins_a_segment_and_never_mixes(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(5.0), Rate(16_000), Tone(20.0))
    bench.run(15.0)
    bench.close()
    segments = [words for _at, kind, words in events_in(bench.path) if kind == "segment"]
    assert segments == [
        "Listening to Scripted input, 8000 Hz, 2 channels.",
        "Listening to Scripted input, 16000 Hz, 2 channels.",
    ]


def test_another_job_is_another_file(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    bench.run(3.0)
    first = bench.path
    bench.engine.open(SourceRequest("script", "a script"), None, "other / song")
    bench.run(3.0)
    bench.close()
    assert len(list(figures_in(first, INTEGRATED))) == 3
    others = [path for path in bench.folder.rglob("2026-03-04.sqlite3") if path != first]
    assert len(others) == 1
    assert others[0].parent.parent == bench.folder, "a job is one folder, whatever its name"
    assert len(list(figures_in(others[0], INTEGRATED))) >= 2


def test_marks_and_passes_are_events_with_the_figures_of_the_span(tmp_path: Path) -> None:
    silence = Tone(3.0, level_dbfs=-200.0)
    bench = Recorded(tmp_path, music(5.0), silence, music(6.0), silence, music(3.0))
    bench.run(2.0)
    bench.engine.mark()
    bench.run(15.0)
    bench.close()
    found = [(round(at), kind, words) for at, kind, words in bench.events("mark", "pass")]
    assert found == [
        (2, "mark", "Mark."),
        (5, "pass", "Play stopped."),
        (8, "pass", "Play started."),
        (14, "pass", "Play stopped."),
    ]
    lengths = {round(event.seconds) for event in bench.line.posted if getattr(event, "seconds", None)}
    assert lengths == {5, 6}, "a pass lasts from its start to its stop, whatever marks lie in it"


def test_overs_and_clips_are_events_once(tmp_path: Path) -> None:
    loud = np.full((round(0.3 * RATE_HZ), 2), 0.1, np.float32)
    loud[800:804, 1] = 1.0
    loud[1600:1601, 1] = 1.5
    bench = Recorded(tmp_path, Tone(2.5), Samples(loud), Tone(4.0), Samples(loud), Tone(3.0))
    bench.run(8.0)
    bench.engine.reset()
    bench.run(1.5)
    bench.close()
    overs = bench.events("over")
    assert [round(at, 1) for at, _kind, _words in overs] == [2.6, 6.9]
    assert overs[0][2].startswith("Over: +3.5 dBTP in channel 2")
    assert [round(at, 1) for at, _kind, _words in bench.events("clip")] == [2.6, 6.9]


def test_events_of_the_window_come_once_even_when_two_engines_got_them(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(10.0))
    event = RecordEvent("verdict", "Mono: loses 3 dB.", NOON + 1.25, "mix", figures={"loss_db": 3.0}, number=7)
    bench.day.take_event(event)
    bench.day.take_event(event)
    bench.run(1.0)
    bench.close()
    assert bench.day.events_taken == 7
    assert bench.events("verdict") == [(1.25, "verdict", "Mono: loses 3 dB.")]


@pytest.mark.parametrize("words", ["lone \ud800 surrogate", "nul \0 inside", "x" * 100_000])
def test_words_that_no_file_can_hold_stop_nothing(tmp_path: Path, words: str) -> None:
    bench = Recorded(tmp_path, music(10.0))
    bench.day.take_event(RecordEvent("note", words, math.nan, figures={"a": math.inf}))
    bench.run(2.0)
    bench.close()
    assert bench.writer.sentence == ""
    assert len(bench.events("note")) == 1
    assert len(bench.figures(INTEGRATED)) == 2


def test_a_day_that_ends_while_sound_comes_goes_on_in_the_next_file(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0))
    bench.time.go(12 * HOUR - 10)
    bench.engine.open(SourceRequest("script", "a script"), None, "song")
    bench.run(20.0)
    bench.close()
    files = sorted(bench.folder.rglob("2026-03-*.sqlite3"))
    assert [path.name for path in files] == ["2026-03-04.sqlite3", "2026-03-05.sqlite3"]
    counts = [len(list(figures_in(path, INTEGRATED))) for path in files]
    assert sum(counts) == 20
    assert min(counts) >= 9


def test_two_readings_of_the_level_at_the_seat_never_count_twice(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, Tone(60.0, level_dbfs=-20.0), plugins=[METERS["listening"]])
    bench.engine.configure("listening", {"calibrated": True, "offset_db": 100.0})
    frame = bench.run(20.5)
    bench.close()
    levels = [float(values[0]) for values in bench.figures("listening.seat_second").values()]
    known = [level for level in levels if not math.isnan(level)]
    assert len(known) == frame.number("listening.seconds")
    assert known[5] == pytest.approx(frame.number("listening.seat_second"), abs=0.01)


def test_before_there_is_a_figure_there_is_no_row(tmp_path: Path) -> None:
    bench = Recorded(tmp_path)
    bench.run(5.0)
    bench.close()
    assert list(figures_in(bench.path, INTEGRATED)) == []


def test_a_mark_that_is_named_is_one_mark_with_its_name_and_figures(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(20.0))
    bench.run(5.0)
    bench.engine.mark()
    bench.run(2.0)
    first = read(bench.path)
    (at,) = [event.at for event in first.events if event.kind == "mark"]
    bench.day.take_event(RecordEvent("mark", "verse", at, number=1))
    bench.day.take_event(RecordEvent("mark", "chorus", at, number=2))
    bench.run(2.0)
    bench.close()
    for found in (read(bench.path), read_after(first, bench.path)):
        (mark,) = [event for event in found.events if event.kind == "mark"]
        assert mark.words == "chorus"
        assert mark.figures["loudness.measured_mark"] == pytest.approx(5.0)


def test_a_day_of_the_recorder_adds_up_when_it_is_read(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(20.0), Lost(2 * RATE_HZ), music(20.0, 2))
    frame = bench.run(40.0)
    bench.close()
    found = read(bench.path)
    assert found.sentence == ""
    blocks = found.feeds["mix"].columns[BLOCKS]
    assert np.count_nonzero(~np.isnan(blocks)) == frame.number("loudness.blocks_counted")
    assert gated(blocks[~np.isnan(blocks)]) == pytest.approx(frame.number(INTEGRATED), abs=BINS_LU)
    highest = float(np.nanmax(found.feeds["mix"].columns[TRUE]))
    assert highest == pytest.approx(frame.number("peaks.true_max"), abs=1e-4)


def test_a_clock_that_was_set_back_in_a_pause_keeps_the_rows_of_both_times(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(5.0), Gone(refusals=0), music(30.0))
    bench.run(5.0)
    bench.time.wall -= 100.0 - 10.0
    bench.time.steady += 10.0
    bench.run(8.0)
    bench.close()
    seconds = sorted(bench.figures(INTEGRATED))
    assert seconds[0] < -80, "rows after the pause stand where the clock is now"
    assert seconds[-5:] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("back", [1.0, 3.0, 30.0, 3600.0])
def test_no_row_is_lost_where_seconds_come_again(tmp_path: Path, back: float) -> None:
    bench = Recorded(tmp_path, music(60.0))
    bench.run(10.0)
    before = len(list(figures_in(bench.path, INTEGRATED)))
    bench.day.rest()
    bench.time.wall -= back
    bench.run(10.0)
    bench.close()
    rows = list(figures_in(bench.path, INTEGRATED))
    assert len(rows) >= before + 10
    assert len(all_blocks(bench)) == 197


def test_an_engine_has_the_job_from_the_message_of_the_window(tmp_path: Path) -> None:
    bench = Recorded(tmp_path, music(60.0), job="first")
    request = SourceRequest("script", "a script")
    message = to_engine(encode(OpenSource(request, {"mix": (0, 1)}, "second")))
    assert obey(bench.engine, message)
    bench.run(2.0)
    bench.close()
    bench.job = "second"
    assert len(bench.figures(INTEGRATED)) >= 2

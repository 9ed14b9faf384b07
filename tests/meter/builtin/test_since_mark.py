"""Figures since the mark: those of a meter that was started at the mark, and the figures since R are not touched."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.signals import silence, tone
from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.plugin.host import discover, usable
from meter.readings import Frame
from tests.support.low_session import CHANNELS, FEEDS, session
from tests.support.processors import BLOCK_SIZES, Processor

RATE_HZ = 48_000
SECONDS = 14.0
MARK_AT = 8 * RATE_HZ

SINCE_MARK = {
    "loudness.integrated_mark": ("loudness.integrated", 0.01),
    "loudness.range_mark": ("loudness.range", 0.01),
    "loudness.momentary_max_mark": ("loudness.momentary_max", 0.01),
    "loudness.short_term_max_mark": ("loudness.short_term_max", 0.01),
    "loudness.measured_mark": ("loudness.measured", 1e-9),
    "loudness.lost_mark": ("loudness.incomplete", 0.0),
    "peaks.true_max_mark": ("peaks.true_max", 1e-4),
    "peaks.sample_max_mark": ("peaks.sample_max", 1e-9),
    "peaks.overs_mark": ("peaks.overs", 0.0),
    "peaks.clipped_mark": ("peaks.clipped", 0.0),
    "peaks.to_loudness_mark": ("peaks.to_loudness", 0.01),
    "vu.max_mark": ("vu.max", 0.05),
    "mono_lows.fold_down_loss_mark": ("mono_lows.fold_down_loss", 0.05),
    "mono_lows.balance_mark": ("mono_lows.balance", 0.05),
}
"""Each with the figure of a meter that started at the mark, and how far apart: filters heard what came before."""


def sound() -> FloatArray:
    """Louder before the mark than after it, over full scale on both sides of it."""
    wave = session(SECONDS).copy()
    wave[:MARK_AT] *= 8.0
    wave[MARK_AT:] *= 3.0
    wave[MARK_AT - 480 : MARK_AT + 480] = 0.0
    return wave


def played(*pieces: FloatArray | None) -> Frame:
    """Readings after these pieces of sound; None is a mark."""
    chain = Chain([GuardedMeter(plugin) for plugin in usable(discover())], RATE_HZ, CHANNELS, FEEDS)
    for piece in pieces:
        if piece is None:
            chain.mark()
        else:
            for start in range(0, len(piece), 4800):
                chain.process(piece[start : start + 4800])
    return Frame(chain.layout, chain.read().copy())


def test_since_the_mark_reads_what_a_meter_reads_that_starts_there() -> None:
    wave = sound()
    marked, fresh = played(wave[:MARK_AT], None, wave[MARK_AT:]), played(wave[MARK_AT:])
    for key, (plain, doubt) in SINCE_MARK.items():
        assert np.isfinite(fresh.number(plain)), plain
        assert marked.number(key) == pytest.approx(fresh.number(plain), abs=doubt), key
    assert fresh.number("peaks.overs") > 0


def test_a_mark_does_not_touch_the_figures_since_r() -> None:
    wave = sound()
    marked, whole = played(wave[:MARK_AT], None, wave[MARK_AT:]), played(wave)
    for key, (plain, _) in SINCE_MARK.items():
        assert marked.number(plain) == whole.number(plain), plain
        assert whole.number(key) == whole.number(plain), f"{key}: without a mark since R and since the mark are one"
    assert marked.number("loudness.integrated") > marked.number("loudness.integrated_mark") + 3.0


def test_the_frame_has_all_figures_of_a_span_by_full_key() -> None:
    figures = played(sound()[:MARK_AT], None, sound()[MARK_AT:]).since_mark()
    assert set(figures) >= set(SINCE_MARK) | {"vu.usual_mark", "vu.usual_low_mark", "mono_lows.level_mark"}
    assert {f"spectrum.third_octave_mark.{number}" for number in range(31)} <= set(figures)


@pytest.mark.parametrize("size", BLOCK_SIZES)
@pytest.mark.parametrize("meter_id", ["loudness", "peaks", "vu", "mono_lows", "spectrum"])
def test_any_block_size_gives_the_same_since_the_mark(meter_id: str, size: int) -> None:
    wave = session(2.0)[:, :2] * 3.0
    found = []
    for sizes in ((480,), (size,)):
        processor = Processor(meter_id)
        processor.feed(wave[: RATE_HZ // 2].copy(), sizes)
        processor.meter.mark()
        processor.feed(wave[RATE_HZ // 2 :].copy(), sizes)
        found.append({key: value for key, value in processor.read().items() if key.endswith(("_mark", "_at"))})
    for key, value in found[0].items():
        np.testing.assert_allclose(found[1][key], value, rtol=1e-9, atol=1e-5, err_msg=key)


def test_sits_at_and_hits_since_the_mark_are_percentiles_of_the_whole_span() -> None:
    """Nine parts of quiet tone and three of loud: the 10th percentile is the quiet one, the 90th the loud one."""
    processor = Processor("vu")
    processor.feed(tone(1000.0, -6.0, 5.0, RATE_HZ, 2))
    processor.meter.mark()
    for level, seconds in ((-30.0, 9.0), (-20.0, 3.0)):
        processor.feed(tone(1000.0, level, seconds, RATE_HZ, 2))
    read = processor.read()
    assert read["usual_low_mark"] == pytest.approx(-12.0, abs=0.1)
    assert read["usual_mark"] == pytest.approx(-2.0, abs=0.1)


@pytest.mark.parametrize("movement", ["vu", "ppm_1", "ppm_2"])
def test_a_pointer_that_falls_from_before_the_mark_is_not_the_max_since_the_mark(movement: str) -> None:
    processor = Processor("vu", movement=movement)
    processor.feed(tone(1000.0, -6.0, 2.0, RATE_HZ, 2))
    processor.meter.mark()
    assert np.isnan(processor.read()["max_mark"])
    processor.feed(tone(1000.0, -30.0, 5.0, RATE_HZ, 2))
    assert processor.read()["max_mark"] == pytest.approx(-12.0, abs=0.1)


def over(at: float, channel: int, seconds: float, level_dbfs: float = 2.0) -> FloatArray:
    wave = silence(seconds, RATE_HZ, 2)
    start = round(at * RATE_HZ)
    wave[start : start + 480, channel] = tone(997.0, level_dbfs, 0.01, RATE_HZ).ravel()[:480]
    return wave


def test_an_over_is_placed_in_time_and_channel() -> None:
    processor = Processor("peaks")
    processor.feed(over(2.0, 1, 5.0), (4800,))
    processor.skip(10.0)
    processor.feed(over(1.0, 0, 3.0, 4.0), (4800,))
    read = processor.read()
    assert read["over_at"][-2:] == pytest.approx([2.0, 16.0], abs=0.011)
    assert list(read["over_channel"][-2:]) == [1.0, 0.0]
    assert read["over_peak"][-2:] == pytest.approx([2.0, 4.0], abs=0.3)
    assert np.isnan(read["over_at"][:-2]).all()
    assert read["clip_at"][-2:] == pytest.approx([2.0, 16.0], abs=0.011)
    assert list(read["clip_channel"][-2:]) == [1.0, 0.0]


def test_overs_within_a_second_are_one_line_with_the_highest_and_a_count() -> None:
    processor = Processor("peaks")
    wave = over(1.0, 0, 4.0, 1.0) + over(1.4, 1, 4.0, 3.0) + over(1.8, 0, 4.0, 2.0) + over(2.5, 0, 4.0, 1.0)
    processor.feed(wave)
    read = processor.read()
    assert list(read["over_count"][-2:]) == [3.0, 1.0]
    assert read["over_channel"][-2] == 1.0
    assert read["overs"] == 4.0


def test_a_reset_forgets_where_overs_were_and_the_mark() -> None:
    processor = Processor("peaks")
    processor.feed(over(1.0, 0, 3.0))
    processor.meter.mark()
    processor.meter.reset()
    processor.feed(over(0.5, 0, 1.0))
    read = processor.read()
    assert read["over_at"][-1] == pytest.approx(0.5, abs=0.011)
    assert np.isnan(read["over_at"][-2])
    assert read["overs_mark"] == read["overs"] == 1.0

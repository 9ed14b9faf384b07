"""The live stream of low parts: spans, what is kept over gaps and pauses, and the stretch it hands out."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.low_stream import LAST, MARKED, SITTING, LowStream
from dsp.lowend.low_stretch import LowStretch
from tests.support.low_parts import RATE_HZ, held, place, tone

SECONDS = 12
BASS = place([(0.1 + 0.5 * n, held((41.2, 55.0)[n % 2], 0.45, level=0.2)) for n in range(2 * SECONDS)], SECONDS)
KEYS = place([(0.1 + 0.5 * n, held((131.0, 165.0)[n % 2], 0.45, level=0.1)) for n in range(2 * SECONDS)], SECONDS)
RUMBLING = KEYS + tone(33.0, -32.0, len(KEYS))
NAMES = ("bass", "keys")


def stream(*signals: np.ndarray, block: int = 480) -> LowStream:
    made = LowStream(RATE_HZ, len(signals), [(number,) for number in range(len(signals))])
    feed(made, np.hstack(signals), block)
    return made


def feed(made: LowStream, joined: np.ndarray, block: int = 480) -> None:
    for start in range(0, len(joined), block):
        made.process(joined[start : start + block])


def stretch(made: LowStream) -> LowStretch:
    return made.stretch(NAMES, SITTING, None, None, 30.0)


def test_spans_count_what_they_say() -> None:
    made = stream(BASS, KEYS)
    assert made.heard_seconds(LAST) == pytest.approx(SECONDS, abs=0.3)
    made.mark()
    assert made.heard_seconds(MARKED) == 0.0
    assert made.heard_seconds(SITTING) == pytest.approx(SECONDS, abs=0.3)
    assert np.isnan(made.sums(MARKED).share_percent).all()
    made.look_back(8.0)
    assert (made.last_seconds, made.heard_seconds(LAST)) == (8.0, 0.0)
    assert np.isnan(made.sums(LAST).share_percent).all()
    assert np.isfinite(made.sums(SITTING).share_percent).all()


@pytest.mark.parametrize("block", [1, 479, 48_000])
def test_any_block_size_leaves_the_same_stretch(block: int) -> None:
    """At any moment, too: what waits is worked through by frames, not by calls."""
    seconds = 1 if block == 1 else 3
    joined = np.hstack([BASS, RUMBLING])[: seconds * RATE_HZ + 31_000]
    ticks, blocks = LowStream(RATE_HZ, 2, [(0,), (1,)]), LowStream(RATE_HZ, 2, [(0,), (1,)])
    feed(ticks, joined)
    feed(blocks, joined, block)
    first, second = stretch(ticks), stretch(blocks)
    assert first.kept_seconds == second.kept_seconds == pytest.approx(seconds, abs=0.05)
    for one, other in zip(first.parts, second.parts, strict=True):
        np.testing.assert_allclose(one.kept, other.kept, atol=1e-6)
        np.testing.assert_allclose(one.rows, other.rows, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(first.sums.parts, second.sums.parts, rtol=1e-9)


def test_all_parts_of_a_stretch_end_at_the_same_frame() -> None:
    """Parts are worked through a few at a time; none is ahead of the others in what is handed out."""
    made = LowStream(RATE_HZ, 2, [(0,), (1,)])
    for start in range(0, 4 * RATE_HZ, 480):
        made.process(np.hstack([BASS, BASS])[start : start + 480])
        first, second = stretch(made).parts
        assert first.samples == second.samples == stretch(made).together.samples


def test_a_stretch_stays_as_it_is_while_more_sound_comes() -> None:
    made = stream(BASS, RUMBLING)
    old, again = stretch(made), stretch(made)
    captured, kept = again.captured.of(1), again.parts[1].kept.copy()
    assert captured is not None
    feed(made, np.zeros((RATE_HZ, 2)))
    made.reset()
    later = old.captured.of(1)
    assert later is not None
    np.testing.assert_array_equal(later.own, captured.own)
    np.testing.assert_array_equal(old.parts[1].kept, kept)


def test_captured_sound_is_the_newest_of_part_sum_and_mix() -> None:
    made = LowStream(RATE_HZ, 4, [(0,), (1,)], (2, 3))
    mix = np.hstack([BASS + KEYS, BASS + KEYS])
    feed(made, np.hstack([BASS, KEYS, mix]))
    captured = stretch(made).captured.of(0)
    assert captured is not None
    assert captured.mix is not None
    assert captured.own.shape == (10 * RATE_HZ, 1)
    np.testing.assert_allclose(captured.own, BASS[2 * RATE_HZ :], atol=1e-7)
    np.testing.assert_allclose(captured.together, mix[2 * RATE_HZ :], atol=1e-6)
    np.testing.assert_allclose(captured.mix, mix[2 * RATE_HZ :], atol=1e-6)


def test_a_pause_takes_nothing_away_and_a_gap_is_not_read_across() -> None:
    made = stream(BASS, RUMBLING)
    floor = stretch(made).parts[0].lowest_note().floor_hz
    made.process(np.zeros((40 * RATE_HZ, 2)))
    paused = stretch(made)
    assert paused.kept_seconds == pytest.approx(SECONDS + 1.0, abs=0.05)
    assert paused.active == (False, False)
    assert paused.parts[0].lowest_note().floor_hz == pytest.approx(floor, rel=1e-3)
    assert paused.captured.of(0) is not None
    made.skip(RATE_HZ)
    assert stretch(made).captured.of(0) is None
    feed(made, np.hstack([BASS, RUMBLING])[: 3 * RATE_HZ])
    sound = stretch(made).parts[0]
    assert np.isnan(sound.kept).any()
    assert 12.5 * sound.rate_hz < len(sound.audio()) < 13.5 * sound.rate_hz


def test_many_gaps_in_a_row_leave_no_backlog() -> None:
    made = stream(BASS, RUMBLING)
    for _ in range(50):
        feed(made, np.hstack([BASS, RUMBLING])[:4800])
        made.skip(480)
    feed(made, np.hstack([BASS, RUMBLING])[: 3 * RATE_HZ])
    assert len(made._due) <= 1


def test_the_offset_of_a_long_gap_is_added_to_the_age() -> None:
    made = stream(BASS, KEYS)
    made.skip(7200 * RATE_HZ)
    assert made.age_seconds == pytest.approx(7200.0, rel=0.01)


@pytest.mark.parametrize("columns", [[], [()], [(0, 1, 2)]])
def test_parts_that_cannot_be_are_refused(columns: list[tuple[int, ...]]) -> None:
    with pytest.raises(ValueError, match="one channel or two"):
        LowStream(RATE_HZ, 3, columns)


@pytest.mark.parametrize(("parts", "mix"), [([(2,)], None), ([(-1,)], None), ([(0,)], (1, 2))])
def test_channels_that_are_not_there_are_refused(parts: list[tuple[int, ...]], mix: tuple[int, ...] | None) -> None:
    with pytest.raises(ValueError, match="outside the 2"):
        LowStream(RATE_HZ, 2, parts, mix)


def test_another_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        LowStream(RATE_HZ, 2, [(0,)]).process(np.zeros((10, 3)))


def test_many_channels_at_a_high_rate_capture_less() -> None:
    """34 million samples would be 136 MB; 24 million are kept."""
    few, many = LowStream(48_000, 2, [(0,), (1,)]), LowStream(192_000, 32, [(number,) for number in range(32)])
    assert few._capture.frames == 12 * 48_000
    assert many._capture.frames == 24_000_000 // 34

"""Play and stop from the sound alone: where they are placed, what is no stop, any blocks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.core.signals import silence, tone
from dsp.core.types import FloatArray
from dsp.level.transport import Transport
from tests.support.processors import BLOCK_SIZES, blocks

RATE_HZ = 48_000


def turns(*pieces: FloatArray, sizes: tuple[int, ...] = (480,)) -> list[tuple[float, bool]]:
    """Seconds and direction of every turn."""
    transport, found, begin = Transport(RATE_HZ), [], 0
    for block in blocks(np.concatenate(pieces), sizes):
        found += [((begin + frame) / RATE_HZ, plays) for frame, plays in transport.push(block)]
        begin += len(block)
    return found


def music(seconds: float, level_dbfs: float = -18.0) -> FloatArray:
    return tone(440.0, level_dbfs, seconds, RATE_HZ, 2)


def rest(seconds: float) -> FloatArray:
    return silence(seconds, RATE_HZ, 2)


def test_play_stop_and_play_again() -> None:
    found = turns(rest(1.0), music(5.0), rest(4.0), music(3.0))
    assert [plays for _, plays in found] == [True, False, True]
    assert [at for at, _ in found] == pytest.approx([1.0, 8.0, 10.0], abs=0.011)


def test_a_rest_in_the_music_is_no_stop() -> None:
    assert [plays for _, plays in turns(music(3.0), rest(1.5), music(3.0))] == [True]


def test_the_noise_after_the_music_is_a_stop_and_a_fade_is_none_before_it_ends() -> None:
    assert [plays for _, plays in turns(music(5.0, -10.0), music(4.0, -54.0))] == [True, False]
    assert [plays for _, plays in turns(music(5.0, -20.0), music(4.0, -54.0))] == [True]


def test_the_last_sound_is_where_it_stopped() -> None:
    transport = Transport(RATE_HZ)
    transport.push(np.concatenate([music(3.0), rest(2.5)]))
    assert not transport.plays
    assert transport.silent_seconds == pytest.approx(2.5, abs=0.011)


@pytest.mark.parametrize("size", BLOCK_SIZES)
def test_any_block_size_finds_the_same_turns(size: int) -> None:
    pieces = rest(0.305), music(2.0), rest(2.503), music(1.0)
    usual, other = turns(*pieces), turns(*pieces, sizes=(size,))
    assert [plays for _, plays in other] == [plays for _, plays in usual]
    assert [at for at, _ in other] == pytest.approx([at for at, _ in usual], abs=0.011)


def test_samples_that_are_no_numbers_are_no_sound() -> None:
    broken = np.full((RATE_HZ, 2), np.nan)
    assert turns(rest(1.0), broken) == []


@pytest.mark.parametrize("value", [math.inf, 1e38])
def test_one_absurd_sample_does_not_stop_the_music(value: float) -> None:
    """It would be "what was loud", and nothing after it within 40 dB."""
    spoilt = music(1.0)
    spoilt[500] = value
    assert [plays for _, plays in turns(music(1.0), spoilt, music(5.0))] == [True]

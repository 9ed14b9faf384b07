"""The scenario as a source: channels and names, pace, going round, and what is said when it cannot play."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from meter.audio import demo
from meter.audio.demo import CHUNK_FRAMES, FEEDS, DemoSource
from meter.audio.open import make_source
from meter.audio.ring_buffer import Consumer, make_ring
from meter.audio.source import SourceError, SourceRequest
from meter.demo import Music
from meter.demo.store import CHANNELS, SUMS

FRAMES = 40_000
DEADLINE_SECONDS = 20.0


def short_music(keys: tuple[str, ...]) -> Music:
    stored = [key for key in keys if key not in SUMS]
    kept = {key: np.zeros((FRAMES, CHANNELS[key]), dtype=np.float32) for key in stored}
    for number, feed in enumerate(kept.values()):
        feed[:] = (number + np.arange(FRAMES, dtype=np.float32) / FRAMES)[:, None]
    music = Music(keys, kept=kept)
    music.frames = FRAMES
    return music


@pytest.fixture(autouse=True)
def without_synthesis(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "prepare", lambda keys: short_music(keys))


@pytest.fixture
def play() -> Iterator[Callable[..., tuple[DemoSource, Consumer]]]:
    playing: list[DemoSource] = []

    def start(frames: int = 30_000, **options: Any) -> tuple[DemoSource, Consumer]:
        source = DemoSource(SourceRequest("demo", options=options))
        producer, consumer = make_ring(frames, source.open().channels)
        source.start(producer)
        playing.append(source)
        return source, consumer

    yield start
    for source in playing:
        source.stop()


def take(consumer: Consumer, frames: int) -> np.ndarray:
    blocks, missing, deadline = [], frames, time.monotonic() + DEADLINE_SECONDS
    while missing:
        assert time.monotonic() < deadline, "the demo stopped playing"
        block = consumer.read(missing)
        blocks.append(block)
        missing -= len(block)
        if not len(block):
            time.sleep(0.001)
    return np.concatenate(blocks)


def test_the_mix_is_two_channels_and_the_usual_choice() -> None:
    info = make_source(SourceRequest("demo")).open()
    assert (info.kind, info.name, info.rate_hz, info.channels, info.live) == ("demo", "demo", 48_000, 2, True)
    assert info.channel_names == ("mix L", "mix R")
    assert info.note == ""


def test_all_feeds_side_by_side_with_their_names() -> None:
    info = DemoSource(SourceRequest("demo", options={"feeds": "all"})).open()
    assert info.channels == 16
    assert info.channel_names == (
        "mix L", "mix R", "low drum", "double bass", "plucked pair L", "plucked pair R", "organ", "voice",
        "room L", "room R", "before bus compressor", "after bus compressor", "before colour stage L",
        "before colour stage R", "after colour stage L", "after colour stage R",
    )  # fmt: skip


@pytest.mark.parametrize("feeds", ["some", "", "MIX", 3])
def test_unknown_feeds_are_refused_with_the_choice(feeds: object) -> None:
    with pytest.raises(SourceError, match="choose mix or all"):
        DemoSource(SourceRequest("demo", options={"feeds": feeds})).open()


@pytest.mark.parametrize("feeds", FEEDS)
def test_fast_goes_round_and_loses_nothing(play: Callable[..., Any], feeds: str) -> None:
    source, consumer = play(feeds=feeds, fast=True)
    heard = take(consumer, 3 * FRAMES + 123)
    whole = short_music(FEEDS[feeds]).read(0, FRAMES)
    np.testing.assert_array_equal(heard, np.concatenate([whole, whole, whole, whole[:123]]))
    assert consumer.lost == 0
    assert not source.ended()
    assert source.statistics()["rounds"] >= 3
    assert source.fault() == ""


def test_a_small_ring_is_enough(play: Callable[..., Any]) -> None:
    _, consumer = play(frames=64, fast=True)
    heard = take(consumer, 1000)
    np.testing.assert_array_equal(heard, short_music(("mix",)).read(0, 1000))


def test_real_time_comes_in_blocks_of_ten_milliseconds_and_never_early(play: Callable[..., Any]) -> None:
    begin = time.monotonic()
    source, consumer = play()
    take(consumer, 4800)
    assert time.monotonic() - begin >= 0.1
    statistics = source.statistics()
    assert statistics["frames"] == 480 * statistics["callbacks"]
    assert statistics["last_callback_ns"] > 0


def test_stopping_twice_and_playing_again_from_the_first_frame() -> None:
    source = DemoSource(SourceRequest("demo", options={"fast": True}))
    source.stop()
    for _ in range(2):
        producer, consumer = make_ring(2 * CHUNK_FRAMES, source.open().channels)
        source.start(producer)
        np.testing.assert_array_equal(take(consumer, 500), short_music(("mix",)).read(0, 500))
        source.stop()
        source.stop()
    assert not source.ended()


def test_a_cache_that_goes_away_is_told_and_the_next_start_is_clean(monkeypatch: pytest.MonkeyPatch) -> None:
    source = DemoSource(SourceRequest("demo", options={"fast": True}))
    source.open()

    def gone(_self: Music, _start: int, _frames: int) -> None:
        raise FileNotFoundError(2, "No such file", "mix.f32")

    with monkeypatch.context() as patch:
        patch.setattr(Music, "read", gone)
        source.start(make_ring(1000, 2)[0])
        deadline = time.monotonic() + DEADLINE_SECONDS
        while not source.ended():
            assert time.monotonic() < deadline
            time.sleep(0.001)
    assert "mix.f32" in source.fault()
    assert "made again" in source.fault()
    source.stop()
    source.open()
    assert not source.ended()
    assert source.fault() == ""


def test_too_little_memory_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(keys: tuple[str, ...]) -> Music:
        raise MemoryError

    monkeypatch.setattr(demo, "prepare", full)
    with pytest.raises(SourceError, match="too little memory"):
        DemoSource(SourceRequest("demo")).open()


def test_music_from_memory_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "prepare", lambda keys: Music(keys, kept=short_music(keys)._kept, note="From memory."))
    assert DemoSource(SourceRequest("demo")).open().note == "From memory."

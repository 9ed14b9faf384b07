"""The level of each channel: whatever is soloed is the one that moves, mapped or not."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.processors import Processor

RATE_HZ = 48_000


def solo(channel: int, channels: int = 8, seconds: float = 0.5) -> np.ndarray:
    signal = np.zeros((round(seconds * RATE_HZ), channels))
    signal[:, channel] = 0.5 * np.sin(2 * np.pi * 250.0 / RATE_HZ * np.arange(len(signal)))
    return signal


def test_the_channel_that_is_soloed_reads_its_peak() -> None:
    meter = Processor("channels", channels=8, feeds={"part kick": (3,)})
    meter.feed(solo(5))
    levels = meter.read()["level"]
    assert levels[5] == pytest.approx(-6.02, abs=0.01)
    assert (np.delete(levels, 5) == -np.inf).all()


def test_levels_fall_by_20_db_in_a_second_and_the_highest_stays() -> None:
    meter = Processor("channels", channels=8)
    meter.feed(solo(1))
    meter.feed(np.zeros((RATE_HZ, 8)))
    reading = meter.read()
    assert reading["level"][1] == pytest.approx(-26.02, abs=0.01)
    assert reading["highest"][1] == pytest.approx(-6.02, abs=0.01)


def test_a_gap_is_like_silence_and_takes_no_time() -> None:
    meter = Processor("channels", channels=32)
    assert np.isnan(meter.read()["level"]).all()
    meter.feed(solo(0, 32))
    meter.skip(1.0)
    assert meter.read()["level"][0] == pytest.approx(-26.02, abs=0.2)
    meter.skip(36_000.0)
    assert meter.read()["level"][0] < -150.0
    meter.meter.reset()
    assert np.isnan(meter.read()["highest"]).all()

"""The loss detector on a virtual clock: drift, lateness, bursts and real losses.

Drift figures: 300 ppm is ten times the tolerance usual for crystals in sound devices (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from meter.audio.loss import ClockEvent, LossDetector

RATE_HZ = 48_000
PERIOD_FRAMES = 1024
LATENCY_SECONDS = 4096 / 48_000


class Device:
    """Delivers periods on its own clock; ``jitter_seconds`` makes each late by an exponential amount."""

    def __init__(self, ppm: float = 0.0, jitter_seconds: float = 0.003, rate_hz: int = RATE_HZ) -> None:
        self._true_rate_hz = rate_hz * (1.0 + ppm * 1e-6)
        self._jitter_seconds = jitter_seconds
        self._random = np.random.default_rng(5)
        self._sounded = 0
        self._delivered = 0
        self._latest = 0.0

    def run(self, seconds: float) -> Iterator[tuple[int, int]]:
        for _ in range(round(seconds * self._true_rate_hz / PERIOD_FRAMES)):
            self._sounded += PERIOD_FRAMES
            self._delivered += PERIOD_FRAMES
            yield self._stamp(self._random.exponential(self._jitter_seconds))

    def lose(self, frames: int) -> None:
        self._sounded += frames

    def stall(self, seconds: float) -> Iterator[tuple[int, int]]:
        """Nothing for ``seconds``, then all of it within a few milliseconds."""
        end = self._sounded / self._true_rate_hz + seconds
        while self._sounded / self._true_rate_hz < end:
            self._sounded += PERIOD_FRAMES
            self._delivered += PERIOD_FRAMES
            yield self._stamp(max(0.0, end - self._sounded / self._true_rate_hz))

    def _stamp(self, late_seconds: float) -> tuple[int, int]:
        self._latest = max(self._latest + 1e-5, self._sounded / self._true_rate_hz + late_seconds)
        return self._delivered, 5_000_000_000 + round(self._latest * 1e9)


def feed(detector: LossDetector, pairs: Iterator[tuple[int, int]]) -> list[ClockEvent]:
    return [event for frames, time_ns in pairs if (event := detector.push(frames, time_ns))]


@pytest.mark.parametrize("ppm", [0.0, 50.0, -50.0, 300.0, -300.0, 700.0])
def test_a_drifting_clock_is_no_loss_in_ten_minutes(ppm: float) -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    assert feed(detector, Device(ppm).run(600)) == []
    assert detector.lost_frames == 0
    assert detector.drift_ppm == pytest.approx(ppm, abs=30)


@pytest.mark.parametrize("jitter_seconds", [0.0, 0.003, 0.04])
@pytest.mark.parametrize("ppm", [0.0, 300.0, -300.0])
@pytest.mark.parametrize("lost_seconds", [0.25, 1.0, 7.0])
def test_a_real_loss_is_one_gap_with_its_length_and_place(
    lost_seconds: float, ppm: float, jitter_seconds: float
) -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device(ppm, jitter_seconds)
    assert feed(detector, device.run(40)) == []
    before = device._delivered
    device.lose(round(lost_seconds * RATE_HZ))
    events = feed(detector, device.run(40))
    assert [event.kind for event in events] == ["gap"]
    assert events[0].frames == pytest.approx(lost_seconds * RATE_HZ, abs=0.02 * RATE_HZ)
    assert events[0].at_frame == pytest.approx(before, abs=0.5 * RATE_HZ if jitter_seconds > 0.01 else PERIOD_FRAMES)
    assert detector.lost_frames == events[0].frames


@pytest.mark.parametrize("seconds", [0.1, 0.6, 1.5, 10.0])
def test_a_stall_that_delivers_everything_afterwards_is_no_loss(seconds: float) -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device(100.0)
    events = feed(detector, device.run(30))
    events += feed(detector, device.stall(seconds))
    events += feed(detector, device.run(30))
    assert events == []


def test_a_stall_that_loses_half_is_a_gap_of_that_half() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device()
    events = feed(detector, device.run(30))
    events += feed(detector, device.stall(2.0))
    device.lose(2 * RATE_HZ)
    events += feed(detector, device.run(30))
    assert [event.kind for event in events] == ["gap"]
    assert events[0].frames == pytest.approx(2 * RATE_HZ, abs=0.02 * RATE_HZ)


def test_lateness_taken_for_a_loss_is_taken_back_when_the_frames_come() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device(jitter_seconds=0.0)
    feed(detector, device.run(20))
    late_from = device._sounded
    late = [(frames, time_ns + 800_000_000) for frames, time_ns in device.run(8)]
    assert [event.kind for event in feed(detector, iter(late))] == ["gap"]
    assert detector.lost_frames == pytest.approx(0.8 * RATE_HZ, abs=0.02 * RATE_HZ)
    assert late_from < device._sounded
    catching_up = [(frames, max(time_ns, late[-1][1] + 1)) for frames, time_ns in device.run(12)]
    events = feed(detector, iter(catching_up))
    assert [event.kind for event in events] == ["burst"]
    assert events[0].at_ns - late[-1][1] < 1_500_000_000  # at once: frames that came are certain
    assert detector.lost_frames == pytest.approx(0, abs=0.01 * RATE_HZ)


def test_several_losses_are_told_one_by_one() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device(200.0)
    events = feed(detector, device.run(15))
    for _ in range(5):
        device.lose(RATE_HZ // 2)
        events += feed(detector, device.run(15))
    assert [event.kind for event in events] == ["gap"] * 5
    assert detector.lost_frames == pytest.approx(2.5 * RATE_HZ, abs=0.05 * RATE_HZ)


def test_what_a_stream_delivers_while_it_opens_is_not_judged() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device()
    device.lose(RATE_HZ)  # the clock ran a second before anything came
    feed(detector, iter([(0, 5_000_000_000)]))
    assert feed(detector, device.run(20)) == []


def test_losses_below_the_threshold_are_not_claimed() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    assert detector.threshold_seconds == pytest.approx(2 * LATENCY_SECONDS)
    device = Device()
    feed(detector, device.run(15))
    device.lose(round(0.1 * RATE_HZ))
    assert feed(detector, device.run(15)) == []
    assert LossDetector(RATE_HZ, float("nan")).threshold_seconds == pytest.approx(0.02)


def test_the_same_delivery_polled_many_times_counts_once() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device()
    polled = (pair for pair in device.run(20) for _ in range(4))
    assert feed(detector, polled) == []
    device.lose(RATE_HZ)
    assert len(feed(detector, (pair for pair in device.run(20) for _ in range(4)))) == 1


def test_reset_forgets_the_line_and_keeps_the_count() -> None:
    detector = LossDetector(RATE_HZ, LATENCY_SECONDS)
    device = Device()
    feed(detector, device.run(15))
    device.lose(RATE_HZ)
    feed(detector, device.run(10))
    lost = detector.lost_frames
    assert lost > 0
    detector.reset()
    assert np.isnan(detector.drift_ppm)
    assert feed(detector, Device(rate_hz=RATE_HZ).run(30)) == []
    assert detector.lost_frames == lost

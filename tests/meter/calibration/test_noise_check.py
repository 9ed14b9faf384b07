"""What plays while calibrating: each wrong thing is one sentence, the right one is a level."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meter.calibration.level_at_seat import a_minus_c_db, weighted_db
from meter.calibration.noise_check import BOTH, LEFT, RIGHT, SeatFeed

SILENT = -math.inf


def fed(a_levels, c_levels=None, step=0.05, count=120):
    feed = SeatFeed()
    for number in range(count):
        feed.add(number * step, a_levels, c_levels if c_levels is not None else a_levels)
    return feed


def test_each_side_is_read_from_its_channel_under_its_weighting():
    feed = fed([-20.2, SILENT], [-20.0, SILENT])
    assert feed.levels(LEFT, "A") == (pytest.approx(-20.2),)
    assert feed.levels(LEFT, "C") == (pytest.approx(-20.0),)
    assert fed([SILENT, -21.0]).levels(RIGHT, "A") == (pytest.approx(-21.0),)
    assert fed([-20.0, -21.0]).levels(BOTH, "A") == pytest.approx((-20.0, -21.0))
    assert fed([-20.0]).levels(LEFT, "A") == (pytest.approx(-20.0),)
    assert fed([-20.0, -45.0]).levels(LEFT, "A") == (pytest.approx(-20.0),), "cross-talk is not noise"


@pytest.mark.parametrize(
    ("levels", "side", "words"),
    [
        ([math.nan, math.nan], LEFT, "No noise is heard"),
        ([SILENT, SILENT], LEFT, "almost silent"),
        ([-75.0, -90.0], LEFT, "almost silent"),
        ([SILENT, -20.0], LEFT, "in the right channel; this step needs it in the left"),
        ([-20.0, SILENT], RIGHT, "in the left channel; this step needs it in the right"),
        ([-20.0, -20.0], LEFT, "Both channels have signal; stop"),
        ([-20.0, SILENT], BOTH, "Only the left channel carries noise; the right one is dead"),
        ([SILENT, -20.0], BOTH, "Only the right channel carries noise; the left one is dead"),
        ([-20.0, SILENT, -20.0, SILENT], LEFT, "past the first two"),
    ],
)
def test_what_is_not_the_noise_of_this_step_is_refused(levels, side, words):
    with pytest.raises(ValueError, match=words):
        fed(levels).levels(side, "A")


def test_nothing_was_read():
    with pytest.raises(ValueError, match="No noise is heard"):
        SeatFeed().levels(LEFT, "A")


def stream(levels, step=0.05):
    feed = SeatFeed()
    for number, level in enumerate(levels):
        feed.add(number * step, [level], [level])
    return feed


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ([-20.0] * 40, "five seconds"),
        ([-20.0] * 150 + [-18.9] * 50, "not steady"),
        ([-20.0] * 200 + [math.nan] + [-20.0] * 20, "five seconds"),
        ([SILENT] * 60 + [-20.0] * 60, "not steady"),
    ],
)
def test_what_is_not_steady_noise_is_refused(levels, words):
    with pytest.raises(ValueError, match=words):
        stream(levels).levels(LEFT, "A")


def test_steady_noise_gives_its_mean_power():
    levels = -20.0 + np.random.default_rng(1).normal(0.0, 0.1, 200)
    mean = 10 * np.log10(np.mean(10 ** (levels[-101:] / 10)))
    assert stream(levels).levels(LEFT, "A")[0] == pytest.approx(mean, abs=0.01)


def test_a_clock_that_starts_over_or_other_channels_start_over():
    feed = fed([-20.0, SILENT])
    feed.add(0.0, [-20.0, SILENT], [-20.0, SILENT])
    with pytest.raises(ValueError, match="five seconds"):
        feed.levels(LEFT, "A")
    feed = fed([-20.0, SILENT])
    feed.add(99.0, [-20.0], [-20.0])
    assert feed.channels == 1
    with pytest.raises(ValueError, match="five seconds"):
        feed.levels(LEFT, "A")


def test_the_same_moment_counts_once():
    feed = SeatFeed()
    for _ in range(300):
        feed.add(1.0, [-20.0], [-20.0])
    with pytest.raises(ValueError, match="five seconds"):
        feed.levels(LEFT, "A")


def test_real_pink_noise_counts_as_steady_and_a_beat_does_not():
    """Band noise averaged over 1 s moves little: standard deviation 4.34 / sqrt(B T) dB, 0.11 dB for 1500 Hz."""
    rng = np.random.default_rng(5)
    rate = 8000
    spectrum = np.fft.rfft(rng.normal(size=rate * 12))
    hz = np.fft.rfftfreq(rate * 12, 1 / rate)
    shaped = np.fft.irfft(np.where((hz >= 500) & (hz <= 2000), spectrum / np.sqrt(np.maximum(hz, 1)), 0))
    power = np.convolve(shaped**2, np.ones(rate) / rate, mode="valid")[:: rate // 20]
    levels = 10 * np.log10(power / power.mean()) - 20.0
    assert stream(levels).levels(LEFT, "A")[0] == pytest.approx(-20.0, abs=0.2)
    with pytest.raises(ValueError, match="not steady"):
        stream(-20.0 + 2.0 * np.sin(np.arange(200) / 8.0)).levels(LEFT, "A")


def noise(kind, shift=0.0):
    return [-20.0 + weighted_db(kind, "A") + shift], [-20.0 + weighted_db(kind, "C") + shift]


@pytest.mark.parametrize("kind", ["band", "wide"])
def test_the_noise_at_its_own_level_needs_no_remark(kind):
    assert fed(*noise(kind)).remark(LEFT, kind) == ""
    assert fed(*noise(kind, -15.0)).remark(LEFT, kind, played_dbfs=-35.0) == ""


def test_a_fader_in_between_is_told_and_far_off_is_refused():
    assert "a fader or volume stands between" in fed(*noise("band", -9.0)).remark(LEFT, "band")
    assert "−29.2 dBFS(A) where this noise gives −20.2" in fed(*noise("band", -9.0)).remark(LEFT, "band")
    with pytest.raises(ValueError, match="far too quiet"):
        fed(*noise("band", -25.0)).remark(LEFT, "band")


@pytest.mark.parametrize(("plays", "chosen"), [("band", "wide"), ("wide", "band")])
def test_the_other_noise_is_noticed(plays, chosen):
    assert "not the noise chosen" in fed(*noise(plays)).remark(LEFT, chosen)
    assert abs(a_minus_c_db(plays) - a_minus_c_db(chosen)) > 1.5

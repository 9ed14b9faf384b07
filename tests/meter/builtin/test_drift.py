"""Tone drift as a meter: fields, words, any blocks; no comparison where the passage is not known again."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.types import FloatArray, Spec
from dsp.passages.passage_bands import PassageBands
from tests.support.faces import LAYOUTS, make
from tests.support.frames import frame, status, values_at
from tests.support.invented_music import invented_music
from tests.support.processors import Processor, assert_same, random_sizes

RATE_HZ = 16_000
COMPARED = ("heard_ago", "likeness", "top_change", "low_change", "level_change")


@pytest.fixture(scope="module")
def sitting() -> FloatArray:
    """A song, another one, and the first again with 2 dB more above 2 kHz."""
    song = invented_music(1, 25.0, RATE_HZ)
    high = sosfilt(butter(1, 2000.0, "highpass", fs=RATE_HZ, output="sos"), song, axis=0)
    return np.concatenate([song, invented_music(2, 45.0, RATE_HZ), song + 0.26 * high])


def test_a_brighter_second_playing_is_told(sitting: FloatArray) -> None:
    meter = Processor("drift", RATE_HZ)
    meter.feed(sitting, (4000,))
    readings = meter.read()
    assert readings["verdict"] == 3.0
    assert readings["heard_ago"] == pytest.approx(70.0, abs=0.05)
    assert 0.8 < readings["top_change"] < 2.1
    assert abs(readings["low_change"]) < 0.3
    assert readings["likeness"] > 0.97
    assert readings["remembered"] == pytest.approx(95.0 / 3600.0, rel=0.01)


@pytest.mark.parametrize(("seconds", "verdict"), [(0.0, 0.0), (10.0, 0.0), (10.5, 2.0)])
def test_without_a_passage_known_again_there_is_no_number(
    sitting: FloatArray, seconds: float, verdict: float
) -> None:
    meter = Processor("drift", RATE_HZ)
    meter.feed(sitting[: round(seconds * RATE_HZ)], (4000,))
    readings = meter.read()
    assert readings["verdict"] == verdict
    assert all(math.isnan(readings[key]) for key in COMPARED)


def test_random_blocks_gaps_and_reset(sitting: FloatArray) -> None:
    whole, pieces = Processor("drift", RATE_HZ), Processor("drift", RATE_HZ)
    for meter, sizes in ((whole, (len(sitting),)), (pieces, tuple(random_sizes(6)))):
        meter.feed(sitting[: 30 * RATE_HZ + 77], sizes)
        meter.skip(0.5)
        meter.feed(sitting[30 * RATE_HZ + 77 :], sizes)
    assert_same(whole.read(), pieces.read())
    assert whole.read()["verdict"] == 3.0
    whole.meter.reset()
    assert_same(whole.read(), pieces.read())
    whole.meter.prepare(Spec(RATE_HZ, 2))
    assert_same(whole.read(), Processor("drift", RATE_HZ).read())


@pytest.mark.parametrize(("seconds_between", "verdict"), [(32.0, 2.0), (38.0, 3.0)])
def test_what_was_heard_less_than_a_minute_ago_says_nothing_about_ears(
    sitting: FloatArray, seconds_between: float, verdict: float
) -> None:
    """The song of 25 s begins again after 57 s, then after 63 s."""
    song = sitting[: 25 * RATE_HZ]
    between = invented_music(2, seconds_between, RATE_HZ)
    meter = Processor("drift", RATE_HZ)
    meter.feed(np.concatenate([song, between, song])[: 82 * RATE_HZ], (4000,))
    readings = meter.read()
    assert readings["verdict"] == verdict
    if verdict == 3.0:
        assert readings["heard_ago"] == pytest.approx(25.0 + seconds_between, abs=0.03)


def test_lost_frames_count_as_time_between_the_two(sitting: FloatArray) -> None:
    song = sitting[: 25 * RATE_HZ]
    meter = Processor("drift", RATE_HZ)
    meter.feed(sitting[: 60 * RATE_HZ], (4000,))
    meter.skip(30.0)
    meter.feed(song[: 11 * RATE_HZ], (4000,))
    readings = meter.read()
    assert readings["verdict"] == 3.0
    assert readings["heard_ago"] == pytest.approx(90.0, abs=0.03)


def patterns(signal: FloatArray) -> FloatArray:
    """Level in decibels of each band and tenth of a second, ``(bands, frames)``."""
    hops = PassageBands(RATE_HZ, 2).process(signal)
    frames = hops[: len(hops) // 4 * 4].reshape(-1, 4, hops.shape[1]).mean(axis=1).T
    return np.maximum(10.0 * np.log10(frames + 1e-16), -80.0)


@pytest.mark.parametrize(("overdub", "verdict"), [(0.065, 3.0), (0.095, 2.0)])
def test_an_overdub_makes_it_another_passage_when_95_percent_are_no_longer_alike(
    sitting: FloatArray, overdub: float, verdict: float
) -> None:
    """Likeness beside numpy's correlation coefficient: what is told lies within 1 % over 0.95, what is not under."""
    song = sitting[: 25 * RATE_HZ]
    again = song + overdub * invented_music(9, 25.0, RATE_HZ)
    # The search at 80.2 s takes what came from 0.2 s of the second playing on.
    then, now = patterns(song)[:, 2:102], patterns(again)[:, 2:102]
    then, now = (part - part.mean(axis=1, keepdims=True) for part in (then, now))
    alike = np.corrcoef(then.ravel(), now.ravel())[0, 1]
    assert (0.95 < alike < 0.96) if verdict == 3.0 else (0.94 < alike < 0.95)
    meter = Processor("drift", RATE_HZ)
    meter.feed(np.concatenate([song, invented_music(2, 45.0, RATE_HZ), again])[: 82 * RATE_HZ], (4000,))
    readings = meter.read()
    assert readings["verdict"] == verdict
    if verdict == 3.0:
        assert readings["likeness"] == pytest.approx(alike, abs=0.003)


def test_it_stays_out_of_files() -> None:
    assert Processor("drift").manifest.live_only


def told(face: object, seconds: float, **changed: float) -> str:
    values = values_at(100.0) | {f"drift.{key}": value for key, value in changed.items()}
    face.show_frame(frame(given=values, plan=LAYOUTS[2], feed=status(seconds)))
    return face.value_text()


def test_drift_in_words(qtbot) -> None:
    face = make("drift", qtbot)
    assert told(face, 1.0) == "same passage as 2 h ago: top +1.5 dB, lows −0.4 dB"
    assert told(face, 2.0, heard_ago=600.0) == "same passage as 10 min ago: top +1.5 dB, lows −0.4 dB"
    assert told(face, 3.0, top_change=math.nan).endswith("top not compared, lows −0.4 dB")
    assert told(face, 4.0, verdict=2.0) == "new passage in this sitting"
    assert "too steady" in told(face, 5.0, verdict=1.0)
    assert told(face, 6.0, verdict=0.0) == "listening…"
    assert told(face, 7.0, verdict=math.nan) == "listening…"
    face.resize(200, 84)
    assert told(face, 8.0) == "same passage as 2 h ago: top +1.5 dB, lows −0.4 dB"


def test_bars_point_to_the_right_for_more_and_stop_at_their_end(qtbot) -> None:
    face = make("drift", qtbot, (342, 130))
    told(face, 1.0, top_change=40.0, low_change=-3.0)
    picture = face.grab().toImage()
    blue = face.measured
    for name, right in (("top", True), ("lows", False)):
        box = face._bars[name]
        at = {x for x in range(box.left(), box.right() + 1) if picture.pixelColor(x, box.top() + 2) == blue}
        assert at
        assert all((x >= box.center().x()) == right for x in at)
    assert picture.pixelColor(face._bars["top"].right() + 3, face._bars["top"].top() + 2) != blue

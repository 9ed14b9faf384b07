"""Tone drift as a meter: fields, words, any blocks; no comparison where the passage is not known again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.types import FloatArray, Spec
from dsp.passages.passage_bands import PassageBands
from meter.builtin.drift.findings import LISTENING, NEW, NO_PATTERN, SAME, DriftFindings
from meter.builtin.drift.study import drift
from tests.support.faces import LAYOUTS, make
from tests.support.frames import HEARD_BEFORE, frame, status, values_at
from tests.support.invented_music import invented_music
from tests.support.processors import Processor, assert_same, blocks, random_sizes

RATE_HZ = 16_000
COMPARED = ("heard_ago_seconds", "likeness", "top_change_db", "low_change_db", "level_change_db")


class Drift(Processor):
    """Searches as soon as ten seconds are due; ``found`` is the newest result."""

    def __init__(self) -> None:
        super().__init__("drift", RATE_HZ)
        self.found = DriftFindings()

    def feed(self, signal: FloatArray, sizes: Sequence[int] = (4000,)) -> None:
        for block in blocks(signal, sizes):
            super().feed(block, (len(block),))
            self._study()

    def skip(self, seconds: float) -> None:
        super().skip(seconds)
        self._study()

    def _study(self) -> None:
        stretch = self.meter.stretch("passage")
        if stretch is not None:
            self.found = drift(stretch, {}, self.found)


@pytest.fixture(scope="module")
def sitting() -> FloatArray:
    """A song, another one, and the first again with 2 dB more above 2 kHz."""
    song = invented_music(1, 25.0, RATE_HZ)
    high = sosfilt(butter(1, 2000.0, "highpass", fs=RATE_HZ, output="sos"), song, axis=0)
    return np.concatenate([song, invented_music(2, 45.0, RATE_HZ), song + 0.26 * high])


def test_a_brighter_second_playing_is_told(sitting: FloatArray) -> None:
    meter = Drift()
    meter.feed(sitting, (4000,))
    readings, found = meter.read(), meter.found
    assert found.verdict == SAME
    assert found.heard_ago_seconds == pytest.approx(70.0, abs=0.05)
    assert 0.8 < found.top_change_db < 2.1
    assert abs(found.low_change_db) < 0.3
    assert found.likeness > 0.97
    assert readings["remembered"] == pytest.approx(95.0 / 3600.0, rel=0.01)


@pytest.mark.parametrize(("seconds", "verdict"), [(0.0, LISTENING), (10.0, LISTENING), (10.5, NEW)])
def test_without_a_passage_known_again_there_is_no_number(sitting: FloatArray, seconds: float, verdict: str) -> None:
    meter = Drift()
    meter.feed(sitting[: round(seconds * RATE_HZ)], (4000,))
    assert meter.found.verdict == verdict
    assert all(math.isnan(getattr(meter.found, key)) for key in COMPARED)


def test_random_blocks_gaps_and_reset(sitting: FloatArray) -> None:
    whole, pieces = Drift(), Drift()
    for meter, sizes in ((whole, (len(sitting),)), (pieces, tuple(random_sizes(6)))):
        meter.feed(sitting[: 30 * RATE_HZ + 77], sizes)
        meter.skip(0.5)
        meter.feed(sitting[30 * RATE_HZ + 77 :], sizes)
    assert_same(whole.read(), pieces.read())
    assert whole.found.verdict == SAME
    assert [getattr(whole.found, key) for key in COMPARED] == pytest.approx(
        [getattr(pieces.found, key) for key in COMPARED], abs=1e-6
    )
    whole.meter.reset()
    assert_same(whole.read(), pieces.read())
    whole.meter.prepare(Spec(RATE_HZ, 2))
    assert_same(whole.read(), Drift().read())


@pytest.mark.parametrize(("seconds_between", "verdict"), [(32.0, NEW), (38.0, SAME)])
def test_what_was_heard_less_than_a_minute_ago_says_nothing_about_ears(
    sitting: FloatArray, seconds_between: float, verdict: str
) -> None:
    """The song of 25 s begins again after 57 s, then after 63 s."""
    song = sitting[: 25 * RATE_HZ]
    between = invented_music(2, seconds_between, RATE_HZ)
    meter = Drift()
    meter.feed(np.concatenate([song, between, song])[: 82 * RATE_HZ], (4000,))
    assert meter.found.verdict == verdict
    if verdict == SAME:
        assert meter.found.heard_ago_seconds == pytest.approx(25.0 + seconds_between, abs=0.03)


def test_lost_frames_count_as_time_between_the_two(sitting: FloatArray) -> None:
    song = sitting[: 25 * RATE_HZ]
    meter = Drift()
    meter.feed(sitting[: 60 * RATE_HZ], (4000,))
    meter.skip(30.0)
    meter.feed(song[: 11 * RATE_HZ], (4000,))
    assert meter.found.verdict == SAME
    assert meter.found.heard_ago_seconds == pytest.approx(90.0, abs=0.03)


def patterns(signal: FloatArray) -> FloatArray:
    """Level in decibels of each band and tenth of a second, ``(bands, frames)``."""
    hops = PassageBands(RATE_HZ, 2).process(signal)
    frames = hops[: len(hops) // 4 * 4].reshape(-1, 4, hops.shape[1]).mean(axis=1).T
    return np.maximum(10.0 * np.log10(frames + 1e-16), -80.0)


@pytest.mark.parametrize(("overdub", "verdict"), [(0.065, SAME), (0.095, NEW)])
def test_an_overdub_makes_it_another_passage_when_95_percent_are_no_longer_alike(
    sitting: FloatArray, overdub: float, verdict: str
) -> None:
    """Likeness beside numpy's correlation coefficient: what is told lies within 1 % over 0.95, what is not under."""
    song = sitting[: 25 * RATE_HZ]
    again = song + overdub * invented_music(9, 25.0, RATE_HZ)
    # The search at 80.2 s takes what came from 0.2 s of the second playing on.
    then, now = patterns(song)[:, 2:102], patterns(again)[:, 2:102]
    then, now = (part - part.mean(axis=1, keepdims=True) for part in (then, now))
    alike = np.corrcoef(then.ravel(), now.ravel())[0, 1]
    assert (0.95 < alike < 0.96) if verdict == SAME else (0.94 < alike < 0.95)
    meter = Drift()
    meter.feed(np.concatenate([song, invented_music(2, 45.0, RATE_HZ), again])[: 82 * RATE_HZ], (4000,))
    assert meter.found.verdict == verdict
    if verdict == SAME:
        assert meter.found.likeness == pytest.approx(alike, abs=0.003)


def test_it_stays_out_of_files() -> None:
    assert Processor("drift").manifest.live_only


def told(face: Any, seconds: float, found: DriftFindings = HEARD_BEFORE, **changed: float) -> str:
    found = msgspec.structs.replace(found, **changed)
    face.show_frame(frame(given=values_at(100.0), plan=LAYOUTS[2], feed=status(seconds), drift=found))
    return str(face.value_text())


def test_drift_in_words(qtbot) -> None:
    face = make("drift", qtbot)
    assert told(face, 1.0) == "same passage as 2 h ago: top +1.5 dB, lows −0.4 dB"
    assert told(face, 2.0, heard_ago_seconds=600.0) == "same passage as 10 min ago: top +1.5 dB, lows −0.4 dB"
    assert told(face, 3.0, top_change_db=math.nan).endswith("top not compared, lows −0.4 dB")
    assert told(face, 4.0, DriftFindings(NEW)) == "new passage in this sitting"
    assert "too steady" in told(face, 5.0, DriftFindings(NO_PATTERN))
    assert told(face, 6.0, DriftFindings(LISTENING)) == "listening…"
    face.show_frame(frame(given={}, plan=LAYOUTS[2], feed=status(7.0)))
    assert face.value_text() == "listening…"
    face.resize(200, 84)
    assert told(face, 8.0) == "same passage as 2 h ago: top +1.5 dB, lows −0.4 dB"


def test_bars_point_to_the_right_for_more_and_stop_at_their_end(qtbot) -> None:
    face = make("drift", qtbot, (342, 130))
    told(face, 1.0, top_change_db=40.0, low_change_db=-3.0)
    picture = face.grab().toImage()
    blue = face.measured
    for name, right in (("top", True), ("lows", False)):
        box = face._bars[name]
        at = {x for x in range(box.left(), box.right() + 1) if picture.pixelColor(x, box.top() + 2) == blue}
        assert at
        assert all((x >= box.center().x()) == right for x in at)
    assert picture.pixelColor(face._bars["top"].right() + 3, face._bars["top"].top() + 2) != blue

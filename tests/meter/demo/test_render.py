"""The whole scenario: same samples every time, parts that add up, a loop without a seam, nothing clipped."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt, welch

from meter.demo import ensemble, render
from meter.demo.parts import MIX, PARTS, RATE_HZ, SECTIONS, STAGES, TOTAL_FRAMES
from meter.demo.truths import TRUTHS
from meter.references.ebur128 import Ebur128, available
from tests.meter.demo.conftest import Feeds

needs_reference = pytest.mark.skipif(not available(), reason="libebur128 is not installed")


def test_shapes(feeds: Feeds) -> None:
    assert set(feeds) == {part.key for part in (*PARTS, MIX, *STAGES)}
    for part in (*PARTS, MIX, *STAGES):
        assert feeds[part.key].shape == (TOTAL_FRAMES, part.channels)
        assert feeds[part.key].dtype == np.float32
        assert np.isfinite(feeds[part.key]).all()


@pytest.mark.parametrize("key", ["drum", "bass", "voice"])
def test_the_same_samples_every_time(feeds: Feeds, key: str) -> None:
    number = [part.key for part in PARTS].index(key)
    again = ensemble.PLAYERS[key](np.random.default_rng((render.SEED, number)), lambda _share: None)
    assert again.tobytes() == feeds[key].tobytes()


def test_the_parts_add_up_to_the_mix(feeds: Feeds) -> None:
    total = np.zeros((TOTAL_FRAMES, 2))
    for part in PARTS:
        total += feeds[part.key]
    # six sums in float32, each rounded to half a unit in the last place of at most 1.0
    assert np.abs(total - feeds["mix"]).max() <= 6 * 2.0**-25


@pytest.mark.parametrize("key", [part.key for part in (*PARTS, MIX, *STAGES)])
def test_the_loop_has_no_seam(feeds: Feeds, key: str) -> None:
    around = np.concatenate([feeds[key][-RATE_HZ:], feeds[key][:RATE_HZ]]).astype(np.float64)
    steps = np.abs(np.diff(around, axis=0)).max(axis=1)
    seam = RATE_HZ - 1
    assert steps[seam] <= steps[seam - 2000 : seam].max() + 1e-6
    click = butter(4, 5000.0, "highpass", fs=RATE_HZ, output="sos")
    highs = np.abs(sosfiltfilt(click, around, axis=0)).max(axis=1)
    assert highs[seam - 20 : seam + 20].max() <= 1.5 * highs[seam - 4000 : seam - 100].max() + 1e-5  # -100 dBFS


def test_the_close_leaves_a_breath(feeds: Feeds) -> None:
    last, whole = feeds["mix"][-RATE_HZ // 2 :], feeds["mix"]
    assert 10 * np.log10(np.mean(last**2) / np.mean(whole**2)) < -15.0


@needs_reference
def test_loudness_and_true_peak_of_the_mix(feeds: Feeds) -> None:
    with Ebur128(2, RATE_HZ) as reference:
        reference.push(feeds["mix"])
        assert reference.integrated == pytest.approx(TRUTHS.integrated_lufs, abs=0.2)
        assert reference.true_peak == pytest.approx(TRUTHS.true_peak_dbtp, abs=0.3)
        assert 4.0 < reference.loudness_range < 12.0


@needs_reference
@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.key)
def test_every_part_can_be_heard_where_it_plays(feeds: Feeds, part: object) -> None:
    section = SECTIONS[2]
    with Ebur128(2, RATE_HZ) as reference:
        feed = feeds[part.key][section.first_frame : section.end_frame]
        reference.push(np.ascontiguousarray(np.broadcast_to(feed, (len(feed), 2))))
        assert -12.0 < reference.integrated - (TRUTHS.integrated_lufs + 2.7) < -3.0


def test_the_tilt_is_that_of_calm_music(feeds: Feeds) -> None:
    # power per hertz, over third octaves from 63 Hz to 8 kHz; about -4 to -5 dB an octave is usual (no source)
    hz, power = welch(feeds["mix"].mean(axis=1, dtype=np.float64), RATE_HZ, nperseg=16_384)
    centres = 1000.0 * 2.0 ** (np.arange(-12, 10) / 3)
    levels = [10 * np.log10(power[(hz >= c / 2 ** (1 / 6)) & (hz < c * 2 ** (1 / 6))].mean()) for c in centres]
    slope = np.polyfit(np.log2(centres), levels, 1)[0]
    assert -6.5 < slope < -4.0


def test_progress_goes_forward_to_one(monkeypatch: pytest.MonkeyPatch) -> None:
    silent = np.zeros((TOTAL_FRAMES, 1), dtype=np.float32)
    monkeypatch.setattr(render, "PLAYERS", dict.fromkeys(ensemble.PLAYERS, lambda _random, step: step(1.0) or silent))
    monkeypatch.setattr(render, "reverberate", lambda send, _response: send)
    told: list[float] = []
    for _ in render.render(told.append):
        pass
    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert told == sorted(told)
    assert sum(render.COST.values()) == pytest.approx(1.0)

"""Squeeze, make-up, curve and times against compressors in closed form.

The static curve is that of a hard-knee compressor, y = T + (x - T) / R above the threshold, as in the tutorial of
the Journal of the Audio Engineering Society 60(6), 2012 (title and pages seen, formula from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.signals import stepped_tone
from dsp.stage.flanks import flanks
from tests.support.stages import RATE_HZ, delayed, one_pole, phrases, static_gain_db, studied, with_gain

LEVELS = (-30.0, -20.0, -12.0, -6.0, 0.0)
TABLE = {  # threshold, ratio: output for each of the levels
    (-20.0, 4.0): (-30.0, -20.0, -18.0, -16.5, -15.0),
    (-18.0, 2.0): (-30.0, -20.0, -15.0, -12.0, -9.0),
    (-10.0, 20.0): (-30.0, -20.0, -12.0, -9.8, -9.5),
}


def levels_of(steps: list[tuple[float, float]]) -> np.ndarray:
    return np.repeat([level for level, _ in steps], [round(seconds * RATE_HZ) for _, seconds in steps])


@pytest.mark.parametrize(("threshold", "ratio"), TABLE)
def test_the_curve_is_the_static_curve(threshold: float, ratio: float) -> None:
    steps = [(level, 0.5) for level in LEVELS] * 2
    tone = stepped_tone(1000.0, steps, RATE_HZ, 1)
    found = studied(tone, with_gain(tone, static_gain_db(levels_of(steps), threshold, ratio))).squeeze
    curve = {round(level): output for level, output in found.curve}
    for level, output in zip(LEVELS, TABLE[threshold, ratio], strict=True):
        assert curve[round(level)] == pytest.approx(output, abs=0.2)
    held = sorted(level - output for level, output in zip(LEVELS, TABLE[threshold, ratio], strict=True))
    assert found.make_up_db == pytest.approx(0.0, abs=0.05)
    assert found.max_db == pytest.approx(held[-1], abs=0.1)
    assert found.median_db == pytest.approx(held[2], abs=0.1)


SOFT_TABLE = {  # threshold, ratio, knee: outputs for inputs, soft knee y = x + (1/R - 1)(x - T + W/2)^2 / (2 W)
    (-20.0, 4.0, 6.0): {-23.0: -23.0, -20.0: -20.5625, -18.0: -19.5625, -17.0: -19.25, 0.0: -15.0},
    (-24.0, 3.0, 10.0): {-30.0: -30.0, -24.0: -24.833, -20.0: -22.7, -12.0: -20.0, 0.0: -16.0},
}


@pytest.mark.parametrize(("threshold", "ratio", "knee"), SOFT_TABLE)
def test_a_soft_knee_is_drawn_as_it_is(threshold: float, ratio: float, knee: float) -> None:
    table = SOFT_TABLE[threshold, ratio, knee]
    steps = [(level, 0.5) for level in table] * 2
    tone, levels = stepped_tone(1000.0, steps, RATE_HZ, 1), levels_of(steps)
    inside = (1.0 / ratio - 1.0) * (levels - threshold + knee / 2.0) ** 2 / (2.0 * knee)
    gain_db = np.where(np.abs(levels - threshold) <= knee / 2.0, inside, static_gain_db(levels, threshold, ratio))
    found = studied(tone, with_gain(tone, gain_db)).squeeze
    curve = {round(level): output for level, output in found.curve}
    for level, output in table.items():
        assert curve[round(level)] == pytest.approx(output, abs=0.1)
    assert found.max_db == pytest.approx(max(level - output for level, output in table.items()), abs=0.1)


@pytest.mark.parametrize("level", [-12.0, -6.0, 0.0])
def test_a_steady_tone_tells_the_gain_and_no_squeeze(level: float) -> None:
    """All the time at one level: what is held down cannot be told from make-up."""
    held_db = float(static_gain_db(np.array([level]), -20.0, 4.0)[0])
    found = studied(*(with_gain(stepped_tone(1000.0, [(level, 3.0)], RATE_HZ, 1), gain) for gain in (0.0, held_db)))
    assert found.loudness_change_lu == pytest.approx(held_db, abs=0.02)
    assert found.squeeze.make_up_db == pytest.approx(held_db, abs=0.05)
    assert found.squeeze.max_db < 0.1


def compressed(sound: np.ndarray, make_up_db: float = 6.0) -> tuple[np.ndarray, np.ndarray]:
    """By the level of 10 ms, and the gain in dB without make-up."""
    power = (sound.reshape(-1, 480, sound.shape[1]) ** 2).mean(axis=(1, 2))
    level_db = np.repeat(10.0 * np.log10(2.0 * power), 480)
    gain_db = static_gain_db(level_db, -30.0, 4.0)
    return with_gain(sound, gain_db + make_up_db), gain_db


def test_make_up_and_delay_are_told_from_the_squeeze() -> None:
    sound = phrases()
    after, gain_db = compressed(sound)
    found = studied(sound, delayed(after, 137.0))
    assert found.lag_samples == pytest.approx(137.0, abs=0.05)
    assert found.squeeze.make_up_db == pytest.approx(6.0, abs=0.2)
    assert np.median(-gain_db) > 1.0
    assert found.squeeze.median_db == pytest.approx(np.median(-gain_db), abs=0.15)
    assert found.squeeze.p90_db == pytest.approx(np.percentile(-gain_db, 90.0), abs=0.15)
    assert not found.squeeze.at_least
    assert not found.squeeze.whitened


@pytest.mark.parametrize(("attack", "recovery"), [(0.005, 0.08), (0.02, 0.2), (0.04, 0.4)])
def test_attack_and_recovery_of_a_one_pole_side_chain(attack: float, recovery: float) -> None:
    steps = [(-30.0, 1.5), (-6.0, 0.5)] * 5
    tone = stepped_tone(1000.0, steps, RATE_HZ, 1)
    gain_db = one_pole(static_gain_db(levels_of(steps), -20.0, 4.0), attack, recovery)
    found = studied(tone, with_gain(tone, gain_db)).squeeze
    assert found.attack_ms == pytest.approx(1000.0 * attack, rel=0.1)
    assert found.recovery_ms == pytest.approx(1000.0 * recovery, rel=0.1)


def test_where_the_sound_itself_takes_its_time_no_times_are_told() -> None:
    level = np.abs(np.linspace(-1.0, 1.0, 3000) * 20.0)
    slow = flanks(np.tile(level, 5), np.ones(15_000), 1.0)
    assert np.isnan(slow.attack_ms)
    assert np.isnan(slow.recovery_ms)
    assert np.isnan(flanks(np.full(100, np.nan), np.ones(100), 1.0).attack_ms)


@pytest.mark.parametrize("gain_db", [-9.0, -0.3, 0.0, 5.0])
def test_plain_gain_is_no_squeeze_and_adds_nothing(gain_db: float) -> None:
    sound = phrases()
    found = studied(sound, with_gain(sound, gain_db))
    assert found.loudness_change_lu == pytest.approx(gain_db, abs=0.02)
    assert found.low_change_db == pytest.approx(gain_db, abs=0.02)
    assert found.squeeze.make_up_db == pytest.approx(gain_db, abs=0.02)
    assert found.squeeze.max_db == pytest.approx(0.0, abs=0.02)
    assert found.added_db < -80.0
    assert found.true_peak_change_db == pytest.approx(gain_db, abs=0.02)
    assert found.peak_to_loudness_change_lu == pytest.approx(0.0, abs=0.02)


def test_an_equaliser_is_no_squeeze() -> None:
    sound = phrases()
    shelved = sound + sosfilt(butter(1, 100.0, fs=RATE_HZ, output="sos"), sound, axis=0)
    found = studied(sound, shelved).squeeze
    assert found.whitened
    assert found.p90_db < 0.3
    assert not found.band_dependent


@pytest.mark.parametrize(("kind", "edge_hz"), [("high", 80.0), ("high", 150.0), ("low", 3000.0)])
def test_a_filter_is_no_squeeze_whatever_the_bass_plays(kind: str, edge_hz: float) -> None:
    sound = phrases(8.0) + 0.5 * bass_line(8.0)
    found = studied(sound, sosfilt(butter(2, edge_hz, kind, fs=RATE_HZ, output="sos"), sound, axis=0)).squeeze
    assert found.whitened
    assert found.median_db < 0.15
    assert found.p90_db < 0.2
    assert not found.band_dependent
    assert np.isnan([found.attack_ms, found.recovery_ms]).all()


def bass_line(seconds: float) -> np.ndarray:
    """Notes of a quarter of a second from E1 to B2: a filter in the lows passes each by another amount."""
    frames = np.arange(round(seconds * RATE_HZ))
    notes = np.random.default_rng(5).choice([41.2, 55.0, 65.4, 82.4, 110.0, 123.5], len(frames) // 12_000 + 1)
    phase = 2.0 * np.pi * np.cumsum(notes[frames // 12_000]) / RATE_HZ
    return (np.sin(phase) * np.exp(-(frames % 12_000) / 12_000.0))[:, None]


def test_squeeze_behind_an_equaliser_is_still_told() -> None:
    sound = phrases()
    after, gain_db = compressed(sound)
    found = studied(sound, after + sosfilt(butter(1, 100.0, fs=RATE_HZ, output="sos"), after, axis=0)).squeeze
    assert found.whitened
    assert found.p90_db == pytest.approx(np.percentile(-gain_db, 90.0), abs=0.5)


def test_a_stage_that_never_lets_go_is_told() -> None:
    sound = phrases()
    power = (sound.reshape(-1, 480, 1) ** 2).mean(axis=(1, 2))
    always_db = np.repeat(static_gain_db(10.0 * np.log10(2.0 * power), -90.0, 2.0), 480)
    found = studied(sound, with_gain(sound, always_db)).squeeze
    assert found.at_least
    assert not found.expands


def test_quiet_moments_that_are_turned_down_are_told() -> None:
    sound = phrases()
    power = (sound.reshape(-1, 480, 1) ** 2).mean(axis=(1, 2))
    level_db = 10.0 * np.log10(2.0 * power)
    found = studied(sound, with_gain(sound, np.repeat(np.minimum(0.0, level_db + 24.0), 480))).squeeze
    assert found.expands
    assert not found.at_least


def test_only_lows_held_down_is_band_dependent() -> None:
    sound = phrases()
    low = sosfilt(butter(4, 700.0, fs=RATE_HZ, output="sos"), sound, axis=0)
    kick = np.where(np.arange(len(sound)) % RATE_HZ < RATE_HZ // 2, -12.0, 0.0)
    assert studied(sound, sound - low + with_gain(low, kick)).squeeze.band_dependent
    assert not studied(sound, with_gain(sound, kick)).squeeze.band_dependent


def test_too_little_loud_sound_has_no_squeeze() -> None:
    sound = phrases(4.0) * 1e-4
    found = studied(sound, sound)
    assert np.isnan(found.squeeze.median_db)
    assert "loud enough" in found.why["squeeze"]

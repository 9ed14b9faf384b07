"""The building blocks of the scenario against closed forms and slow second ways."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, hilbert, sosfiltfilt

from meter.demo.ensemble import inverted_within
from meter.demo.instruments import DOUBLE_BASS, LUTE, String, drum_stroke, plucked_string, reed
from meter.demo.partials import damped, decaying, noise_loop, ramp_in, touch
from meter.demo.parts import RATE_HZ
from meter.demo.room import HIGH_PASS_HZ, PRE_DELAY_SECONDS, add_round, impulse_responses, reverberate
from meter.demo.score import Note
from meter.demo.voice import sing


def random(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_partials_are_the_plain_sum_of_decaying_sines() -> None:
    hz, amplitudes = np.array([100.0, 333.3, 4000.0]), np.array([1.0, 0.5, 0.2])
    phases, t60 = np.array([0.0, 1.0, -2.0]), np.array([0.5, np.inf, 0.1])
    time = np.arange(5000) / RATE_HZ
    direct = sum(
        a * np.sin(2 * np.pi * f * time + p) * 10.0 ** (-3.0 * time / t)
        for f, a, p, t in zip(hz, amplitudes, phases, t60, strict=True)
    )
    np.testing.assert_allclose(decaying(hz, amplitudes, phases, t60, 5000), direct, atol=1e-10)


def test_ramp_and_damping_begin_and_end_at_nothing() -> None:
    ramped = ramp_in(np.ones(1000), 0.01)
    assert ramped[0] == 0.0
    assert ramped[480] == 1.0
    kept = damped(np.ones(10_000), 2000, 0.1)
    assert len(kept) == 6800
    assert kept[2000] == 1.0
    assert kept[-1] < 1e-6
    assert len(damped(np.ones(3000), 2900, 0.05)) == 3000  # too late: as late as it can
    assert damped(np.ones(100), 0, 0.1)[0] == 1.0  # shorter than the fade


def test_a_touch_is_short_and_within_its_band() -> None:
    sound = touch(random(), 1000.0, 3000.0, 0.004)
    power = np.abs(np.fft.rfft(sound, RATE_HZ)) ** 2
    assert power[700:4200].sum() > 0.85 * power.sum()
    assert np.sum(sound[: RATE_HZ // 100] ** 2) > 0.9 * np.sum(sound**2)


def test_a_noise_loop_keeps_to_its_band_and_has_unit_power() -> None:
    noise = noise_loop(random(), 2, (30.0, 45.0), (0.0, 0.0))
    power = np.abs(np.fft.rfft(noise)) ** 2
    hz = np.arange(len(power)) / 2
    assert np.mean(noise**2) == pytest.approx(1.0)
    assert power[(hz < 30.0) | (hz > 45.0)].sum() < 1e-15 * power.sum()


@pytest.mark.parametrize("kind", [LUTE, DOUBLE_BASS])
def test_a_string_sounds_its_pitch_and_dies_away(kind: String) -> None:
    sound = plucked_string(kind, 100.0, 4.0, random())
    half = len(sound) // 2
    power = np.abs(np.fft.rfft(sound)) ** 2
    assert sound[0] == pytest.approx(0.0, abs=1e-6)
    assert np.argmax(power) / 4.0 % 100.0 == pytest.approx(0.0, abs=0.6)
    assert 0.9 < np.abs(sound).max() < 1.1
    assert np.mean(sound[half:] ** 2) < 0.05 * np.mean(sound[:half] ** 2)


def test_the_bass_is_plucked_where_even_partials_are_weak() -> None:
    power = np.abs(np.fft.rfft(plucked_string(DOUBLE_BASS, 50.0, 4.0, random()))) ** 2
    lines = [power[round(4.0 * 50.0 * n) - 8 : round(4.0 * 50.0 * n) + 9].sum() for n in (1, 2, 3)]
    assert lines[1] < 0.05 * lines[0]
    assert lines[1] < lines[2]


def test_the_drum_comes_down_to_its_pitch_and_holds_it() -> None:
    stroke = drum_stroke(random())
    low = sosfiltfilt(butter(2, (25.0, 60.0), "bandpass", fs=RATE_HZ, output="sos"), stroke)
    pitch = np.diff(np.unwrap(np.angle(hilbert(low)))) * RATE_HZ / (2 * np.pi)
    assert np.median(pitch[RATE_HZ : 2 * RATE_HZ]) == pytest.approx(42.0, abs=0.05)
    assert np.median(pitch[960:1920]) > 44.0


def test_a_reed_beats_slowly_and_does_not_die() -> None:
    sound = reed(130.8, 10 * RATE_HZ, random())
    envelope = np.abs(hilbert(sosfiltfilt(butter(2, (110.0, 150.0), "bandpass", fs=RATE_HZ, output="sos"), sound)))
    inner = envelope[RATE_HZ:-RATE_HZ]
    lines = np.abs(np.fft.rfft((inner - inner.mean()) * np.hanning(len(inner))))
    assert 0.5 < np.argmax(lines) / 8.0 < 1.2
    assert np.mean(sound[-RATE_HZ:] ** 2) > 0.3 * np.mean(sound**2)


def test_the_voice_keeps_to_its_notes_and_breathes_at_both_ends() -> None:
    phrase = [Note(0.0, 2.0, 69), Note(2.0, 2.0, 72)]
    sound = sing(phrase, random())
    assert len(sound) == phrase[0].frames + phrase[1].frames
    assert np.abs(sound[:100]).max() < 0.01
    assert np.abs(sound[-100:]).max() < 0.01
    for note in phrase:
        held = sound[note.frame + RATE_HZ // 4 : note.frame + note.frames - RATE_HZ // 4]
        spectrum = np.abs(np.fft.rfft(held * np.hanning(len(held))))
        near = slice(round(note.hz * 0.8 * len(held) / RATE_HZ), round(note.hz * 1.2 * len(held) / RATE_HZ))
        heard = (near.start + np.argmax(spectrum[near])) * RATE_HZ / len(held)
        assert 1200 * np.log2(heard / note.hz) == pytest.approx(0.0, abs=50.0)


def test_reverberation_is_a_circular_convolution() -> None:
    send = random().standard_normal(30_000).astype(np.float32)
    response = random(2).standard_normal(4000) * np.exp(-np.arange(4000) / 700.0)
    whole = np.fft.irfft(np.fft.rfft(send.astype(np.float64)) * np.fft.rfft(response, len(send)), len(send))
    np.testing.assert_allclose(reverberate(send, response), whole, atol=2e-5 * np.abs(whole).max())


def test_the_chapel_answers_late_wide_and_without_lows() -> None:
    left, right = impulse_responses(random())
    silent = round(PRE_DELAY_SECONDS * RATE_HZ)
    assert not left[:silent].any()
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.1
    power = np.abs(np.fft.rfft(left, 4 * RATE_HZ)) ** 2
    assert power[: round(4 * HIGH_PASS_HZ / 2)].sum() < 1e-3 * power.sum()
    tail = np.cumsum(left[::-1] ** 2)[::-1]
    fall_db = 10 * np.log10(tail / tail[0])
    t60 = 3.0 * (np.argmax(fall_db < -25.0) - np.argmax(fall_db < -5.0)) / RATE_HZ
    assert 1.5 < t60 < 3.2


def test_adding_goes_round_as_often_as_it_takes() -> None:
    column = np.zeros(10, dtype=np.float32)
    add_round(column, 8, np.arange(1.0, 15.0))
    np.testing.assert_array_equal(column, [3 + 13, 4 + 14, 5, 6, 7, 8, 9, 10, 1 + 11, 2 + 12])


def test_inversion_turns_the_band_and_spares_the_rest() -> None:
    time = np.arange(4 * RATE_HZ) / RATE_HZ
    fade = np.hanning(len(time))
    for hz, sign in ((40.0, 1.0), (70.0, -1.0), (82.0, -1.0), (120.0, 1.0), (1000.0, 1.0)):
        tone = fade * np.sin(2 * np.pi * hz * time)
        np.testing.assert_allclose(inverted_within(tone, (60.0, 90.0), 5.0), sign * tone, atol=2e-3)


def test_inversion_begins_without_a_click() -> None:
    string = plucked_string(LUTE, 65.4, 3.0, random())
    turned = inverted_within(string, (60.0, 90.0), 5.0)
    assert turned[0] == pytest.approx(string[0], abs=1e-9)
    assert np.abs(np.diff(turned[:500])).max() < 1.1 * np.abs(np.diff(string[:500])).max()

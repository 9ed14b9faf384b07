"""Lowest notes of parts whose notes are known, and refusals that say why."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.lowend.lowest_note import DRUM, PITCHED, LowestNote, _say_pitched
from tests.support.low_parts import RATE_HZ, Sound, cents, held, low_part, place, repeated, resonator, tone


def floor_of(signal: np.ndarray) -> LowestNote:
    return low_part(signal).lowest_note()


def line(
    frequencies: list[float], seconds: float = 0.4, partials: tuple[float, ...] = (1.0, 0.5, 0.25)
) -> np.ndarray:
    notes = [(0.1 + 0.5 * n, held(frequency, seconds, partials)) for n, frequency in enumerate(frequencies)]
    return place(notes, 0.5 * len(frequencies) + 0.5)


@pytest.mark.parametrize("lowest", [30.868, 41.203, 55.0, 82.407, 110.0])
@pytest.mark.parametrize("partials", [(1.0,), (1.0, 0.5, 0.25), (0.2, 1.0, 0.5, 0.2)])
def test_the_lowest_note_of_a_line(lowest: float, partials: tuple[float, ...]) -> None:
    """Open strings (equal temperament, ISO 16); every fourth note of the line is the lowest. The last has a weak
    fundamental, as an electric bass often does."""
    melody = [lowest * ratio for ratio in (1.0, 1.5, 1.3348, 2.0)] * 5
    found = floor_of(line(melody, partials=partials))
    assert found.kind == PITCHED
    assert abs(cents(found.floor_hz, lowest)) < 20.0
    assert "with a pitch" in found.evidence


@pytest.mark.parametrize(("chord", "lowest"), [((130.81, 164.81, 196.0), 130.81), ((110.0, 130.81, 164.81), 110.0)])
def test_a_chord_is_not_mistaken_for_the_period_of_its_sum(chord: tuple[float, ...], lowest: float) -> None:
    """C major repeats at 32.7 Hz, A minor at 11 Hz; the lowest notes are C3 and A2. Within a quarter-tone."""
    notes = [(0.1 + n, held(note, 0.9)) for n in range(6) for note in chord]
    assert abs(cents(floor_of(place(notes, 6.5)).floor_hz, lowest)) < 50.0


@pytest.mark.parametrize("rumble_dbfs", [-60.0, -45.0, -35.0])
def test_steady_rumble_is_not_a_note(rumble_dbfs: float) -> None:
    keys = line([130.81, 164.81, 196.0, 261.63] * 5)
    assert abs(cents(floor_of(keys + tone(35.0, rumble_dbfs, len(keys))).floor_hz, 130.81)) < 20.0


def test_noise_under_a_note_is_not_its_lower_octave() -> None:
    """Noise from 30 to 45 Hz under chords on D2 (73.4 Hz): half of that lies in the noise, with its octave above."""
    chords = [(73.42, 110.0, 146.83), (98.0, 146.83, 196.0), (82.41, 123.47, 164.81)] * 5
    levels = (0.3, 0.15, 0.22, 0.1)
    notes = [(0.1 + n, held(note, 0.9, level=levels[n % 4])) for n, chord in enumerate(chords) for note in chord]
    keys = place(notes, 15.5)
    band = butter(6, (30.0, 45.0), "bandpass", fs=RATE_HZ, output="sos")
    noise = sosfilt(band, np.random.default_rng(6).standard_normal(keys.shape), axis=0)
    noise *= np.sqrt((keys**2).mean() / 100.0 / (noise**2).mean())
    assert abs(cents(floor_of(keys + noise).floor_hz, 73.42)) < 30.0


def test_a_note_of_opposite_polarity_in_left_and_right_is_found() -> None:
    low, high = line([65.41] * 12), line([130.81, 164.81, 196.0] * 4)
    assert abs(cents(floor_of(np.hstack([high + low, high - low])).floor_hz, 65.41)) < 20.0


def test_a_drone_with_partials_is_a_note() -> None:
    """A held D1 (36.7 Hz) under a melody goes on at one level too, but it is neither bare nor weak."""
    melody = line([146.83, 196.0, 220.0, 164.81] * 5)
    t = np.arange(len(melody)) / RATE_HZ
    drone = sum(a * np.sin(2 * np.pi * 36.71 * n * t) for n, a in ((1, 0.12), (2, 0.06), (3, 0.03)))
    assert abs(cents(floor_of(melody + np.asarray(drone)[:, None]).floor_hz, 36.71)) < 20.0


def test_one_note_with_a_weak_fundamental_all_the_way() -> None:
    riff = place(repeated(held(41.2, 0.24, (0.2, 1.0, 0.5, 0.2)), 60, 0.25), 15.5)
    assert abs(cents(floor_of(riff).floor_hz, 41.2)) < 20.0


def test_a_steady_tone_alone_is_its_own_lowest_note() -> None:
    found = floor_of(tone(41.2, -20.0, 4 * RATE_HZ))
    assert abs(cents(found.floor_hz, 41.2)) < 5.0


@pytest.mark.parametrize(("frequency", "quality"), [(45.0, 15), (60.0, 15), (80.0, 12), (70.0, 8), (200.0, 20)])
def test_drums(frequency: float, quality: float) -> None:
    """Common practice, no source: kick 60 to 80 Hz (some lower), snare near 200 Hz."""
    found = floor_of(place(repeated(resonator(frequency, quality), 12, 0.5), 6.5))
    assert found.kind == DRUM
    assert abs(cents(found.floor_hz, frequency)) < 20.0
    assert found.evidence == "the peak of 100 % of 12 hits"


def gliding(frequency: float, quality: float, from_ratio: float) -> Sound:
    """A kick that begins higher and settles within some 20 ms."""

    def sound(t: np.ndarray) -> np.ndarray:
        cycles = frequency * (t + (from_ratio - 1.0) * 0.01 * (1.0 - np.exp(-t / 0.01)))
        return np.asarray(0.5 * np.sin(2 * np.pi * cycles) * np.exp(-np.pi * frequency * t / quality))

    return sound


@pytest.mark.parametrize(("frequency", "quality"), [(50.0, 20), (60.0, 15), (75.0, 12)])
def test_a_kick_that_glides_down(frequency: float, quality: float) -> None:
    found = floor_of(place(repeated(gliding(frequency, quality, 3.0), 12, 0.5), 6.5))
    assert abs(cents(found.floor_hz, frequency)) < 50.0


def test_hats_and_noise_are_refused() -> None:
    rng = np.random.default_rng(5)
    noise = 0.1 * rng.standard_normal((6 * RATE_HZ, 1))
    ticks = noise * np.exp(-(np.arange(len(noise)) % 12_000) / 1000.0)[:, None]
    for signal in (noise, ticks):
        found = floor_of(signal)
        assert np.isnan(found.floor_hz)
        assert "no pitch in" in found.reason


@pytest.mark.parametrize("signal", [np.zeros((RATE_HZ, 2)), np.zeros((0, 1)), 1e-5 * np.ones((RATE_HZ, 1))])
def test_silence_is_refused(signal: np.ndarray) -> None:
    assert floor_of(signal) == LowestNote(
        pytest.approx(np.nan, nan_ok=True), reason="silent, or never above -60 dBFS"
    )


def test_a_single_hit_is_too_little() -> None:
    found = floor_of(place([(0.1, resonator(60, 15))], 2.0))
    assert np.isnan(found.floor_hz)
    assert found.reason.startswith("only 0.")


def test_a_hit_at_the_very_end_has_nothing_after_its_attack() -> None:
    signal = np.zeros((RATE_HZ, 1))
    signal[-RATE_HZ // 10 :] = tone(50.0, -12.0, RATE_HZ // 10)
    assert np.isnan(floor_of(signal).floor_hz)


def test_noise_under_a_part_that_keeps_its_level_is_not_its_lower_octave() -> None:
    """Held chords with no gaps, as an organ plays them, over noise from 30 to 45 Hz; half of the pedal lies in it."""
    pedal_hz = 73.42
    chords = [(pedal_hz, 146.83, 220.0), (2 * pedal_hz, 196.0, 246.94), (130.81, 164.81, 196.0)] * 5
    notes = [
        (0.1 + 1.5 * n, held(note, 1.5, level=0.04 if note == pedal_hz else 0.1))
        for n, chord in enumerate(chords)
        for note in chord
    ]
    keys = place(notes, 22.6)
    band = butter(6, (30.0, 45.0), "bandpass", fs=RATE_HZ, output="sos")
    noise = sosfilt(band, np.random.default_rng(8).standard_normal(keys.shape), axis=0)
    noise *= np.sqrt((keys**2).mean() / 32.0 / (noise**2).mean())
    assert abs(cents(floor_of(keys + noise).floor_hz, pedal_hz)) < 30.0


def test_a_drone_under_a_tune_is_a_note() -> None:
    """A low note that never stops and has partials of its own, with others that come and go over it."""
    tune = line([220.0, 246.94, 261.63, 293.66] * 6)
    drone = held(55.0, 20.0, (1.0, 0.8, 0.6, 0.4), level=0.15)(np.arange(len(tune)) / RATE_HZ)
    assert abs(cents(floor_of(tune + drone[:, None]).floor_hz, 55.0)) < 20.0


@pytest.mark.parametrize(("low_frames", "expected"), [(5, 82.4), (6, 41.2), (20, 41.2)])
def test_a_percentile_between_two_notes_is_one_of_them(low_frames: int, expected: float) -> None:
    assert _say_pitched(np.repeat([41.2, 82.4], [low_frames, 100 - low_frames]), 1.0).floor_hz == expected


def organ(seconds: float, pedal_hz: float) -> np.ndarray:
    """Two notes held throughout at one level, and a pedal note that joins for the last third, an octave below."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    sound = sum(0.1 / n * np.sin(2 * np.pi * f * pedal_hz * n * t) for f in (2, 3) for n in (1, 2, 3))
    sound += 0.02 * np.sin(2 * np.pi * pedal_hz * t) * np.clip(10.0 * (t - 2 / 3 * seconds), 0.0, 1.0)
    return np.asarray(sound)[:, None]


def noise_band(low_hz: float, high_hz: float, like: np.ndarray, level_db: float) -> np.ndarray:
    band = butter(6, (low_hz, high_hz), "bandpass", fs=RATE_HZ, output="sos")
    noise = sosfilt(band, np.random.default_rng(9).standard_normal(like.shape), axis=0)
    return np.asarray(noise * np.sqrt((like**2).mean() / (noise**2).mean()) * 10.0 ** (level_db / 20.0))


@pytest.mark.parametrize("seconds", [9.0, 12.0, 18.0, 30.0])
def test_a_band_of_noise_is_no_note_though_nothing_else_in_the_part_moves(seconds: float) -> None:
    keys = organ(seconds, 73.42)
    assert abs(cents(floor_of(keys + noise_band(30.0, 45.0, keys, -15.0)).floor_hz, 73.42)) < 30.0


def test_a_low_note_in_a_band_of_noise_is_a_note() -> None:
    """It sounds for a sixth of the time, hardly above the noise around it as far as level goes."""
    keys = organ(18.0, 73.42)
    keys += place([(6.0, held(36.71, 3.0, (1.0, 0.5), level=0.03))], 18.0)
    assert abs(cents(floor_of(keys + noise_band(30.0, 45.0, keys, -22.0)).floor_hz, 36.71)) < 30.0


def snare(t: np.ndarray) -> np.ndarray:
    """Two modes of a shell and 60 ms of wires."""
    wires = np.random.default_rng(3).standard_normal(len(t)) * np.exp(-t / 0.06)
    return np.asarray(resonator(193.7, 20, 0.5)(t) + resonator(331.0, 20, 0.2)(t) + 0.25 * wires)


def with_kick_bleed(bleed_db: float, kick_hz: float, kicks: np.ndarray) -> np.ndarray:
    """A backbeat at 100 beats per minute, with a kick whose peak is so far under the snare's."""
    hits = place([(0.7 + 1.2 * n, snare) for n in range(10)], 12.6)
    kick = place([(float(at), gliding(kick_hz, 15, 3.0)) for at in kicks], 12.6)
    return hits + kick * 10.0 ** (bleed_db / 20.0) * np.abs(hits).max() / np.abs(kick).max()


@pytest.mark.parametrize("bleed_db", [-15.0, -20.0, -25.0, -30.0])
@pytest.mark.parametrize("kick_hz", [37.6, 50.0])
@pytest.mark.parametrize(
    "kicks", [0.1 + 1.2 * np.arange(10), 0.1 + 0.6 * np.arange(20), 0.1 + 0.3 * np.delete(np.arange(40), np.s_[2::4])]
)
def test_the_kick_in_a_snare_is_not_its_lowest_note(bleed_db: float, kick_hz: float, kicks: np.ndarray) -> None:
    """On the other beats, on all beats, and on most eighths."""
    found = floor_of(with_kick_bleed(bleed_db, kick_hz, kicks))
    assert found.kind == DRUM
    assert abs(cents(found.floor_hz, 193.7)) < 20.0
    assert np.isnan(found.lower_hz)


def test_bleed_is_said_with_its_pitch_and_level() -> None:
    found = floor_of(with_kick_bleed(-20.0, 50.0, 0.1 + 1.2 * np.arange(10)))
    assert found.apart.startswith("bleed near 50 Hz, 10 hits 1")
    assert floor_of(place(repeated(resonator(60, 15), 12, 0.5), 6.5)).apart == ""


@pytest.mark.parametrize("softer_db", [0.0, 6.0, 10.0])
@pytest.mark.parametrize("every", [4, 8, 12])
def test_low_notes_that_are_few_and_soft_are_notes(softer_db: float, every: int) -> None:
    notes = []
    for number in range(48):
        low = number % every == every - 1
        ratio = (1.5, 2.0, 1.3348, 1.7818)[number % 4]
        level = 0.3 * 10.0 ** (-softer_db / 20.0) if low else 0.3
        notes.append((0.1 + 0.4 * number, held(55.0 if low else 55.0 * ratio, 0.36, level=level)))
    assert abs(cents(floor_of(place(notes, 19.8)).floor_hz, 55.0)) < 20.0


def eighths(lowest_hz: float, seconds: float, partials: tuple[float, ...]) -> np.ndarray:
    """A riff in eighths at 96 beats per minute that keeps coming back to its lowest note."""
    riff = [1.0, 1.0, 1.1892, 1.0, 1.0, 1.3348, 1.0, 1.1225] * 6
    notes = [(0.1 + 0.3125 * n, held(lowest_hz * ratio, seconds, partials)) for n, ratio in enumerate(riff)]
    return place(notes, 15.5)


@pytest.mark.parametrize("lowest_hz", [27.5, 30.868, 36.708])
@pytest.mark.parametrize("partials", [(1.0,), (0.2, 1.0, 0.5, 0.2), (0.5, 1.0, 0.6, 0.3)])
def test_the_low_string_of_a_drop_tuning_in_quick_notes(lowest_hz: float, partials: tuple[float, ...]) -> None:
    """A0, B0, D1 (equal temperament, ISO 16): no second lacks the note, and yet it is no rumble."""
    assert abs(cents(floor_of(eighths(lowest_hz, 0.29, partials)).floor_hz, lowest_hz)) < 30.0


def test_thin_evidence_leaves_the_lower_note_open() -> None:
    """Four cycles a note: whatever is said, the high-pass that is offered spares the note that was played."""
    for partials in ((1.0,), (1.0, 0.5, 0.25), (0.2, 1.0, 0.5, 0.2)):
        found = floor_of(eighths(32.703, 0.12, partials))
        assert found.offer_hz < 32.703 * 2.0 ** (0.5 / 12.0)
        assert found.offer_hz > 24.0


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("partials", [(1.0,), (1.0, 0.6, 0.4), (0.3, 1.0, 0.3)])
@pytest.mark.parametrize("lowest_hz", [41.203, 82.407, 130.81])
def test_hum_under_played_notes_is_no_note(mains_hz: float, partials: tuple[float, ...], lowest_hz: float) -> None:
    """Hum at -30 dB rms, 6 dB under the notes, and alone in the pauses."""
    notes = line([lowest_hz * ratio for ratio in (1.0, 1.5, 1.3348, 2.0)] * 8)
    notes *= 10.0 ** (-24.0 / 20.0) / np.sqrt((notes**2).mean())
    hum = sum(a * tone(mains_hz * (n + 1), 0.0, len(notes)) for n, a in enumerate(partials))
    hum *= 10.0 ** (-30.0 / 20.0) / np.sqrt((hum**2).mean())
    found = floor_of(notes + hum)
    assert abs(cents(found.floor_hz, lowest_hz)) < 20.0
    assert found.apart.startswith(f"hum at {mains_hz * (1 + np.argmax(partials)):.0f} Hz, -27 dBFS")


def test_hum_alone_is_one_tone() -> None:
    found = floor_of(tone(50.0, -30.0, 6 * RATE_HZ))
    assert abs(cents(found.floor_hz, 50.0)) < 5.0
    assert found.apart == "nothing but one tone at 50 Hz"


@pytest.mark.parametrize(("fundamental_db", "found_partial"), [(-20.0, 1), (-23.0, 1), (-32.0, 2), (-40.0, 2)])
def test_how_weak_a_fundamental_may_be(fundamental_db: float, found_partial: int) -> None:
    """A Hann window's side lobes lie 31 dB down (closed form): a partial so weak cannot be told from them."""
    partials = (10.0 ** (fundamental_db / 20.0), 1.0, 0.3, 0.5)
    notes = place([(0.0, held(110.0, 2.9, partials, level=0.2))], 2.8)
    assert abs(cents(floor_of(notes).floor_hz, 110.0 * found_partial)) < 30.0

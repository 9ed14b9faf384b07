"""The parts of the score as feeds: ``(frames, channels)`` float32, loops without a seam."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import gaussian_filter1d

from meter.demo import score
from meter.demo.instruments import DOUBLE_BASS, LUTE, drum_stroke, plucked_string, reed
from meter.demo.partials import Sound, damped, gain, noise_loop, ramp_in
from meter.demo.parts import RATE_HZ, SECTIONS, TOTAL_FRAMES
from meter.demo.room import Feed, add_round
from meter.demo.score import Note
from meter.demo.voice import sing

Step = Callable[[float], None]
"""Called with the share of a part that is done, 0 to 1."""

PART_DB = {"drum": -15.2, "bass": -15.7, "plucked": -17.0, "organ": -33.0, "voice": -25.5}

DRUM_VARIANTS = 3
BASS_SECONDS, BASS_DAMPING_SECONDS = 7.5, 0.12


def drum(random: np.random.Generator, step: Step) -> Feed:
    """The low drum; its strokes are not damped."""
    feed = np.zeros(TOTAL_FRAMES, dtype=np.float32)
    strokes = [drum_stroke(random) for _ in range(DRUM_VARIANTS)]
    for number, note in enumerate(score.drum_notes()):
        add_round(feed, note.frame, strokes[number % DRUM_VARIANTS] * gain(note.level_db + PART_DB["drum"]))
    step(1.0)
    return feed[:, None]


def bass(random: np.random.Generator, step: Step) -> Feed:
    """The double bass, plucked; each note is damped where its written length ends."""
    feed = np.zeros(TOTAL_FRAMES, dtype=np.float32)
    known: dict[int, Sound] = {}
    for note in score.bass_notes():
        if note.pitch not in known:
            known[note.pitch] = plucked_string(DOUBLE_BASS, note.hz, BASS_SECONDS, random)
        sound = damped(known[note.pitch], note.frames, BASS_DAMPING_SECONDS)
        add_round(feed, note.frame, sound * gain(note.level_db + PART_DB["bass"]))
    step(1.0)
    return feed[:, None]


SIDES = {"first": (1.0, 0.45), "second": (0.45, 1.0), "low": (0.9, 1.0)}
"""Gain of each hand of the pair in the left and the right microphone."""
LUTE_VARIANTS, LUTE_SECONDS, LUTE_DAMPING_SECONDS = 2, 5.0, 0.2
LATE_SECONDS, UNEVEN_DB = 0.012, 1.0
CANCEL_SECTION = 1
CANCEL_HZ = (60.0, 90.0)
CANCEL_EDGE_HZ = 5.0
CANCEL_RISE_SECONDS = 0.012
"""The filter rings before the string does; a rise this long, in the lows only, avoids a click."""


def plucked(random: np.random.Generator, step: Step) -> Feed:
    """The plucked pair; in the second section its right microphone is inverted between 60 and 90 Hz."""
    feed = np.zeros((TOTAL_FRAMES, 2), dtype=np.float32)
    for done, hand in enumerate(SIDES, start=1):
        strings = _Strings(random)
        for number, note in enumerate(score.plucked_notes(hand)):
            cancels = section_number(note) == CANCEL_SECTION
            late = round(random.uniform(0.0, LATE_SECONDS) * RATE_HZ)
            level_db = note.level_db + PART_DB["plucked"] + random.uniform(-UNEVEN_DB, UNEVEN_DB)
            for side in (0, 1):
                string = strings.sound(note, number % LUTE_VARIANTS, flipped=cancels and side == 1)
                sound = damped(string, note.frames, LUTE_DAMPING_SECONDS) * gain(level_db)
                add_round(feed[:, side], note.frame + late, sound * SIDES[hand][side])
        step(done / len(SIDES))
    return feed


class _Strings:
    """Sounds of the strings of one hand, each made once, also as the inverted microphone has it."""

    def __init__(self, random: np.random.Generator) -> None:
        self._random = random
        self._plain: dict[tuple[int, int], Sound] = {}
        self._flipped: dict[tuple[int, int], Sound] = {}

    def sound(self, note: Note, variant: int, *, flipped: bool) -> Sound:
        key = (note.pitch, variant)
        if key not in self._plain:
            self._plain[key] = plucked_string(LUTE, note.hz, LUTE_SECONDS, self._random)
        if not flipped:
            return self._plain[key]
        if key not in self._flipped:
            self._flipped[key] = inverted_within(self._plain[key], CANCEL_HZ, CANCEL_EDGE_HZ)
        return self._flipped[key]


def inverted_within(sound: Sound, band_hz: tuple[float, float], edge_hz: float) -> Sound:
    """All-pass with 180 degrees of phase inside the band, 0 outside, with transitions of ``edge_hz``."""
    size = next_fast_len(len(sound) + RATE_HZ, real=True)
    hz = np.arange(size // 2 + 1) * RATE_HZ / size
    up, down = (np.clip((hz - edge) / edge_hz + 0.5, 0.0, 1.0) for edge in band_hz)
    change = irfft(rfft(sound, size) * (np.exp(1j * np.pi * (up - down)) - 1.0), size)[: len(sound)]
    return np.asarray(sound + ramp_in(change, CANCEL_RISE_SECONDS))


def section_number(note: Note) -> int:
    """Index of the section in which the note begins."""
    return next(number for number, section in enumerate(SECTIONS) if note.frame < section.end_frame)


ORGAN_RISE_SECONDS, ORGAN_FALL_SECONDS = 0.5, 0.35
SWELL_FRAMES = RATE_HZ // 10
SWELL, SWELL_POINTS = 0.35, 8.0
NOISE_SECONDS = 10
RUMBLE_HZ = (30.0, 45.0)
RUMBLE_DBFS = -44.5
WIND_HZ, WIND_SHAPE_DB = (500.0, 2000.0, 16_000.0), (0.0, 0.0, -9.0)
WIND_DBFS = -63.0


def organ(random: np.random.Generator, step: Step) -> Feed:
    """The reed organ: keys with a slight swell, wind noise, and the blower's rumble."""
    feed = np.zeros(TOTAL_FRAMES, dtype=np.float32)
    notes = score.organ_notes()
    for number, note in enumerate(notes):
        frames = note.frames + round(ORGAN_FALL_SECONDS * RATE_HZ)
        sound = damped(ramp_in(reed(note.hz, frames, random), ORGAN_RISE_SECONDS), note.frames, ORGAN_FALL_SECONDS)
        add_round(feed, note.frame, sound * gain(note.level_db + PART_DB["organ"]))
        step((number + 1) / len(notes))
    _swell(feed, random)
    rumble = noise_loop(random, NOISE_SECONDS, RUMBLE_HZ, (0.0, 0.0)) * gain(RUMBLE_DBFS)
    wind = noise_loop(random, NOISE_SECONDS, WIND_HZ, WIND_SHAPE_DB) * gain(WIND_DBFS)
    feed.reshape(-1, len(rumble))[:] += (rumble + wind).astype(np.float32)
    return feed[:, None]


def _swell(feed: Feed, random: np.random.Generator) -> None:
    """Slow, small changes of loudness, in place, the same at both ends."""
    points = 1.0 + SWELL * gaussian_filter1d(
        random.standard_normal(len(feed) // SWELL_FRAMES), SWELL_POINTS, mode="wrap"
    )
    slope = np.roll(points, -1) - points
    along = np.arange(SWELL_FRAMES, dtype=np.float32) / SWELL_FRAMES
    feed.reshape(-1, SWELL_FRAMES)[:] *= (
        points[:, None].astype(np.float32) + slope[:, None].astype(np.float32) * along
    )


def voice(random: np.random.Generator, step: Step) -> Feed:
    """The wordless voice, one breath after another."""
    feed = np.zeros(TOTAL_FRAMES, dtype=np.float32)
    phrases = score.voice_phrases()
    for number, phrase in enumerate(phrases):
        add_round(feed, phrase[0].frame, sing(phrase, random) * gain(PART_DB["voice"]))
        step((number + 1) / len(phrases))
    return feed[:, None]


PLAYERS: dict[str, Callable[[np.random.Generator, Step], Feed]] = {
    "drum": drum,
    "bass": bass,
    "plucked": plucked,
    "organ": organ,
    "voice": voice,
}

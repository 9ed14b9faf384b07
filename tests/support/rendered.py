"""Stems of an invented song, played by fluidsynth with a General MIDI sound font, for checks on real instruments.

The score is ours, so every note in it is known. Needs the programs of the Debian packages ``fluidsynth`` and
``timgm6mb-soundfont`` (or ``fluid-soundfont-gm``); ``missing()`` says which is not there.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path

import mido
import numpy as np
import soundfile

from dsp.core.types import FloatArray

SOUND_FONTS = ("/usr/share/sounds/sf2/TimGM6mb.sf2", "/usr/share/sounds/sf2/FluidR3_GM.sf2")
RATE_HZ = 48_000
TEMPO_BPM = 96
BEATS = 32
TICKS_PER_BEAT = 480
DRUMS = 9
KICK, SNARE = 36, 38
FINGER_BASS, STEEL_GUITAR, PIANO, ORGAN = 33, 25, 0, 16

Note = tuple[float, float, int, int]
"""Beat, length in beats, MIDI note, velocity."""


def missing() -> str:
    """What this machine lacks, empty if nothing."""
    if shutil.which("fluidsynth") is None:
        return "fluidsynth is not installed (apt-get install fluidsynth)"
    return "" if sound_font() else "no General MIDI sound font (apt-get install timgm6mb-soundfont)"


def sound_font() -> str:
    """The first sound font found, or an empty string."""
    return next((path for path in SOUND_FONTS if Path(path).exists()), "")


def note_hz(note: int) -> float:
    """Equal temperament, A4 = note 69 = 440 Hz (ISO 16)."""
    return 440.0 * 2.0 ** ((note - 69) / 12.0)


BASS_ROOTS = (28, 33, 31, 36, 28, 33, 31, 38)
"""E1 A1 G1 C2 E1 A1 G1 D2: one per bar of four beats; E1 is 41.20 Hz."""
CHORDS = ((52, 55, 59), (57, 60, 64), (55, 59, 62), (48, 52, 55)) * 2
"""Em Am G C, the lowest note of all C3 (48, 130.81 Hz)."""


def score() -> dict[str, tuple[int, int, list[Note]]]:
    """Name of each part to ``(program, channel, notes)``."""
    kick = [(float(beat), 0.25, KICK, 110) for beat in range(0, BEATS, 2)]
    kick += [(bar * 4 + 2.5, 0.25, KICK, 96) for bar in range(BEATS // 4)]
    snare = [(float(beat), 0.25, SNARE, 100) for beat in range(1, BEATS, 2)]
    bass = [
        (bar * 4 + step * 0.5, 0.45, root + (12 if step == 7 else 0), 100)
        for bar, root in enumerate(BASS_ROOTS)
        for step in range(8)
    ]
    keys = [
        (bar * 4 + half * 2, 1.9, key, 84) for bar, chord in enumerate(CHORDS) for half in (0, 1) for key in chord
    ]
    guitar = [
        (bar * 4 + step, 0.8, key, 80) for bar, chord in enumerate(CHORDS) for step in range(4) for key in chord
    ]
    return {
        "kick": (0, DRUMS, kick),
        "snare": (0, DRUMS, snare),
        "bass": (FINGER_BASS, 0, bass),
        "keys": (PIANO, 1, keys),
        "guitar": (STEEL_GUITAR, 2, guitar),
    }


def render(folder: Path) -> dict[str, FloatArray]:
    """Play every part alone; arrays ``(frames, 2)`` of one length at ``RATE_HZ``, effects off."""
    stems = {}
    for name, (program, channel, notes) in score().items():
        midi = folder / f"{name}.mid"
        _write(midi, program, channel, notes)
        stems[name] = _play(midi, folder / f"{name}.wav")
    frames = min(len(stem) for stem in stems.values())
    return {name: stem[:frames] for name, stem in stems.items()}


def _write(path: Path, program: int, channel: int, notes: Iterable[Note]) -> None:
    events: list[tuple[float, int, int, int]] = []
    for beat, length, note, velocity in notes:
        events += [(beat, 1, note, velocity), (beat + length, 0, note, 0)]
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(TEMPO_BPM))])
    track.append(mido.Message("program_change", program=program, channel=channel))
    now = 0
    for beat, on, note, velocity in sorted(events):
        ticks = round(beat * TICKS_PER_BEAT)
        kind = "note_on" if on else "note_off"
        track.append(mido.Message(kind, note=note, velocity=velocity, channel=channel, time=ticks - now))
        now = ticks
    track.append(mido.MetaMessage("end_of_track", time=BEATS * TICKS_PER_BEAT - now))
    song = mido.MidiFile(ticks_per_beat=TICKS_PER_BEAT)
    song.tracks.append(track)
    song.save(path)


def _play(midi: Path, sound: Path) -> FloatArray:
    command = ["fluidsynth", "-ni", "-g", "0.5", "-R", "0", "-C", "0", "-r", str(RATE_HZ), "-O", "float", "-T", "wav"]
    subprocess.run([*command, "-F", str(sound), sound_font(), str(midi)], check=True, capture_output=True, timeout=60)
    samples, _ = soundfile.read(sound, dtype="float64", always_2d=True)
    return np.asarray(samples)

"""The music, bar by bar: D dorian, 64 beats a minute, four sections of twelve bars. Invented for this program.

A line is written as ``NOTES:BEATS`` in order: ``D1`` is a note, ``D3+A3`` are two at once, ``-`` is a rest, ``|`` a
bar line: ``-:.5 D1:3.5 | -:.5 E1:3.5``. Equal temperament on A4 = 440 Hz (ISO 16).
Tables of four have one entry for each section.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from meter.demo.parts import BEAT_FRAMES, BEATS_PER_BAR, SECTIONS

SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
A4_HZ, A4_NOTE = 440.0, 69


@dataclass(frozen=True)
class Note:
    """``beat`` and ``beats`` count quarter notes from the first bar, ``pitch`` is the note number with A4 = 69."""

    beat: float
    beats: float
    pitch: int
    level_db: float = 0.0

    @property
    def frame(self) -> int:
        """Frame of the onset."""
        return round(self.beat * BEAT_FRAMES)

    @property
    def frames(self) -> int:
        """Written length in frames."""
        return round(self.beats * BEAT_FRAMES)

    @property
    def hz(self) -> float:
        """Fundamental of the written pitch."""
        return pitch_hz(self.pitch)


def pitch_number(name: str) -> int:
    """Note number of a natural note such as ``D1``, with C4 = 60."""
    return SEMITONES[name[0]] + 12 * (int(name[1:]) + 1)


def pitch_hz(pitch: int) -> float:
    """Equal temperament on A4 = 440 Hz (ISO 16)."""
    return float(A4_HZ * 2.0 ** ((pitch - A4_NOTE) / 12))


Chord = Mapping[str, tuple[int, ...]]
"""What lies under the fingers of the plucked pair, lowest first: ``first`` and ``second`` player, ``low`` course."""


def _chord(first: str, second: str, low: str) -> Chord:
    hands = {"first": first, "second": second, "low": low}
    return {hand: tuple(pitch_number(name) for name in names.split()) for hand, names in hands.items()}


CHORDS = {
    "Dm": _chord("A3 D4 F4 A4 D5", "D3 F3 A3", "D2"),
    "C": _chord("G3 C4 E4 G4 C5", "C3 E3 G3", "C2"),
    "C/E": _chord("G3 C4 E4 G4 C5", "C3 E3 G3", "E2"),
    "F": _chord("A3 C4 F4 A4 C5", "C3 F3 A3", "C2"),
    "G": _chord("G3 B3 D4 G4 B4", "D3 G3 B3", "G2"),
    "Am": _chord("A3 C4 E4 A4 C5", "C3 E3 A3", "A2"),
    "Am/E": _chord("A3 C4 E4 A4 C5", "C3 E3 A3", "E2"),
}
"""The low courses of the second section lie from C2 to E2, 65 to 82 Hz: inside the band that cancels there."""

CHORD_BARS = 2
HARMONY: tuple[tuple[str, ...], ...] = (
    ("Dm", "Dm", "C", "G", "Am", "Dm"),
    ("Dm", "C/E", "F", "C/E", "Dm", "Am/E"),
    ("Dm", "F", "C", "G", "F", "Dm"),
    ("Dm", "G", "Dm", "C", "Dm", "Dm"),
)

DRUM: tuple[tuple[tuple[float, float], ...], ...] = (
    ((0.0, -3.0),),
    ((0.0, -2.5), (4.0, -4.0)),
    ((0.0, 0.0), (2.0, -4.0), (4.0, -1.0), (6.0, -4.0)),
    ((0.0, -3.0),),
)
"""Strokes within two bars: beat, and level in dB."""

BASS_AFTER_DRUM_BEATS = 0.5
"""The bass enters half a beat after the drum: the rest before each bass note below."""
BASS = (
    "-:.5 D1:7.5 | -:.5 D1:7.5 | -:.5 C2:7.5 | -:.5 G1:7.5 | -:.5 A1:7.5 | -:.5 D1:7.5",
    "-:.5 D1:3.5 | -:.5 D1:3.5 | -:.5 E1:3.5 | -:.5 E1:3.5 | -:.5 F1:3.5 | -:.5 F1:3.5 | "
    "-:.5 E1:3.5 | -:.5 E1:3.5 | -:.5 D1:3.5 | -:.5 D1:3.5 | -:.5 E1:3.5 | -:.5 E1:3.5",
    "-:.5 D1:1.5 -:.5 A1:1.5 | -:.5 D1:1.5 -:.5 D2:1.5 | -:.5 F1:1.5 -:.5 C2:1.5 | -:.5 F1:1.5 -:.5 G1:1.5 | "
    "-:.5 C2:1.5 -:.5 G1:1.5 | -:.5 C2:1.5 -:.5 A1:1.5 | -:.5 G1:1.5 -:.5 D2:1.5 | -:.5 G1:1.5 -:.5 G1:1.5 | "
    "-:.5 F1:1.5 -:.5 C2:1.5 | -:.5 F1:1.5 -:.5 E1:1.5 | -:.5 D1:1.5 -:.5 A1:1.5 | -:.5 D1:1.5 -:.5 D1:1.5",
    "-:.5 D1:7.5 | -:.5 G1:7.5 | -:.5 D1:7.5 | -:.5 C2:7.5 | -:.5 D1:7.5 | -:.5 D1:7.5",
)
ORGAN = (
    "D3+A3:8 | D3+A3:8 | G3+C4:8 | D3+G3+B3:8 | E3+C4:8 | D3+A3:8",
    "-:8 | -:8 | F3+C4:8 | G3+C4:8 | A3+D4:8 | A3+C4:8",
    "D3+A3+D4+F4:8 | C3+A3+C4+F4:8 | C3+G3+C4+E4:8 | D3+G3+B3+D4:8 | C3+A3+C4+F4:4 C3+G3+C4+E4:4 | D3+A3+D4+F4:8",
    "A3+D4:8 | D3+B3:8 | D3+A3+F4:8 | G3+E4:8 | A3+D4:8 | D3+A3:5 -:3",
)
"""Ends with a rest of three beats before the loop restarts."""
PEDAL = (
    "-:8 | D2:8 | C2:8 | -:8 | A2:8 | D2:8",
    "-:48",
    "D2:8 | F2:8 | C2:8 | G2:8 | F2:4 C2:4 | D2:8",
    "D2:8 | G2:8 | D2:8 | C2:8 | D2:8 | D2:5 -:3",
)
"""The organ's low keys; silent in the second section, so that nothing covers the plucked pair there."""
VOICE = (
    "-:16 | E4:4 | G4:2 E4:1.5 -:.5 | D4:3 B3:1 | B3:2 D4:1.5 -:.5 | C4:3 E4:1 | E4:2 C4:1 B3:1 | D4:4 | D4:3 -:1",
    "-:24 | -:4 | G4:2 F4:1 E4:1 | F4:3 D4:1 | D4:3 -:1 | E4:2 C4:2 | A3:3 -:1",
    "A4:2 G4:1 A4:1 | F4:3 -:1 | A4:2 C5:2 | A4:3 -:1 | G4:2 E4:1 G4:1 | E4:3 -:1 | D4:1 G4:1 B4:2 | "
    "A4:1 G4:2 -:1 | A4:2 C5:1 D5:1 | C5:2 G4:1 A4:1 | F4:1 E4:1 D4:2 | D4:3 -:1",
    "-:4 | A4:2 F4:1.5 -:.5 | G4:2 B4:1 A4:1 | G4:3 -:1 | F4:2 E4:1 D4:1 | E4:1 F4:2 -:1 | E4:2 G4:1 E4:1 | "
    "C4:3 -:1 | D4:4 | D4:3 -:1 | -:8",
)

EIGHTH_BEATS = 0.5
FIRST_PLAYER = (
    "",
    "0:0 2:-3 3:-2 1:-4 4:-1 3:-4 2:-3 1:-5 | 0:-1 1:-4 3:-2 2:-3 4:-2 2:-4 3:-3 1:-5",
    "2:0 3:-3 4:-1 1:-3 3:-1 4:-3 2:-2 3:-4 | 0:0 2:-3 4:-1 3:-2 1:-2 3:-3 4:-2 2:-4",
    "0:-2 1:-3 2:-3 3:-4 - - 4:-5 - | - - 2:-5 - 1:-6 - - -",
)
"""Eighth notes of two bars: which string of the chord, and its level in dB; ``-`` rests."""
SECOND_PLAYER = (
    "",
    "- 1:-4 2:-5 - 0:-4 2:-6 - 1:-5 | - 0:-4 1:-5 - 2:-4 1:-6 - 0:-5",
    "- 0:-3 1:-4 2:-5 - 1:-3 2:-4 0:-5 | - 1:-3 2:-4 0:-5 - 2:-3 1:-4 0:-5",
    "- - - - 0:-5 1:-6 - 2:-6 | - - - - - - - -",
)
LOW_COURSE = (
    "",
    "0:0 - - 0:-1 - - 0:-1 - | 0:0 - - 0:-1 - - 0:-1 -",
    "0:0 - - - 0:-1 - - - | 0:0 - - - 0:-1 - - -",
    "0:0 - - - - - - - | - - - - - - - -",
)
PLUCKED = {"first": FIRST_PLAYER, "second": SECOND_PLAYER, "low": LOW_COURSE}

DYNAMICS_DB: dict[str, tuple[float, ...]] = {
    "drum": (0.0, 0.0, 0.0, 0.0),
    "bass": (0.0, 0.0, 0.0, 0.0),
    "first": (0.0, 1.8, -0.8, -1.3),
    "second": (0.0, 3.6, 0.9, -0.4),
    "low": (0.0, -3.8, -14.0, -10.0),
    "organ": (-1.5, 0.0, -1.5, -1.0),
    "pedal": (-18.5, 0.0, -15.0, -17.5),
    "voice": (-3.0, -1.8, -0.5, -2.5),
}
"""Level of each line in each section, dB."""


def read_line(text: str, first_bar: int, level_db: float = 0.0) -> list[Note]:
    """Read the notes of one line; raises ValueError for a bar line that is not at the edge of a bar."""
    notes: list[Note] = []
    start = beat = float(first_bar * BEATS_PER_BAR)
    for word in text.split():
        if word == "|":
            if (beat - start) % BEATS_PER_BAR:
                raise ValueError(f"A bar line is at beat {beat - start} of “{text}”.")
            continue
        names, length = word.split(":")
        pitches = [] if names == "-" else [pitch_number(name) for name in names.split("+")]
        notes += [Note(beat, float(length), pitch, level_db) for pitch in pitches]
        beat += float(length)
    return notes


def drum_notes() -> list[Note]:
    """Every stroke; pitch and length are unused."""
    notes = []
    for section, strokes, level_db in zip(SECTIONS, DRUM, DYNAMICS_DB["drum"], strict=True):
        for bar in range(section.first_bar, section.first_bar + section.bars, CHORD_BARS):
            notes += [Note(bar * BEATS_PER_BAR + beat, 1.0, 0, level_db + db) for beat, db in strokes]
    return notes


def bass_notes() -> list[Note]:
    """Every note of the double bass."""
    return _whole_line(BASS, DYNAMICS_DB["bass"])


def organ_notes() -> list[Note]:
    """Every key of the organ; a key held into the next chord is one long note."""
    held: dict[int, Note] = {}
    finished = []
    lines = _whole_line(ORGAN, DYNAMICS_DB["organ"]) + _whole_line(PEDAL, DYNAMICS_DB["pedal"])
    for note in sorted(lines, key=lambda note: note.beat):
        before = held.pop(note.pitch, None)
        if before is not None and before.beat + before.beats == note.beat and before.level_db == note.level_db:
            note = replace(before, beats=before.beats + note.beats)
        elif before is not None:
            finished.append(before)
        held[note.pitch] = note
    return sorted([*finished, *held.values()], key=lambda note: (note.beat, note.pitch))


def voice_phrases() -> list[list[Note]]:
    """The voice, one list for each breath."""
    phrases: list[list[Note]] = []
    end = -1.0
    for note in _whole_line(VOICE, DYNAMICS_DB["voice"]):
        if note.beat != end:
            phrases.append([])
        phrases[-1].append(note)
        end = note.beat + note.beats
    return phrases


def plucked_notes(hand: str) -> list[Note]:
    """The notes of ``first``, ``second`` or ``low``; they ring until the chord changes."""
    notes = []
    for number, section in enumerate(SECTIONS):
        for index, name in enumerate(HARMONY[number]):
            first_beat = float((section.first_bar + index * CHORD_BARS) * BEATS_PER_BAR)
            notes += _pattern(PLUCKED[hand][number], CHORDS[name][hand], first_beat, DYNAMICS_DB[hand][number])
    return notes


def _pattern(pattern: str, strings: Sequence[int], first_beat: float, level_db: float) -> list[Note]:
    end = first_beat + CHORD_BARS * BEATS_PER_BAR
    notes = []
    for eighth, word in enumerate(pattern.replace("|", " ").split()):
        if word != "-":
            string, quieter_db = word.split(":")
            beat = first_beat + eighth * EIGHTH_BEATS
            notes.append(Note(beat, end - beat, strings[int(string)], level_db + float(quieter_db)))
    return notes


def _whole_line(lines: Sequence[str], levels_db: Sequence[float]) -> list[Note]:
    notes = []
    for section, text, level_db in zip(SECTIONS, lines, levels_db, strict=True):
        notes += read_line(text, section.first_bar, level_db)
    return notes

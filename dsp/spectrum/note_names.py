"""Note names in equal temperament, A4 = 440 Hz (ISO 16), middle C = C4, MIDI numbers."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log2

A4_HZ = 440.0
A4_NUMBER = 69
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@dataclass(frozen=True)
class Note:
    """The nearest note of a frequency and how far above (+) or below it lies, -50 to +50 cents."""

    number: int
    cents: float

    @property
    def name(self) -> str:
        """``"E1"``, ``"F#2"``."""
        octave, step = divmod(self.number, 12)
        return f"{NAMES[step]}{octave - 1}"

    @property
    def frequency_hz(self) -> float:
        """Frequency of the note, without the cents."""
        return note_hz(self.number)


def note_hz(number: float) -> float:
    """Frequency of a MIDI note number; fractions are allowed."""
    return float(A4_HZ * 2.0 ** ((number - A4_NUMBER) / 12.0))


def nearest_note(frequency_hz: float) -> Note:
    """The note nearest to a frequency. Raises ValueError unless it is above zero and finite."""
    if not (isfinite(frequency_hz) and frequency_hz > 0.0):
        raise ValueError(f"A frequency of {frequency_hz:g} Hz has no note; it must be above 0 Hz.")
    exact = A4_NUMBER + 12.0 * log2(frequency_hz / A4_HZ)
    number = round(exact)
    return Note(number, 100.0 * (exact - number))

"""Published checks of note names: equal temperament from A4 = 440 Hz."""

from __future__ import annotations

from functools import partial

from dsp.spectrum.note_names import nearest_note, note_hz
from meter.selftest.checks import FROM_MEMORY, Check, Source

SOURCE = Source("ISO 16 (A4 = 440 Hz, from memory), equal temperament: f = 440 x 2^((m - 69) / 12)", FROM_MEMORY)

NOTES = {
    "A0": (21, 27.500), "B0": (23, 30.868), "E1": (28, 41.203), "A1": (33, 55.000), "D2": (38, 73.416),
    "E2": (40, 82.407), "G2": (43, 97.999), "A2": (45, 110.000), "D3": (50, 146.832), "G3": (55, 195.998),
    "B3": (59, 246.942), "C4": (60, 261.626), "E4": (64, 329.628), "A4": (69, 440.0), "E6": (88, 1318.510),
    "C8": (108, 4186.009),
}  # fmt: skip
"""Open strings of bass and guitar, ends of the piano, middle C: name, MIDI number, hertz."""


def cents_off(name: str, frequency_hz: float) -> float:
    """How far the note found lies from the listed frequency, in cents; 1e9 if it has another name."""
    note = nearest_note(frequency_hz)
    return note.cents if note.name == name else 1e9


CHECKS: list[Check] = [
    *(
        Check(f"frequency of {name}", SOURCE, listed_hz, "Hz", 5e-4, 5e-4, partial(note_hz, number))
        for name, (number, listed_hz) in NOTES.items()
    ),
    *(
        Check(
            f"name of {listed_hz:g} Hz, {name}", SOURCE, 0.0, "cents", 0.05, 0.05, partial(cents_off, name, listed_hz)
        )
        for name, (_, listed_hz) in NOTES.items()
    ),
    Check("a semitone", SOURCE, 1.0594631, "", 5e-8, 5e-8, lambda: note_hz(70) / note_hz(69)),
    Check("a cent", SOURCE, 1.00057779, "", 5e-9, 5e-9, lambda: note_hz(69.01) / note_hz(69)),
]

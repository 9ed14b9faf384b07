"""Note names at their borders and for what is not a frequency."""

from __future__ import annotations

import pytest

from dsp.spectrum.note_names import Note, nearest_note, note_hz


def test_cents_say_how_far_off_and_on_which_side() -> None:
    assert nearest_note(440.0 * 2.0 ** (20 / 1200)).cents == pytest.approx(20.0)
    assert nearest_note(440.0 * 2.0 ** (-20 / 1200)).cents == pytest.approx(-20.0)
    assert nearest_note(440.0 * 2.0 ** (60 / 1200)).name == "A#4"


def test_octaves_change_at_c() -> None:
    assert [Note(number, 0.0).name for number in (59, 60, 0, 23, 24)] == ["B3", "C4", "C-1", "B0", "C1"]
    assert Note(57, 30.0).frequency_hz == note_hz(57) == pytest.approx(220.0)


@pytest.mark.parametrize("frequency_hz", [0.0, -1.0, float("nan"), float("inf")])
def test_what_has_no_note(frequency_hz: float) -> None:
    with pytest.raises(ValueError, match="has no note"):
        nearest_note(frequency_hz)

"""The silence of the other process, driven by times handed in."""

from __future__ import annotations

import pytest

from meter.engine.watchdog import LONGEST_TURN_SECONDS, Silence

SECOND_NS = 1_000_000_000


def test_silence_is_counted_from_the_last_new_beat() -> None:
    silence = Silence()
    for tenth in range(50):
        assert silence.look(7, tenth * SECOND_NS // 10) == pytest.approx(tenth / 10)
    assert silence.look(8, 5 * SECOND_NS) == 0.0
    assert silence.look(8, 5 * SECOND_NS + SECOND_NS // 4) == pytest.approx(0.25)


def test_who_did_not_look_does_not_count_what_was_missed() -> None:
    silence = Silence()
    silence.look(7, 0)
    assert silence.look(7, 3600 * SECOND_NS) == LONGEST_TURN_SECONDS


def test_a_beat_of_nought_is_silence_too() -> None:
    silence = Silence()
    silence.look(0, 5)
    assert silence.look(0, 5 + SECOND_NS // 10) == pytest.approx(0.1)

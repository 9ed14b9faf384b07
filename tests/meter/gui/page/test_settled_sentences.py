"""Sentences of faces for the day record: told when their words change, at most once in five seconds a face."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from meter.gui.page.settled_sentences import SettledSentences
from tests.support.frames import FakeLink, frame


class Words:
    """Cards of two meters whose sentences a test sets; the clock goes on by hand."""

    def __init__(self) -> None:
        self.link, self.time = FakeLink(), 0.0
        self.said = {"mono_lows": "", "vu": ""}
        self.sentences = SettledSentences(self.link, lambda: self.time)

    def after(self, seconds: float, **said: str) -> list[str]:
        """What is recorded at a time that much later, when these sentences stand there."""
        self.time += seconds
        self.said |= said
        cards: list[Any] = [
            SimpleNamespace(
                entry=SimpleNamespace(meter_id=meter), face=SimpleNamespace(title=meter.upper()), settled_words=words
            )
            for meter, words in self.said.items()
        ]
        self.link.calls.clear()
        self.sentences.observe(frame(self.time), cards)
        return [words for call, kind, words, _ in self.link.calls if (call, kind) == ("record", "verdict")]


@pytest.fixture
def words() -> Words:
    return Words()


def test_a_sentence_is_told_once_and_again_when_its_words_change(words: Words) -> None:
    assert words.after(1.0, mono_lows="solid") == ["MONO_LOWS: solid"]
    assert words.after(10.0) == []
    assert words.after(10.0, mono_lows="partly cancels") == ["MONO_LOWS: partly cancels"]
    assert words.after(10.0, mono_lows="solid") == ["MONO_LOWS: solid"]


def test_other_figures_in_the_same_words_are_no_change(words: Words) -> None:
    assert words.after(1.0, vu="sits at +4, hits +6.5 VU") != []
    assert words.after(10.0, vu="sits at −3, hits 0.5 VU") == []


def test_a_face_that_flutters_is_told_every_five_seconds_at_most(words: Words) -> None:
    assert words.after(1.0, vu="hot") == ["VU: hot"]
    told = [said for second in range(20) for said in words.after(1.0, vu=("hot", "shy")[second % 2])]
    assert len(told) <= 4
    assert words.after(1.0, mono_lows="solid") == ["MONO_LOWS: solid"]  # another face waits for nobody


def test_no_sentence_and_the_wait_for_one_are_nothing(words: Words) -> None:
    assert words.after(1.0, vu="", mono_lows="listening…") == []
    assert words.after(6.0, mono_lows="solid") == ["MONO_LOWS: solid"]
    assert words.after(6.0, mono_lows="") == []
    assert words.after(6.0, mono_lows="solid") == []


def test_a_long_sentence_is_cut(words: Words) -> None:
    (told,) = words.after(1.0, vu="a" * 10_000)
    assert len(told) < 400

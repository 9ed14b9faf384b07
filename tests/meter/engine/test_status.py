"""The sentence of the feed line: what lasts, what expires, and what comes back afterwards."""

from __future__ import annotations

import numpy as np
import pytest

from meter.engine.messages import LayoutChanged, SourceOpened
from meter.engine.received import Received
from meter.engine.status import READ_SECONDS, Sentence, pack_status
from meter.readings import FeedStatus, Layout


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def sentence(told: list[str]) -> Sentence:
    return Sentence(told.append)


def test_a_report_gives_way_to_what_it_covered(sentence: Sentence, told: list[str]) -> None:
    sentence.say("The volume is at -6 dB.")
    sentence.report("Measuring restarted.", 100.0)
    sentence.follow("", 100.0 + READ_SECONDS - 0.1)
    assert sentence.words == "Measuring restarted."
    sentence.follow("", 100.0 + READ_SECONDS)
    assert sentence.words == "The volume is at -6 dB."
    assert told == ["The volume is at -6 dB.", "Measuring restarted.", "The volume is at -6 dB."]


def test_a_lasting_sentence_stays_and_replaces_a_report(sentence: Sentence) -> None:
    sentence.report("Measuring restarted.", 0.0)
    sentence.say("No sound comes.")
    for now in (0.1, 100.0, 1e6):
        sentence.follow("", now)
        assert sentence.words == "No sound comes."


def test_a_note_comes_and_goes_where_nothing_else_lasts(sentence: Sentence, told: list[str]) -> None:
    sentence.follow("only zeros", 0.0)
    sentence.follow("only zeros", 1.0)
    sentence.follow("", 2.0)
    assert told == ["only zeros", ""]
    sentence.say("No sound comes.")
    sentence.follow("only zeros", 3.0)
    assert sentence.words == "No sound comes."


def test_a_note_that_changed_under_a_report_is_there_after_it(sentence: Sentence) -> None:
    sentence.report("Measuring restarted.", 0.0)
    sentence.follow("only zeros", 1.0)
    assert sentence.words == "Measuring restarted."
    sentence.follow("only zeros", READ_SECONDS)
    assert sentence.words == "only zeros"


@pytest.mark.parametrize(("held", "told"), [(8, 8), (0, 2)])
def test_the_window_is_told_how_many_channels_the_source_has(held: int, told: int) -> None:
    """Two of them are open; a source that does not tell delivers all it has."""
    received = Received(lambda _: None)
    received.apply(LayoutChanged.of(1, Layout(())))
    received.apply(SourceOpened("the desk", "desk", held))
    frame = received.frame(1, pack_status(FeedStatus(rate_hz=48_000, channels=2)), np.empty(0))
    assert frame is not None
    assert (frame.status.channels, frame.status.device_channels) == (2, told)

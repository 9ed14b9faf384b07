"""The score: every line is as long as its section, and the pitches are those of the published table."""

from __future__ import annotations

from itertools import pairwise

import pytest

from meter.demo import score
from meter.demo.parts import (
    BAR_FRAMES,
    BEATS_PER_BAR,
    MIX,
    PARTS,
    RATE_HZ,
    SECTIONS,
    STAGES,
    TEMPO_BPM,
    TOTAL_FRAMES,
    channel_names,
    feed_columns,
    pair_columns,
)
from meter.feeds import check_feeds


@pytest.mark.parametrize(
    ("name", "hz"), [("A4", 440.0), ("C4", 261.626), ("E1", 41.203), ("A1", 55.0), ("D2", 73.416), ("E2", 82.407)]
)
def test_pitches_are_equally_tempered(name: str, hz: float) -> None:
    # ISO 16: A4 = 440 Hz; the others are the usual printed table of twelve equal semitones
    assert score.pitch_hz(score.pitch_number(name)) == pytest.approx(hz, abs=0.001)


def test_the_grid_is_whole_frames_and_whole_ticks() -> None:
    assert RATE_HZ * 60 * BEATS_PER_BAR / TEMPO_BPM == BAR_FRAMES
    assert BAR_FRAMES % (RATE_HZ // 100) == 0
    assert TOTAL_FRAMES == 180 * RATE_HZ
    assert [section.first_bar for section in SECTIONS] == [0, 12, 24, 36]


@pytest.mark.parametrize("line", [score.BASS, score.ORGAN, score.PEDAL, score.VOICE])
def test_every_line_fills_its_section(line: tuple[str, ...]) -> None:
    for section, text in zip(SECTIONS, line, strict=True):
        beats = sum(float(word.split(":")[1]) for word in text.split() if word != "|")
        assert beats == section.bars * BEATS_PER_BAR


@pytest.mark.parametrize("hand", score.PLUCKED)
def test_patterns_fill_two_bars_and_stay_on_the_strings(hand: str) -> None:
    for text in score.PLUCKED[hand]:
        assert len(text.replace("|", " ").split()) in (0, score.CHORD_BARS * 8)
    notes = score.plucked_notes(hand)
    assert all(note.frame + note.frames <= TOTAL_FRAMES for note in notes)


def test_a_misplaced_bar_line_is_refused() -> None:
    with pytest.raises(ValueError, match="bar line"):
        score.read_line("D1:3 | D1:1", 0)


def test_a_key_that_stays_is_one_long_note() -> None:
    drone = [note for note in score.organ_notes() if note.beat == 0.0]
    assert {(note.pitch, note.beats) for note in drone} == {
        (score.pitch_number("D3"), 16.0),
        (score.pitch_number("A3"), 16.0),
    }


def test_the_bass_answers_every_stroke_and_nothing_else() -> None:
    strokes = [note.beat for note in score.drum_notes()]
    assert [note.beat - score.BASS_AFTER_DRUM_BEATS for note in score.bass_notes()] == strokes


def test_phrases_are_breaths() -> None:
    phrases = score.voice_phrases()
    for before, after in pairwise(phrases):
        assert after[0].beat > before[-1].beat + before[-1].beats
    assert all(a.beat + a.beats == b.beat for phrase in phrases for a, b in pairwise(phrase))


def test_the_feed_map_covers_every_column_once() -> None:
    names, columns = channel_names(), feed_columns() | pair_columns()
    check_feeds(columns, len(names))
    assert sorted(column for feed in columns.values() for column in feed) == list(range(len(names)))
    assert len(names) == sum(part.channels for part in (MIX, *PARTS)) + 2 * sum(each.channels for each in STAGES)
    assert columns["mix"] == (0, 1)
    assert names[:4] == ("mix L", "mix R", "low drum", "double bass")
    assert columns["part plucked pair"] == (4, 5)

"""The feed line: honest words, the sentence in place, nothing that moves."""

from __future__ import annotations

import pytest

from dsp.loudness.integration import Integration
from meter.gui.source import feed_words
from meter.gui.source.feed_line import FeedLine
from meter.readings import STATES, FeedStatus
from tests.support.frames import status


@pytest.fixture
def line(qtbot):
    made = FeedLine()
    qtbot.addWidget(made)
    made.resize(1250, 60)
    made.name_source("what plays on Studio Out")
    made.show()
    return made


def answer(line, words):
    buttons = line._answers.findChildren(type(line.hold))
    next(button for button in buttons if button.text() == words and not button.isHidden()).click()


def test_every_state_has_words_of_its_own():
    words = [feed_words.state_words(FeedStatus(state=state)) for state in STATES]
    assert len(set(words)) == len(STATES)
    assert set(feed_words.STATE_WORDS) == set(STATES)
    assert feed_words.state_words(FeedStatus(state="dreaming")) == "dreaming"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.026, "26 ms"), (0.0, "0 ms"), (42.9, "42 s"), (60.0, "1 min"), (3599.0, "59 min"), (8040.0, "2 h 14 min")],
)
def test_durations(seconds, words):
    assert feed_words.duration(seconds) == words


def test_losses_are_told_with_frames_time_and_gaps():
    assert feed_words.loss_words(status()) == "no dropouts"
    assert feed_words.loss_words(status(lost_frames=480, gaps=1)) == "1 dropout, 10 ms"
    assert feed_words.loss_words(status(lost_frames=1, gaps=0)) == "1 dropout, 0 ms"
    assert feed_words.loss_words(status(lost_frames=48000, gaps=2)) == "2 dropouts, 1 s"
    assert "(" not in feed_words.loss_words(FeedStatus(lost_frames=3))


def test_rates_and_channels():
    assert [feed_words.rate_words(rate) for rate in (0, 44_100, 48_000, 192_000)] == [
        "", "44.1 kHz", "48 kHz", "192 kHz",
    ]  # fmt: skip
    assert [feed_words.channel_words(count) for count in (0, 1, 2)] == ["", "1 channel", "2 channels"]


def test_the_line_tells_all_of_a_running_feed(line):
    line.show_status(status(lost_frames=480, gaps=1, invalid_samples=12, overruns=3))
    for part in (
        "listening",
        "48 kHz",
        "2 channels",
        "1 dropout, 10 ms",
        "12 invalid",
        "fell behind 3",
        "2 h 14 min",
    ):
        assert part in line.words.whole


def test_invalid_samples_are_told_as_what_they_become_a_gap_and_not_silence():
    words = " ".join(feed_words.detail_words(status(invalid_samples=12)))
    assert "12 invalid samples left out, as gaps" in words
    assert "silence" not in words
    assert "1 invalid sample left out" in " ".join(feed_words.detail_words(status(invalid_samples=1)))


def test_a_source_behind_a_converter_is_marked_in_the_line(line):
    line.show_status(status(resampled=True))
    assert "48 kHz, resampled" in line.words.whole
    line.show_status(status())
    assert "resampled" not in line.words.whole


def test_a_feed_of_nothing_but_invalid_samples_is_shown_as_broken(line):
    line.show_status(status(state="invalid", sentence="Not numbers."))
    assert line.words.whole.startswith("only invalid samples arrive")
    assert feed_words.is_broken(status(state="invalid"))


@pytest.mark.parametrize("state", sorted(feed_words.BROKEN_STATES))
def test_a_broken_feed_shows_its_sentence_and_what_is_missing(line, state):
    line.show_status(status(state=state, sentence="Plug “Interface” in again.", lost_frames=480, gaps=1))
    assert line.words.whole.startswith(feed_words.STATE_WORDS[state])
    assert "Plug “Interface” in again." in line.words.whole
    assert "1 dropout, 10 ms" in line.words.whole


def test_a_sentence_of_a_running_feed_stands_beside_the_details(line):
    line.show_status(status(sentence="The rate is converted on the way."))
    assert "The rate is converted" in line.words.whole
    assert "48 kHz" in line.words.whole


def test_a_long_sentence_is_cut_and_told_in_the_tooltip(line):
    line.show_status(status(state="failed", sentence="word " * 200))
    assert line.words.text().endswith("…")
    assert line.words.toolTip() == line.words.whole


def test_nothing_moves_when_there_is_something_to_say(line, qtbot):
    def places():
        return [(widget.y(), widget.height()) for widget in (line.source, line.hold, line.words, line.mark)]

    line.show_status(status())
    before = (places(), line.height())
    line.say("The settings file was unusable.")
    qtbot.wait(1)
    assert (places(), line.height()) == before


def test_questions_wait_for_each_other_and_for_a_broken_feed(line):
    done = []
    line.show_status(status())
    line.ask("First?", [("yes", lambda: done.append(1)), ("no", lambda: done.append(2))])
    line.ask("Second?", [("yes", lambda: done.append(3))])
    assert line.words.whole == "First?"
    line.show_status(status(state="lost", sentence="Gone."))
    assert "Gone." in line.words.whole
    assert not line._answers.isVisible()
    line.show_status(status())
    answer(line, "no")
    assert done == [2]
    assert line.words.whole == "Second?"
    line.withdraw("Second?")
    assert line.asked() == ""
    assert "listening" in line.words.whole


def test_the_same_sentence_is_not_said_twice(line):
    line.say("Once.")
    line.say("Once.")
    line.say("")
    answer(line, "understood")
    assert line.asked() == ""


def test_hold_follows_the_engine_but_not_before_it_answered(line, qtbot):
    heard = []
    line.hold_toggled.connect(heard.append)
    line.show_status(status())
    line.hold.click()
    line.show_status(status())  # the engine has not heard yet
    assert line.hold.isChecked()
    line.show_status(status(state="held"))
    assert line.hold.isChecked()
    line.show_status(status())  # another window let go
    assert not line.hold.isChecked()
    assert heard == [True]


def test_without_a_source_there_is_nothing_to_hold(line):
    line.name_source("")
    assert not line.hold.isEnabled()
    assert not line.reset.isEnabled()
    assert line.words.whole == ""


def test_a_very_long_name_leaves_room_for_the_keys(line, qtbot):
    line.name_source("a device with an endless name " * 20)
    line.resize(820, 60)
    qtbot.wait(1)
    assert "…" in line.source.text()
    assert line.source.geometry().right() < line.hold.geometry().left()
    assert line.more.geometry().right() <= 820


LOST = (
    "The sound server ended the capture of “alsa_output.pci-0000_00_1f.3.analog-stereo.monitor” (connection refused)"
    "; choose the source again or restart the server."
)


@pytest.mark.parametrize("width", [1252, 996, 740])
def test_what_is_broken_is_read_whole_and_large(width, line, qtbot):
    """The longest sentence of a lost server, in windows of 1280 and 1024 pixels and in the narrowest."""
    line.resize(width, 60)
    line.show_status(status(state="lost", sentence=LOST))
    qtbot.wait(1)
    shown = line.words.text().replace("\n", " ")
    assert LOST in " ".join(shown.split())
    assert line.words.font().pixelSize() >= (15 if width > 800 else 13)
    assert line.words.height() <= line.words.parentWidget().height()
    assert line.words.text().count("\n") < line.sizeHint().height() // line.words.fontMetrics().height()
    line.show_status(status())
    qtbot.wait(1)
    assert "\n" not in line.words.text()
    assert line.sizeHint().height() == 60


@pytest.mark.parametrize("width", [1252, 996])
def test_a_long_question_is_read_whole_beside_its_answers(width, line, qtbot):
    line.resize(width, 60)
    line.show_status(status())
    sentence = "The settings file was unusable (Expected `str`, got `int` - at `$.theme`); it is kept as " + (
        "settings.json.unusable, and all starts fresh until you choose otherwise in the menu of this window."
    )
    line.say(sentence)
    qtbot.wait(1)
    assert " ".join(line.words.text().split()) == sentence


def test_frames_within_a_second_change_no_word_and_a_gap_does(line, monkeypatch):
    """The status comes 60 times a second; finding the words each time was a twentieth of the window's work."""
    line.show_status(status(100.0))
    asked = []
    monkeypatch.setattr(line, "_second_row", lambda broken: asked.append(broken) or ("", "soft"))
    for share in range(50):
        line.show_status(status(100.0 + share / 60.0))
    assert asked == []
    line.show_status(status(101.0))
    line.show_status(status(101.0, gaps=1, lost_frames=480))
    line.show_status(status(101.0, gaps=1, lost_frames=480, state="held"))
    assert len(asked) == 3


@pytest.mark.parametrize("tabs", [[], ["page one", "page two"]])
@pytest.mark.parametrize("width", [796, 820, 1252])
def test_the_name_of_an_output_is_whole_in_every_window(width, tabs, line, qtbot):
    line.name_source("what plays on Built-in Audio Analog Stereo")
    line.show_pages(tabs, 0)
    line.resize(width, 60)
    qtbot.wait(1)
    assert "Built-in Audio" in line.source.text()
    if width > 1000:
        assert line.source.text() == "what plays on Built-in Audio Analog Stereo"
    assert line.source.geometry().right() < line.hold.geometry().left()


def test_what_is_cut_is_the_end(line, qtbot):
    line.name_source("what plays on " + "a device with an endless name " * 20)
    qtbot.wait(1)
    assert line.source.text().startswith("a device with an endless name")
    assert line.source.text().endswith("…")


def test_what_was_measured_stands_against_the_time_that_has_passed(line):
    whole = status(frames=48_000 * 8040)
    assert feed_words.elapsed_words(whole) == "for 2 h 14 min"
    line.show_status(status(frames=48_000 * 8000, lost_frames=48_000 * 40, gaps=2))
    assert "99.5 % of 2 h 14 min measured" in line.words.whole
    line.show_status(status(frames=48_000 * 8000, lost_frames=1, gaps=1))
    assert "99.9 % of 2 h 13 min measured" in line.words.whole, "not all, while something is missing"


@pytest.mark.parametrize(
    ("heard", "lost", "incomplete"),
    [
        (100.0, 0.0, False),
        (100.0, 0.099, False),
        (100.0, 0.11, True),
        (10_000.0, 0.99, False),
        (10_000.0, 1.01, True),
    ],
)
def test_figures_since_r_are_incomplete_over_a_second_or_a_thousandth(line, heard, lost, incomplete):
    """Our own choice, the same as the loudness meter has for its own readings."""
    feed = status(frames=round(48_000 * heard), lost_frames=round(48_000 * lost), gaps=1)
    span = Integration()
    span.measured, span.lost = feed.frames, feed.lost_frames
    assert feed.incomplete == span.incomplete(48_000) == incomplete
    line.show_status(feed)
    assert ("incomplete since R" in line.words.whole) == incomplete

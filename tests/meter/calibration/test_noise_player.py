"""The noise player's own reasons to end: told to, window gone or silent, output gone or moved, too long."""

from __future__ import annotations

import io
import json
import queue

import numpy as np
import pytest

from meter.audio.output import SINK
from meter.audio.ramp import RampedLoop
from meter.audio.source import SourceError
from meter.calibration import noise_player
from meter.calibration.noise_player import GONE, NO_WINDOW, TOO_LONG, attend, main, words_from
from meter.calibration.player_messages import LevelPlayed
from meter.sound_lists import Output


class Stream:
    def __init__(self, fault="", moved=""):
        self.faults, self.moves = fault, moved

    def fault(self):
        return self.faults

    def moved(self):
        return self.moves


class Words:
    """What the window says at which time; waiting for a word lets the clock go on."""

    def __init__(self, *said):
        self.said = list(said)
        self.now = 0.0

    def get(self, timeout):
        if self.said and self.said[0][0] <= self.now + timeout:
            self.now = max(self.now, self.said[0][0])
            return self.said.pop(0)[1]
        self.now += timeout
        raise queue.Empty


def alive(until):
    return [(float(second), "alive") for second in range(int(until))]


def run(*said, stream=None):
    words, told = Words(*said), []
    wave = np.full((100, 2), 0.05, dtype=np.float32)
    loop = RampedLoop(wave, 48_000)
    reason = attend(loop, stream or Stream(), words, told.append, now=lambda: words.now)
    return reason, words.now, told, loop


def test_it_ends_when_told_to_and_tells_its_level_meanwhile():
    reason, at, told, _ = run(*alive(4), (4.5, "stop"))
    assert (reason, at) == ("", 4.5)
    assert told[0] == LevelPlayed(-50.0, rising=True)
    assert len(told) >= 4


@pytest.mark.parametrize(("said", "most"), [([(1.0, GONE)], 1.0), ([], 3.5), (alive(5), 7.5)])
def test_a_window_that_is_gone_or_silent_ends_it(said, most):
    reason, at, _, _ = run(*said)
    assert reason == NO_WINDOW
    assert at <= most


def test_it_ends_by_itself_after_five_minutes():
    reason, at, _, _ = run(*alive(1000))
    assert reason == TOO_LONG
    assert at == pytest.approx(300.0, abs=1.5)


@pytest.mark.parametrize("stream", [Stream(fault="'Out' stopped."), Stream(moved="Moved.")])
def test_an_output_that_goes_or_is_moved_ends_it(stream):
    reason, at, _, _ = run(*alive(60), stream=stream)
    assert reason in ("'Out' stopped.", "Moved.")
    assert at <= 1.0


def test_hold_and_rise_reach_the_ramp():
    *_, told, loop = run((0.5, "hold"), (1.0, "rise"), (1.5, "hold"), (2.0, "stop"))
    assert not loop.rising
    assert {True, False} == {message.rising for message in told}


def test_an_unknown_word_changes_nothing():
    assert run((0.5, "louder"), (1.0, "stop"))[0] == ""


def test_words_come_line_by_line_and_their_end_is_told():
    words = words_from(io.StringIO("alive\nstop\n"))
    assert [words.get(timeout=5) for _ in range(3)] == ["alive", "stop", GONE]


def answers(capsys):
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_listing(monkeypatch, capsys):
    monkeypatch.setattr(
        noise_player, "list_outputs", lambda: ([Output(SINK, "side", "Side Room")], ["No PortAudio."])
    )
    assert main(["--list"]) == 0
    (answer,) = answers(capsys)
    assert answer["missing"] == ["No PortAudio."]
    assert answer["outputs"] == [
        {"kind": "sink", "name": "side", "label": "Side Room", "host_api": "", "rate_hz": 48_000}
    ]


def test_an_output_that_cannot_be_opened_is_an_answer_and_no_traceback(monkeypatch, capsys):
    def refuse(_self, _rate_hz):
        raise SourceError("'Side Room' cannot be opened; choose another.")

    monkeypatch.setattr(noise_player.LoopPlayer, "open", refuse)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["--play", "left", "--output", "side", "--rate", "8000"]) == 0
    assert answers(capsys) == [{"say": "ended", "sentence": "'Side Room' cannot be opened; choose another."}]


@pytest.mark.parametrize("words", [[], ["--play", "up"], ["--list", "--play", "left"], ["--noise", "band"]])
def test_without_an_order_nothing_plays(words, capsys):
    with pytest.raises(SystemExit):
        main(words)
    assert capsys.readouterr().out == ""

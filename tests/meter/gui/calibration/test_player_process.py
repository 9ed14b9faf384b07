"""The window's side of the noise player: only a press starts it, every way out ends it."""

from __future__ import annotations

import sys

import pytest

from meter.gui.calibration import player_process as noise_player
from meter.gui.calibration.player_process import NoisePlayer, output_title
from meter.sound_lists import Output
from tests.support import fake_noise

FRONT = Output("sink", "front", "Front Room")


@pytest.fixture
def made(qtbot, tmp_path):
    players = []

    def make(*extra):
        player = NoisePlayer([sys.executable, fake_noise.__file__, str(tmp_path / "log"), *extra])
        players.append(player)
        return player

    make.log = lambda: (tmp_path / "log").read_text().split("\n") if (tmp_path / "log").exists() else []
    yield make
    for player in players:
        player.close()


def test_outputs_are_listed_and_nothing_plays(made, qtbot):
    player = made()
    with qtbot.waitSignal(player.listed) as heard:
        player.list_outputs()
        player.list_outputs()
    outputs, missing = heard.args
    assert [output_title(output) for output in outputs] == ["Front Room", "Interface  ·  ALSA"]
    assert missing == []
    assert not player.playing
    assert made.log() == []


def test_a_press_plays_and_a_word_stops(made, qtbot, monkeypatch):
    monkeypatch.setattr(noise_player, "ALIVE_MS", 20)
    player = made()
    with qtbot.waitSignal(player.level_changed) as heard:
        player.play(FRONT, "wide", "left")
        player.play(FRONT, "wide", "right")
    assert heard.args == [-50.0, True]
    assert player.playing
    with qtbot.waitSignal(player.level_changed) as heard:
        player.hold(True)
    assert heard.args == [-40.0, False]
    qtbot.waitUntil(lambda: made.log().count("alive") > 2)
    with qtbot.waitSignal(player.ended) as heard:
        player.stop()
        player.stop()
    assert heard.args == [""]
    assert not player.playing
    log = made.log()
    assert "--play left --noise wide --kind sink --output front" in log[0]
    assert log.count("stop") == 1
    assert sum("--play" in line for line in log) == 1


@pytest.mark.parametrize(
    ("extra", "words"), [(["--ends", "It was moved."], "It was moved."), (["--crash"], "broke off")]
)
def test_an_end_of_its_own_is_one_sentence(made, qtbot, extra, words):
    player = made(*extra)
    with qtbot.waitSignal(player.ended) as heard:
        player.play(FRONT, "band", "both")
    assert words in heard.args[0]
    assert not player.playing


def test_a_child_that_does_not_obey_is_killed(made, qtbot, monkeypatch):
    monkeypatch.setattr(noise_player, "STOP_MS", 100)
    player = made("--deaf")
    with qtbot.waitSignal(player.level_changed):
        player.play(FRONT, "band", "left")
    with qtbot.waitSignal(player.ended, timeout=3000) as heard:
        player.stop()
    assert heard.args == [""]


def test_a_child_that_cannot_be_started_is_one_sentence(qtbot):
    player = NoisePlayer(["/nonexistent/program"])
    with qtbot.waitSignal(player.ended) as heard:
        player.play(FRONT, "band", "left")
    assert "did not start" in heard.args[0]
    with qtbot.waitSignal(player.listed) as heard:
        player.list_outputs()
    assert heard.args[0] == []
    assert "play the files from your DAW" in heard.args[1][0]


def test_without_a_child_nothing_is_offered(qtbot):
    player = NoisePlayer([])
    assert not player.usable
    player.play(FRONT, "band", "left")
    player.list_outputs()
    player.stop()
    player.hold(True)
    assert not player.playing


def test_closing_leaves_no_child(made, qtbot):
    player = made("--deaf")
    with qtbot.waitSignal(player.level_changed):
        player.play(FRONT, "band", "left")
    player.close()
    assert not player.playing


@pytest.mark.parametrize(
    "answer", ["", "garbage", "[1]", '{"outputs": [{"kind": 3}]}', '{"outputs": 7, "missing": 1}']
)
def test_a_garbled_list_is_no_crash(qtbot, answer):
    player = NoisePlayer([sys.executable, "-c", f"print({answer!r})"])
    with qtbot.waitSignal(player.listed) as heard:
        player.list_outputs()
    assert heard.args[0] == []
    assert heard.args[1]

"""The first hour of a new user, on a real sound server and a real screen: nothing is asked, lost or misleading.

The demo's stems play over an 8-channel interface that is the default output. Everything is done by keys and typing,
as a person would; then the program starts a second time, and all is as it was left. ``EARWITNESS_PICTURES`` names a
folder for the pictures of each step.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from meter.demo import parts, store
from tests.live.conftest import FRONT, SIDE, started
from tests.live.server import Feeder, Sink, SoundServer, tones

pytestmark = pytest.mark.live
RATE_HZ = parts.RATE_HZ
LINES = Sink("lines", channels=8, positions=tuple(f"aux{number}" for number in range(8)), description="Eight Lines")
STEMS = {"kick": "drum", "bass": "bass", "gtrs": "plucked", "keys": "organ", "voice": "voice"}
"""What the user calls the parts of the demo."""
CHANNELS = {"kick": (3,), "bass": (4,), "gtrs": (5, 6), "keys": (7,), "voice": (8,)}
LEVELS = {"vu_2": ("part kick", -14.0), "vu_3": ("part gtrs", -24.0)}
"""Further Levels: the feed and the alignment in dBFS of each."""
ANSWER_SECONDS = 60.0
OVER_DBFS = 1.0
SEAT_DBA = 79.0


class Program:
    """The program in a process of its own, with settings in ``folder``."""

    def __init__(self, folder: Path, screen: str) -> None:
        place = {"DISPLAY": screen, "QT_QPA_PLATFORM": "xcb"}
        for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"):
            place[name] = str(folder / name.lower())
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.driven_window"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **place},
        )  # fmt: skip

    def ask(self, line: str) -> Any:
        """The value of a line of Python in the program."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(line) + "\n")
        self._process.stdin.flush()
        ready, _, _ = select.select([self._process.stdout], [], [], ANSWER_SECONDS)
        assert ready, f"no answer to {line}"
        answer = json.loads(self._process.stdout.readline())
        assert "error" not in answer, answer.get("error")
        return answer["value"]

    def until(self, line: str, seconds: float = ANSWER_SECONDS) -> Any:
        """The value once it is true."""
        deadline = time.monotonic() + seconds
        while not (value := self.ask(line)):
            assert time.monotonic() < deadline, f"never came true: {line}"
            time.sleep(0.05)
        return value

    def close(self) -> int:
        """Close the window; the exit code."""
        self.ask("bool(app.closeAllWindows() or True)")
        code = self._process.wait(timeout=ANSWER_SECONDS)
        self.kill()
        return code

    def kill(self) -> None:
        """End what is left; may be called twice."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()


def stems(seconds: float) -> dict[str, NDArray[np.float32]]:
    """Each stem of the full section, ``(frames, 1 or 2)``, by the user's name."""
    music = store.prepare(keys=[part.key for part in parts.PARTS])
    sound = np.asarray(music.read(parts.SECTIONS[2].first_frame, round(seconds * RATE_HZ)), dtype=np.float32)
    place, found = 0, {}
    for part in parts.PARTS:
        found[part.key] = sound[:, place : place + part.channels]
        place += part.channels
    return {name: found[key] for name, key in STEMS.items()}


def lines(alone: dict[str, NDArray[np.float32]]) -> NDArray[np.float32]:
    """``(frames, 8)``: the sum of these stems on 1 and 2, each on its own channels, the others silent."""
    length = len(next(iter(alone.values())))
    sound = np.zeros((length, LINES.channels), dtype=np.float32)
    for name, stem in alone.items():
        sound[:, :2] += stem
        sound[:, [number - 1 for number in CHANNELS[name]]] = stem
    return sound


@pytest.fixture
def interface() -> Iterator[SoundServer]:
    """A server with the interface as its only output."""
    for server in started(LINES):
        server.pactl("set-default-sink", LINES.name)
        yield server


@pytest.fixture
def rooms() -> Iterator[SoundServer]:
    """A server with two outputs, the first the default one."""
    for server in started(FRONT, SIDE):
        server.pactl("set-default-sink", FRONT.name)
        yield server


@pytest.mark.parametrize(("sink", "title"), [(FRONT, "the default output"), (SIDE, SIDE.description)])
def test_silence_shows_the_ways_in_until_something_plays(
    rooms: SoundServer, tmp_path: Path, screen: str, sink: Sink, title: str
) -> None:
    """What plays is heard, on the default output or, while that is silent, on another."""
    program = Program(tmp_path, screen)
    try:
        if sink is SIDE:
            rooms.play(sink, tones(60, RATE_HZ, (440.0, 550.0)))
        program.until("window.empty.isVisible()")
        if sink is FRONT:
            assert program.ask("window.first.listening")
            rooms.play(sink, tones(60, RATE_HZ, (440.0, 550.0)))
        program.until("not window.empty.isVisible()")
        assert program.ask("window.source.title") == f"what plays on {title}"
        program.until("sounds()")
        assert program.close() == 0
    finally:
        program.kill()


class Hour:
    """One sitting: the program, the server, and what plays."""

    def __init__(self, server: SoundServer, folder: Path, screen: str) -> None:
        self.server, self.folder, self.screen = server, folder, screen
        self.band = stems(60.0)
        self.feeder: Feeder | None = None
        self.pictures = os.environ.get("EARWITNESS_PICTURES", "")
        self.program = Program(folder, screen)

    def play(self, sound: NDArray[np.float32]) -> None:
        """Play this from now on, instead of what played."""
        self.silence()
        self.feeder = self.server.play(LINES, sound)

    def silence(self) -> None:
        """The transport stops."""
        if self.feeder is not None:
            self.feeder.stop()
            self.feeder = None

    def picture(self, name: str, widget: str = "window") -> None:
        """A picture of this step, where one is wanted."""
        if self.pictures:
            self.program.ask(f"picture({str(Path(self.pictures) / name)!r} + '.png', {widget})")

    def again(self) -> None:
        """Close the program and start it a second time."""
        assert self.program.close() == 0
        self.program = Program(self.folder, self.screen)


@pytest.fixture
def hour(interface: SoundServer, tmp_path: Path, screen: str) -> Iterator[Hour]:
    made = Hour(interface, tmp_path, screen)
    yield made
    made.program.kill()
    made.silence()


def test_the_first_hour(hour: Hour) -> None:
    print(f"seconds from the start of the program to the first figure: {sound_comes_without_a_question(hour):.2f}")
    five_feeds_are_named_by_soloing(hour)
    three_levels_stand_on_three_feeds(hour)
    sections_are_marked(hour)
    an_over_is_seen(hour)
    the_transport_stops_and_starts(hour)
    the_seat_is_calibrated(hour)
    all_is_as_it_was_left(hour)


def sound_comes_without_a_question(hour: Hour) -> float:
    """Returns seconds from the start of the program to the first figure of a sound."""
    hour.play(lines(hour.band))
    ask = hour.program.ask
    seconds = float(hour.program.until("sounds()"))
    assert ask("window.source.title") == "what plays on the default output"
    assert ask("frame().status.channels, frame().status.device_channels") == [2, 8]
    assert ask("[each.isVisible() for each in (window.cautions, window.picker, window.empty)]") == [False] * 3
    assert ask("window.feed_line.asked()") == ""
    hour.program.until("frame().number('loudness.short_term') > -70")
    hour.picture("1 first sound")
    return seconds


def five_feeds_are_named_by_soloing(hour: Hour) -> None:
    ask, until = hour.program.ask, hour.program.until
    ask("key('F')")
    assert ask("[row.number for row in window.feeds.finder.rows]") == list(range(1, 9))
    for name, numbers in CHANNELS.items():
        hour.play(lines({name: hour.band[name]}))
        moved = [number - 1 for number in numbers]
        until(f"list(window.feeds.finder._moved) == {moved}")
        ask(f"type_into(window.feeds.finder.called, {name!r}, then='Return')")
    hour.picture("2 feeds named", "window.feeds.finder")
    ask("window.feeds.finder.use.click()")
    assert not ask("window.feeds.finder.isVisible()")
    hour.play(lines(hour.band))
    assert until("frame().parts") == list(CHANNELS)
    named = {"mix": [0, 1], **{f"part {name}": [number - 1 for number in of] for name, of in CHANNELS.items()}}
    assert ask("frame().feeds") == named


def three_levels_stand_on_three_feeds(hour: Hour) -> None:
    """Level on the mix, the kick and the guitars, each with its alignment; all read the same stretch of sound."""
    ask, until = hour.program.ask, hour.program.until
    for number, (feed, alignment) in LEVELS.items():
        ask(f"window.cards.add('vu', {feed!r})")
        ask(f"window.meters.choose({number!r}, {{'alignment_dbfs': {alignment}}})")
        until(f"frame().number('{number}.alignment') == {alignment}")
    ask("key('R')")
    until("frame().number('vu_3.max') > -60 and frame().number('loudness.measured') > 6")
    titles = ask("[card.entry.name for card in window.page.cards]")
    assert titles == ["Level: mix", "Level: kick", "Level: gtrs"]
    hour.picture("3 three levels")
    ask("key('1')")


def sections_are_marked(hour: Hour) -> None:
    ask, until = hour.program.ask, hour.program.until
    until("frame().number('loudness.measured') > 4")
    ask("key('R')")
    until("frame().number('loudness.measured') < 3")
    for letters, name in (("ve", "verse"), ("ch", "chorus")):
        ask("key('K')")
        until("frame().marks and frame().marks[-1].name.startswith('mark')")
        ask("key('N')")
        ask(f"type_into(window.marking.line.edit, {letters!r})")
        until(f"frame().marks[-1].name == {name!r}")
        until("frame().marks[-1].seconds(frame().status.elapsed_seconds) > 4")
    figures = ask("frame().marks[-2].figures")
    assert ask("frame().marks[-2].name") == "verse"
    level = ask("frame().number('loudness.integrated')")
    assert figures["loudness.integrated_mark"] == pytest.approx(level, abs=6.0), "its span has ended"
    hour.picture("4 sections marked")


def an_over_is_seen(hour: Hour) -> None:
    mix = lines(hour.band)
    loud = mix * np.float32(10.0 ** (OVER_DBFS / 20.0) / np.abs(mix[:, :2]).max())
    assert hour.program.ask("frame().number('peaks.overs')") == 0
    hour.play(loud)
    hour.program.until("frame().number('peaks.overs') > 0")
    assert hour.program.ask("frame().number('peaks.sample_max')") <= OVER_DBFS + 0.01
    hour.program.until("'OVER' in window.page.card('peaks').face._tags.boxes")
    hour.picture("5 an over")


def the_transport_stops_and_starts(hour: Hour) -> None:
    ask, until = hour.program.ask, hour.program.until
    hour.silence()
    until("frame().number('peaks.sample') < -60")
    until("frame().number('loudness.momentary') < -60")
    assert ask("frame().status.state") == "running"
    assert ask("frame().status.lost_frames") == 0
    hour.picture("6 stopped")
    before = ask("frame().number('loudness.integrated')")
    hour.play(lines(hour.band))
    until("frame().number('loudness.momentary') > -40")
    until("frame().marks[-1].kind == 'pass'")
    assert ask("[mark.name for mark in frame().marks if mark.name in ('verse', 'chorus')]") == ["verse", "chorus"]
    assert ask("frame().number('loudness.integrated')") == pytest.approx(before, abs=1.0), "a pause is no sound"


def the_seat_is_calibrated(hour: Hour) -> None:
    ask, until = hour.program.ask, hour.program.until
    hour.silence()
    until("frame().number('loudness.momentary') < -60")
    before = ask("frame().number('loudness.integrated')")
    ask("window.more.calibrate_asked.emit()")
    assert ask("window.cautions.isVisible(), window.seat.dialog.isVisible()") == [True, False]
    hour.picture("7 before calibrating")
    ask("QTest.keyClick(window.cautions.done, Qt.Key.Key_Return)")
    until("window.seat.dialog.isVisible()")
    ask(f"window.seat.dialog.write_noise_to(type(window._around.pages_folder)({str(hour.folder)!r}))")
    ask("window.seat.dialog.start.played_by.setCurrentIndex(0)")
    ask("window.seat.dialog.next.click()")
    for side, column in (("left", 0), ("right", 1)):
        (file,) = hour.folder.glob(f"*{side}*.wav")
        noise = soundfile.read(file, dtype="float32", always_2d=True)[0]
        sound = np.zeros((len(noise), LINES.channels), dtype=np.float32)
        sound[:, column] = noise[:, min(column, noise.shape[1] - 1)]
        hour.play(sound)
        ask(f"type_into(window.seat.dialog.side.typed, '{SEAT_DBA:g}')")
        until("window.seat.dialog.next.isEnabled()")
        ask("window.seat.dialog.next.click()")
    hour.picture("8 calibrating", "window.seat.dialog")
    ask("window.seat.dialog.skip.click()")
    hour.silence()
    ask("window.seat.dialog.next.click()")
    until("frame().number('listening.calibrated') == 1")
    until("not window.seat._suspended")
    assert ask("frame().number('loudness.integrated')") == pytest.approx(before, abs=0.05), "noise is no mix"


def all_is_as_it_was_left(hour: Hour) -> None:
    hour.program.ask("key('2')")
    left = hour.program.ask("(window.pages.file, frame().feeds, window.source.title, window.size().width())")
    marks = hour.program.ask("[(mark.name, round(mark.at)) for mark in frame().marks]")
    hour.again()
    hour.play(lines(hour.band))
    ask, until = hour.program.ask, hour.program.until
    assert until("frame().parts") == list(CHANNELS)
    until("sounds()")
    assert len(marks) > 2
    assert ask("[(mark.name, round(mark.at)) for mark in frame().marks]")[: len(marks)] == marks
    assert ask("[mark.running for mark in frame().marks]")[: len(marks)] == [False] * len(marks)
    assert ask("(window.pages.file, frame().feeds, window.source.title, window.size().width())") == left
    assert ask("window.cautions.isVisible()") is False
    assert ask("[(each.id, each.feed) for each in window.cards.instances]") == [
        [number, feed] for number, (feed, _) in LEVELS.items()
    ]
    for number, (_, alignment) in LEVELS.items():
        until(f"frame().number('{number}.alignment') == {alignment}")
    assert until("window.feed_line.asked()").startswith("Calibrated on "), "the knob may have been turned"
    assert ask("frame().number('listening.calibrated')") == 0
    ask("window.feed_line._answered(window.feed_line._asks[0].answers[0][1])")
    until("frame().number('listening.calibrated') == 1")
    ask("key('F')")
    assert ask("[row.wanted for row in window.feeds.finder.rows]") == [
        "mix", "mix", "kick", "bass", "gtrs", "gtrs", "keys", "voice",
    ]  # fmt: skip
    assert ask("window.feeds.finder.job.text()") == "the default output"
    ask("window.feeds.finder.leave.click()")
    hour.picture("9 started again")
    assert hour.program.close() == 0

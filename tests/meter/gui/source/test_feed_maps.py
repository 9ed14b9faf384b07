"""The channel finder and the feed maps it makes: found by soloing, kept per source, refused in one sentence."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import QApplication, QFileDialog

from meter.feeds import FeedMap, Pair, feed_map, read_feed_map, write_feed_map
from meter.gui.engine_link import Surroundings
from meter.gui.page.layout import pages_folder
from meter.gui.source import feed_maps as feeds_desk
from meter.gui.source.source_list import Listing, SourceEntry
from meter.gui.window import Window
from meter.readings import Frame, Layout
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, all_manifests, entries, status

DESK = SourceChoice("device", "desk", {"channels": [1, 2, 3, 4, 5, 6]}, "the desk")
BAND = feed_map("evening song", [1, 2], {"kick": [3], "guitars": [5, 6]})


def snapshot(
    levels: list[float],
    feeds: dict | None = None,
    names: tuple[str, ...] = (),
    *,
    held: int = 0,
    seconds: float = 5.0,
) -> Frame:
    found = all_manifests()["channels"]
    plan = Layout.build({"channels": found.fields}, {"channels": len(levels)}, feeds, names)
    values = np.full(plan.total, np.nan)
    values[: len(levels)] = levels
    return Frame(plan, values, status(seconds, channels=len(levels), device_channels=held or len(levels)))


class Bench:
    def __init__(self, qtbot, folder: Path, monkeypatch, source: SourceChoice | None = DESK, kept: str = ""):
        monkeypatch.setattr(feeds_desk, "jobs_folder", lambda: folder / "jobs")
        self.settings = Settings(source=source, cautions_read=True)
        if kept and source is not None:
            self.settings.feed_maps[f"{source.kind} {source.name}"] = kept
        self.link = FakeLink()
        around = Surroundings(folder / "settings.json", pages_folder(), meters=entries(faces=False))
        self.window = Window(self.link, self.settings, around)
        qtbot.addWidget(self.window)
        self.window.show()
        self.finder = self.window.feeds.finder
        self.qtbot = qtbot

    def feed(self, frame: Frame) -> None:
        self.link.now = frame
        self.window.clock.tick()
        QApplication.processEvents()

    def lie_at(self, **stages: str) -> None:
        """Of channels “c3”, “c4”…"""
        for channel, words in stages.items():
            self.finder.rows[int(channel[1:]) - 1].stage.setEditText(words)

    def assign(self, **feeds: tuple[int, ...]) -> None:
        for name, numbers in feeds.items():
            for number in numbers:
                self.finder.rows[number - 1].feed.setEditText(name.replace("_", " "))


@pytest.fixture
def bench(qtbot, tmp_path, monkeypatch):
    made = Bench(qtbot, tmp_path, monkeypatch)
    made.feed(snapshot([-20.0, -20.0, -np.inf, np.nan, -70.0, -3.0]))
    yield made
    made.window.close()


def test_the_way_to_the_finder_is_offered_where_there_are_channels_for_it(bench: Bench) -> None:
    assert bench.window.feed_line.feeds.isVisible()
    bench.feed(snapshot([-20.0, -20.0]))
    assert not bench.window.feed_line.feeds.isVisible()


def test_the_channel_that_sounds_is_lit_and_says_so(bench: Bench) -> None:
    bench.qtbot.keyClick(bench.window, Qt.Key.Key_F)
    rows = bench.finder.rows
    assert [row.number for row in rows] == [1, 2, 3, 4, 5, 6]
    assert [row.word.text() for row in rows] == ["moves", "moves", "", "", "", "moves"]
    assert rows[5].bar._length > rows[0].bar._length > rows[2].bar._length == rows[3].bar._length == 0
    bench.feed(snapshot([-np.inf] * 2 + [-12.0] + [-np.inf] * 3, names=("a", "b", "c", "d", "e", "f")))
    assert [row.word.text() for row in rows] == ["", "", "moves", "", "", ""]
    assert [row.name.whole for row in rows] == list("abcdef")


def test_a_map_is_made_used_and_kept_with_the_source(bench: Bench, tmp_path: Path) -> None:
    bench.window.feeds.find()
    bench.assign(mix=(1, 2), kick=(3,), guitars=(5, 6))
    bench.finder.job.setText("evening song")
    bench.finder.use.click()
    path = tmp_path / "jobs" / "evening_song.toml"
    assert read_feed_map(path) == BAND
    assert bench.settings.feed_maps == {"device desk": str(path)}
    opened = bench.link.called("open")[-1]
    assert opened[2] == {"mix": (0, 1), "part kick": (2,), "part guitars": (4, 5)}
    assert opened[1]["job"] == "evening song", "the day record is that of the job"
    bench.finder.close()
    bench.window.feeds.find()
    assert [row.wanted for row in bench.finder.rows] == ["mix", "mix", "kick", "", "guitars", "guitars"]


def test_a_map_that_cannot_be_is_told_in_one_sentence_and_changes_nothing(bench: Bench) -> None:
    bench.window.feeds.find()
    bench.finder.use.click()
    assert "needs a mix or at least one part" in bench.finder.sentence.text()
    bench.assign(kick=(1, 2, 3))
    bench.finder.use.click()
    assert "mono or stereo" in bench.finder.sentence.text()
    assert bench.link.called("open") == []
    assert bench.settings.feed_maps == {}


STAGES = feed_map(
    "evening song", [1, 2], {"drums": [3]},
    {"bus compressor": Pair((5, 6), (1, 2)), "tape": Pair((2,), (4,))},
)  # fmt: skip
"""A channel of a stage may be that of the mix, and lie after one stage and before another."""


def test_pairs_round_a_stage_are_named_used_and_kept(bench: Bench, tmp_path: Path) -> None:
    bench.window.feeds.find()
    bench.assign(mix=(1, 2), drums=(3,))
    bench.lie_at(
        c5="before bus compressor", c6="before bus compressor", c1="after bus compressor",
        c2=" after bus compressor ,before tape", c4="after tape",
    )  # fmt: skip
    bench.finder.job.setText("evening song")
    bench.finder.use.click()
    assert read_feed_map(tmp_path / "jobs" / "evening_song.toml") == STAGES
    assert bench.link.called("open")[-1][2]["pair bus compressor"] == (4, 5, 0, 1)
    bench.finder.close()
    bench.window.feeds.find()
    assert bench.finder.feeds() == STAGES
    assert bench.finder.rows[1].stage.called == "after bus compressor, before tape"


@pytest.mark.parametrize(
    ("stages", "sentence"),
    [
        ({"c3": "before tape"}, "“tape” has 0 channels after the stage"),
        ({"c3": "before tape", "c4": "after tape", "c5": "after tape"}, "“tape” has 1 before and 2 after"),
        ({"c3": "tape"}, "“tape” on channel 3 names no side of a stage; write “before NAME” or “after NAME”"),
        ({"c3": "before tape, after tape"}, "“tape” has channel 3 before and after"),
        ({"c3": "before "}, "“before” on channel 3 names no side"),
    ],
)
def test_a_stage_that_cannot_be_is_told_in_one_sentence(bench: Bench, stages: dict[str, str], sentence: str) -> None:
    bench.window.feeds.find()
    bench.assign(mix=(1, 2))
    bench.lie_at(**stages)
    bench.finder.use.click()
    assert sentence in bench.finder.sentence.text()
    assert bench.link.called("open") == []


def test_what_moves_is_named_as_a_side_of_a_stage_beside_its_part(bench: Bench) -> None:
    bench.window.feeds.find()
    bench.assign(mix=(1, 2), keys=(6,))
    bench.finder.show_frame(snapshot([-np.inf] * 5 + [-3.0]))
    for words in ("before tape", "after bus compressor", "before tape"):
        bench.qtbot.keyClicks(bench.finder.called, words)
        bench.finder.name_it.click()
    assert bench.finder.rows[5].wanted == "keys"
    assert bench.finder.rows[5].stages == ("before tape", "after bus compressor")


def test_pairs_that_the_source_names_itself_stand_in_the_finder(qtbot, tmp_path, monkeypatch) -> None:
    """Without the total of their chain, which the map makes again."""
    names = ("mix L", "mix R", "before bus", "after bus", "before tape", "after tape")
    feeds = {"mix": (0, 1), "pair bus": (2, 3), "pair tape": (3, 5), "pair bus to tape": (2, 5)}
    made = Bench(qtbot, tmp_path, monkeypatch, SourceChoice("demo", "", {}, "demo"))
    made.feed(snapshot([-20.0] * 6, feeds, names))
    made.window.feeds.find()
    assert made.finder.feeds().pairs == {"bus": Pair((3,), (4,)), "tape": Pair((4,), (6,))}
    made.window.close()


def test_a_stage_on_channels_that_are_not_there_is_told(bench: Bench) -> None:
    bench.window.feeds.find()
    bench.finder.show_map(feed_map("song", [1, 2], {}, {"tape": Pair((1,), (9,))}))
    assert "after tape on channel 9, which this source has not" in bench.finder.sentence.text()


def test_all_is_mix_again(qtbot, tmp_path, monkeypatch) -> None:
    write_feed_map(BAND, tmp_path / "song.toml")
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "song.toml"))
    bench.feed(snapshot([-20.0] * 6))
    bench.window.feeds.find()
    bench.finder.forget.click()
    assert bench.settings.feed_maps == {}
    assert len(bench.link.called("open")[-1]) == 2
    assert (tmp_path / "song.toml").exists()
    bench.window.close()


def test_the_map_of_a_source_comes_back_with_it(qtbot, tmp_path, monkeypatch) -> None:
    write_feed_map(BAND, tmp_path / "song.toml")
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "song.toml"))
    bench.window.listen_to({"kind": "monitor", "name": "other", "options": {}}, "other")
    assert len(bench.link.called("open")[-1]) == 2
    bench.window.listen_to({"kind": "device", "name": "desk", "options": {"channels": [3, 5, 6, 1, 2]}}, "desk")
    assert bench.link.called("open")[-1][2] == {"mix": (3, 4), "part kick": (0,), "part guitars": (1, 2)}
    bench.window.listen_to({"kind": "device", "name": "desk", "options": {"channels": [1, 2]}}, "desk")
    assert len(bench.link.called("open")[-1]) == 2
    assert "not taken from the source" in bench.window.feed_line.asked()
    bench.window.close()


def named(bench: Bench, source: str, title: str, **feeds: tuple[int, ...]) -> Path:
    """Listen to a device of six channels, name its feeds and use them without touching the name of the job."""
    bench.window.listen_to({"kind": "device", "name": source, "options": {"channels": [1, 2, 3, 4, 5, 6]}}, title)
    bench.feed(snapshot([-20.0] * 6))
    bench.window.feeds.find()
    bench.assign(**feeds)
    bench.finder.use.click()
    return Path(bench.settings.feed_maps[f"device {source}"])


def test_each_source_has_a_map_of_its_own_named_after_it(bench: Bench) -> None:
    first = named(bench, "desk", "the desk", mix=(1, 2), kick=(3,))
    second = named(bench, "stage", "the stage box", voice=(1,))
    third = named(bench, "other", "the desk", keys=(5, 6))
    assert len({first, second, third}) == 3
    assert [path.name for path in (first, second, third)] == [
        "the_desk.toml",
        "the_stage_box.toml",
        "the_desk_2.toml",
    ]
    assert read_feed_map(first) == FeedMap("the desk", (1, 2), {"kick": (3,)})
    assert read_feed_map(second) == FeedMap("the stage box", (), {"voice": (1,)})
    assert read_feed_map(third) == FeedMap("the desk", (), {"keys": (5, 6)})
    bench.window.listen_to({"kind": "device", "name": "desk", "options": {}}, "the desk")
    assert bench.link.called("open")[-1][2] == {"mix": (0, 1), "part kick": (2,)}
    assert named(bench, "desk", "the desk", kick=(4,), mix=(1, 2, 3)) == first, "its own map is changed in its place"


def test_a_file_that_is_there_is_not_overwritten_unasked(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "jobs").mkdir()
    there = tmp_path / "jobs" / "the_desk.toml"
    write_feed_map(BAND, there)
    assert named(bench, "desk", "the desk", mix=(1, 2)).name == "the_desk_2.toml"
    assert read_feed_map(there) == BAND


def test_a_map_shared_by_two_sources_is_parted_when_one_changes(qtbot, tmp_path, monkeypatch) -> None:
    """Earlier versions kept the maps of two sources in one file."""
    write_feed_map(BAND, tmp_path / "jobs" / "evening_song.toml")
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "jobs" / "evening_song.toml"))
    bench.settings.feed_maps["device stage"] = bench.settings.feed_maps["device desk"]
    path = named(bench, "stage", "the stage box", snare=(4,))
    assert path.name == "evening_song_2.toml"
    assert read_feed_map(path).parts == {**BAND.parts, "snare": (4,)}
    assert read_feed_map(Path(bench.settings.feed_maps["device desk"])) == BAND
    bench.window.close()


def test_the_kept_names_stand_in_the_finder_from_the_start(qtbot, tmp_path, monkeypatch) -> None:
    write_feed_map(BAND, tmp_path / "song.toml")
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "song.toml"))
    bench.feed(snapshot([-20.0] * 6))
    bench.window.feeds.find()
    assert bench.finder.feeds() == BAND
    bench.window.close()


def test_choosing_a_source_opens_the_channels_that_its_map_needs(qtbot, tmp_path, monkeypatch) -> None:
    write_feed_map(BAND, tmp_path / "song.toml")
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "song.toml"))
    bench.window.listen_to({"kind": "monitor", "name": "other", "options": {}}, "other")
    picker = bench.window.picker
    picker.show_listing(Listing((SourceEntry("device", "desk", "the desk", channels=8),)))
    picker.list.setCurrentRow(1)
    assert picker.channels.currentText() == "as named: evening song"
    picker.listen.click()
    opened = bench.link.called("open")[-1]
    assert opened[1]["options"]["channels"] == [1, 2, 3, 5, 6]
    assert opened[2] == {"mix": (0, 1), "part kick": (2,), "part guitars": (3, 4)}
    assert bench.window.feed_line.asked() == ""
    picker.pop_up(bench.window.feed_line.source, opened[1])
    assert picker.channels.currentText() == "as named: evening song"
    picker.channels.setCurrentIndex(2)
    picker.listen.click()
    assert bench.link.called("open")[-1][1]["options"]["channels"] == [3, 4], "or what was chosen instead"
    bench.window.close()


def test_a_notice_of_a_source_goes_with_it(qtbot, tmp_path, monkeypatch) -> None:
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "gone.toml"))
    assert "gone.toml" in bench.window.feed_line.asked(), "told at the start"
    bench.window.feed_line.say("The settings cannot be saved.")
    bench.window.listen_to({"kind": "monitor", "name": "other", "options": {}}, "other")
    assert bench.window.feed_line.asked() == "The settings cannot be saved.", "not of the source, so it stays"
    bench.window.listen_to({"kind": "device", "name": "desk", "options": {"channels": [1]}}, "desk")
    bench.window.feed_line.withdraw("The settings cannot be saved.")
    assert "gone.toml" in bench.window.feed_line.asked()
    bench.window.close()


def test_a_job_that_is_gone_is_told_and_all_is_mix(qtbot, tmp_path, monkeypatch) -> None:
    bench = Bench(qtbot, tmp_path, monkeypatch, kept=str(tmp_path / "gone.toml"))
    bench.window.listen_to({"kind": "device", "name": "desk", "options": {}}, "desk")
    assert len(bench.link.called("open")[-1]) == 2
    assert "gone.toml" in bench.window.feed_line.asked()
    bench.window.close()


def test_open_and_save_as(bench: Bench, tmp_path: Path, monkeypatch) -> None:
    write_feed_map(BAND, tmp_path / "song.toml")
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (str(tmp_path / "song.toml"), ""))
    bench.window.feeds.find()
    bench.finder.open_file.click()
    assert bench.finder.feeds() == BAND
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "copy.toml"), ""))
    bench.finder.save_as.click()
    assert read_feed_map(tmp_path / "copy.toml") == BAND
    assert bench.settings.feed_maps["device desk"] == str(tmp_path / "copy.toml")
    (tmp_path / "bad.toml").write_text("mix = 3", encoding="utf-8")
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (str(tmp_path / "bad.toml"), ""))
    bench.finder.open_file.click()
    assert "bad.toml" in bench.finder.sentence.text()
    assert bench.finder.feeds() == BAND
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: ("", ""))
    bench.finder.open_file.click()


def test_a_place_that_cannot_be_written_is_told(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "jobs").write_text("in the way", encoding="utf-8")
    bench.window.feeds.find()
    bench.assign(kick=(3,))
    bench.finder.use.click()
    assert "cannot be saved" in bench.finder.sentence.text()
    assert bench.link.called("open") == []


def test_what_the_source_tells_of_its_channels_is_filled_in(bench: Bench) -> None:
    told = {"mix": (0, 1), "part low drum": (2,), "part room": (3, 4)}
    bench.feed(snapshot([-20.0] * 5, told))
    bench.settings.source = SourceChoice("demo")
    bench.window.source.current = bench.settings.source
    bench.window.feeds.find()
    assert bench.finder.feeds() == FeedMap("demo", (1, 2), {"low drum": (3,), "room": (4, 5)})


def test_without_a_source_there_is_nothing_to_find(qtbot, tmp_path, monkeypatch) -> None:
    bench = Bench(qtbot, tmp_path, monkeypatch, source=None)
    bench.window.feeds.find()
    assert "choose one first" in bench.window.feed_line.asked()
    assert not bench.finder.isVisible()
    bench.window.listen_to({"kind": "monitor", "name": "other", "options": {}}, "other")
    assert bench.window.feed_line.asked() == ""
    bench.window.close()


def test_the_picker_leads_to_the_finder_with_all_channels(bench: Bench) -> None:
    picker = bench.window.picker
    picker._entry = lambda: SourceEntry("device", "desk", channels=8)  # type: ignore[method-assign]
    picker._selected()
    assert picker.finder.isVisibleTo(picker)
    picker.finder.click()
    opened = bench.link.called("open")
    assert [call[1]["options"]["channels"] for call in opened] == [list(range(1, 9))]
    assert opened[0][2] == {"mix": (0, 1)}, "until they are named"
    assert bench.finder.isVisible()
    bench.feed(snapshot([-20.0] * 8))
    assert len(bench.finder.rows) == 8
    picker._entry = lambda: SourceEntry("monitor", "out", channels=2)  # type: ignore[method-assign]
    picker._selected()
    assert not picker.finder.isVisibleTo(picker)


# Naming what moves


PAIR = SourceChoice("device", "desk", {"channels": [1, 2]}, "the desk")


@pytest.fixture
def pair(qtbot, tmp_path, monkeypatch):
    """Two channels of eight are open."""
    made = Bench(qtbot, tmp_path, monkeypatch, source=PAIR)
    made.feed(snapshot([-20.0, -20.0], held=8))
    yield made
    made.window.close()


def solo(bench: Bench, *numbers: int, at: float) -> None:
    """Only these of eight channels sound, from 1."""
    levels = [-12.0 if number in numbers else -np.inf for number in range(1, 9)]
    bench.feed(snapshot(levels, held=8, seconds=at))


def test_every_channel_of_the_device_is_offered_though_two_are_open(pair: Bench) -> None:
    assert pair.window.feed_line.feeds.isVisible()
    pair.qtbot.keyClick(pair.window, Qt.Key.Key_F)
    assert [row.number for row in pair.finder.rows] == list(range(1, 9))
    opened = pair.link.called("open")[-1]
    assert opened[1]["options"]["channels"] == list(range(1, 9))
    assert opened[2] == {"mix": (0, 1)}, "what was open is measured meanwhile"
    assert [row.wanted for row in pair.finder.rows] == ["mix", "mix"] + [""] * 6
    pair.feed(snapshot([-20.0, -20.0], held=8))
    assert {row.word.text() for row in pair.finder.rows} == {""}, "a snapshot from before moves no bar"


def test_more_channels_than_a_source_may_have_are_not_offered(qtbot, tmp_path, monkeypatch) -> None:
    made = Bench(
        qtbot, tmp_path, monkeypatch, source=SourceChoice("device", "desk", {"channels": [63, 64]}, "the desk")
    )
    made.feed(snapshot([-20.0, -20.0], held=64))
    made.window.feeds.find()
    assert [row.number for row in made.finder.rows] == [*range(1, 31), 63, 64]
    made.window.close()


def test_leaving_without_a_name_puts_the_channels_back(pair: Bench) -> None:
    pair.window.feeds.find()
    pair.finder.leave.click()
    assert pair.link.called("open")[-1] == ("open", {**pair.window.source.request, "options": {"channels": [1, 2]}})
    pair.window.feeds.find()
    count = len(pair.link.called("open"))
    pair.window.feeds.find()
    assert len(pair.link.called("open")) == count, "F again opens nothing again"


def test_another_source_closes_the_finder_and_keeps_its_own_channels(pair: Bench) -> None:
    pair.window.feeds.find()
    pair.window.listen_to({"kind": "device", "name": "stage", "options": {"channels": [3, 4]}}, "the stage box")
    assert not pair.finder.isVisible()
    assert pair.link.called("open")[-1][1]["options"] == {"channels": [3, 4]}
    assert pair.settings.source is not None
    assert pair.settings.source.options == {"channels": [3, 4]}


def test_names_of_channels_that_are_not_there_are_told_and_stay_in_their_file(qtbot, tmp_path, monkeypatch) -> None:
    """An interface in another profile has fewer channels than when its feeds were named."""
    path = tmp_path / "jobs" / "song.toml"
    write_feed_map(feed_map("song", [1, 2], {"kick": [3], "choir": [7, 8]}), path)
    small = SourceChoice("device", "desk", {"channels": [1, 2, 3, 4]}, "the desk")
    bench = Bench(qtbot, tmp_path, monkeypatch, source=small, kept=str(path))
    bench.feed(snapshot([-20.0] * 4))
    bench.window.feeds.find()
    assert [row.wanted for row in bench.finder.rows] == ["mix", "mix", "kick", ""]
    assert "choir on channel 7, choir on channel 8, which this source has not" in bench.finder.sentence.text()
    bench.finder.use.click()
    assert read_feed_map(path).parts == {"kick": (3,), "choir": (7, 8)}
    assert read_feed_map(Path(bench.settings.feed_maps["device desk"])).parts == {"kick": (3,)}
    bench.window.close()


def test_soloing_names_what_moves_and_applying_closes(pair: Bench) -> None:
    pair.window.feeds.find()
    for at, numbers, name, words in (
        (10.0, (1, 2, 3), "kick", "Channel 3 moves."),
        (20.0, (1, 2, 4), "bass", "Channel 4 moves."),
        (30.0, (1, 2, 5, 6), "gtrs", "Channels 5 and 6 move."),
        (40.0, (1, 2, 7), "backing", "Channel 7 moves."),
        (50.0, (1, 2, 3), "", "Channel 3 moves: kick."),
    ):
        solo(pair, *numbers, at=at)
        assert pair.finder.moves.text() == words
        pair.qtbot.keyClicks(pair.finder.called, name)
        pair.qtbot.keyClick(pair.finder.called, Qt.Key.Key_Return)
    assert pair.finder.isVisible(), "Return names; it closes nothing"
    pair.finder.use.click()
    assert not pair.finder.isVisible()
    opened = pair.link.called("open")[-1]
    assert opened[1]["options"]["channels"] == list(range(1, 9)), "nothing is narrowed behind the names"
    assert opened[2] == {
        "mix": (0, 1),
        "part kick": (2,),
        "part bass": (3,),
        "part gtrs": (4, 5),
        "part backing": (6,),
    }


def test_what_goes_on_is_not_what_moves(bench: Bench) -> None:
    """The mix is not named yet: it sounds with every track."""
    bench.feed(snapshot([-np.inf] * 6))
    bench.window.feeds.find()
    bench.feed(snapshot([-9.0, -9.0, -9.0, -np.inf, -np.inf, -np.inf], seconds=10.0))
    assert bench.finder.moves.text() == "Channels 1, 2 and 3 move."
    bench.qtbot.keyClicks(bench.finder.called, "kick")
    bench.finder.name_it.click()
    assert "name the mix first" in bench.finder.sentence.text()
    assert {row.wanted for row in bench.finder.rows} == {""}
    bench.feed(snapshot([-9.0, -9.0, -70.0, -9.0, -np.inf, -np.inf], seconds=20.0))
    assert bench.finder.moves.text() == "Channel 4 moves."
    assert [row.word.text() for row in bench.finder.rows] == ["signal", "signal", "", "moves", "", ""]
    bench.feed(snapshot([-np.inf] * 6, seconds=30.0))
    bench.finder.name_it.click()
    assert "No channel moves" in bench.finder.sentence.text()


@pytest.mark.parametrize("name", ["kick", "backing", "Backing", "b", "Kick in", "gtr 2"])
def test_a_name_is_kept_as_it_is_typed(bench: Bench, name: str) -> None:
    bench.window.feeds.find()
    line = bench.finder.rows[2].feed.lineEdit()
    line.setFocus()
    QApplication.processEvents()
    bench.qtbot.keyClicks(line, name)
    bench.qtbot.keyClick(line, Qt.Key.Key_Tab)
    assert bench.finder.rows[2].wanted == name
    bench.qtbot.keyClick(line, Qt.Key.Key_Return)
    assert bench.finder.rows[2].wanted == name


def test_typing_replaces_the_old_name(bench: Bench) -> None:
    bench.window.feeds.find()
    bench.assign(guitars=(3,))
    bench.finder.activateWindow()
    line = bench.finder.rows[2].feed.lineEdit()
    bench.qtbot.waitUntil(bench.finder.isActiveWindow)
    line.setFocus(Qt.FocusReason.TabFocusReason)
    bench.qtbot.waitUntil(line.hasSelectedText)
    bench.qtbot.keyClicks(line, "keys")
    assert bench.finder.rows[2].wanted == "keys"
    bench.finder.rows[2].feed.setCurrentIndex(0)
    bench.finder.rows[2].feed.activated.emit(0)
    assert (bench.finder.rows[2].wanted, line.text()) == ("", ""), "the dash of the list takes a name away"


def test_the_wheel_changes_no_name(bench: Bench) -> None:
    bench.window.feeds.find()
    bench.assign(kick=(3,))
    box = bench.finder.rows[2].feed
    middle = box.rect().center()
    turn = QWheelEvent(
        middle.toPointF(), box.mapToGlobal(middle).toPointF(), QPoint(), QPoint(0, -120),
        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(box, turn)
    assert bench.finder.rows[2].wanted == "kick"


@pytest.mark.parametrize("count", [2, 3, 8, 16])
def test_rows_are_even_however_many(qtbot, tmp_path, monkeypatch, count: int) -> None:
    made = Bench(qtbot, tmp_path, monkeypatch, source=SourceChoice("device", "desk", {}, "the desk"))
    made.feed(snapshot([-20.0] * 12))
    made.window.feeds.find()
    made.finder.close()
    made.feed(snapshot([-20.0] * count))
    made.window.feeds.find()
    QApplication.processEvents()
    tops = [row.feed.mapTo(made.finder, QPoint()).y() for row in made.finder.rows]
    assert len({after - before for before, after in itertools.pairwise(tops)}) == 1
    assert len({row.feed.width() for row in made.finder.rows}) == 1
    assert len({row.bar.width() for row in made.finder.rows}) == 1
    made.window.close()


def test_the_way_to_more_channels_of_the_second_page_leads_to_the_finder(pair: Bench) -> None:
    pair.window._act("feeds")
    assert len(pair.finder.rows) == 8


@pytest.mark.parametrize(
    ("job", "file"), [("Évening / song:2", "vening_song_2"), ("…", "job"), ("a" * 200, "a" * 60)]
)
def test_file_names_that_every_system_takes(job: str, file: str) -> None:
    assert feeds_desk._file_name(job) == file

"""The first start: what plays is heard without a question, silence shows three ways in, a choice ends it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PySide6.QtWidgets import QApplication

from meter import settings as settings_file
from meter.audio.monitor import DEFAULT_MONITOR
from meter.gui.engine_link import Surroundings
from meter.gui.page.empty_page import LISTENING, NOT_LISTENING, Way
from meter.gui.page.layout import pages_folder
from meter.gui.source.first_start import QUIET_SECONDS
from meter.gui.source.source_list import Listing, SourceEntry
from meter.gui.window import Window
from meter.readings import Frame
from meter.settings import Settings, SourceChoice
from tests.meter.gui.source.test_feed_maps import snapshot
from tests.support.frames import FakeLink, entries, frame, status

DEFAULT = SourceChoice("monitor", DEFAULT_MONITOR, {}, "what plays on the default output")
SILENCE, SOUND = [-np.inf, -np.inf], [-20.0, -23.0]


class Bench:
    def __init__(self, qtbot, folder: Path, settings: Settings | None = None, first: SourceChoice | None = DEFAULT):
        self.at = 0.0
        self.link = FakeLink()
        self.settings = settings or Settings()
        self.path = folder / "settings.json"
        around = Surroundings(self.path, pages_folder(), meters=entries(faces=False), first_source=first)
        self.window = Window(self.link, self.settings, around, now=lambda: self.at)
        qtbot.addWidget(self.window)
        self.window.show()

    def feed(self, levels: list[float] | Frame) -> None:
        self.link.now = levels if isinstance(levels, Frame) else snapshot(levels)
        self.window.clock.tick()
        QApplication.processEvents()

    @property
    def ways(self) -> bool:
        return self.window.empty.isVisible()


@pytest.fixture
def bench(qtbot, tmp_path):
    made = Bench(qtbot, tmp_path)
    yield made
    made.window.close()


def test_what_plays_is_heard_at_once_and_kept(bench: Bench) -> None:
    assert not bench.ways
    assert not bench.window.cautions.isVisible(), "no wall of words before the first sound"
    assert bench.window.feed_line.source.accessibleName().startswith("source: what plays on the default output")
    assert bench.settings.source is None, "nothing was heard yet"
    bench.feed(SOUND)
    assert bench.settings.source == DEFAULT
    assert bench.link.called("open") == [], "the engine listens to it already"
    bench.window.save()
    assert settings_file.load(bench.path)[0].source == DEFAULT


def test_silence_shows_three_ways_in_and_sound_the_page(bench: Bench) -> None:
    bench.feed(SILENCE)
    bench.at = QUIET_SECONDS - 0.1
    bench.feed(SILENCE)
    assert not bench.ways
    bench.at = QUIET_SECONDS
    bench.feed(SILENCE)
    assert bench.ways
    assert bench.window.empty.title.text() == LISTENING
    assert len(bench.window.empty.findChildren(Way)) == 3
    assert bench.settings.source is None
    bench.feed(SOUND)
    assert not bench.ways
    assert bench.settings.source == DEFAULT
    bench.at = 60.0
    bench.feed(SILENCE)
    assert not bench.ways, "a pause later on is no first start"


def test_a_choice_of_the_user_ends_it(bench: Bench) -> None:
    bench.at = 0.0
    bench.feed(SILENCE)
    bench.at = 5.0
    bench.feed(SILENCE)
    assert bench.ways
    bench.window.empty.demo.click()
    assert not bench.ways
    assert bench.settings.source is not None
    assert bench.settings.source.kind == "demo"
    bench.at = 10.0
    bench.feed(SILENCE)
    assert not bench.ways
    bench.feed(SOUND)
    assert bench.settings.source.kind == "demo"


def listed(bench: Bench, *found: SourceEntry) -> None:
    bench.window.lister.listed.emit(Listing(found))


@pytest.mark.parametrize("first", [None, DEFAULT], ids=["no monitor here", "no sound server"])
def test_without_a_monitor_a_loopback_device_is_tried(qtbot, tmp_path, first) -> None:
    bench = Bench(qtbot, tmp_path, first=first)
    if first is not None:
        bench.feed(
            frame(plan=snapshot(SILENCE).layout, given={}, feed=status(0.0, state="failed", sentence="No server."))
        )
    assert bench.ways
    listed(
        bench,
        SourceEntry("device", "Mic", channels=1),
        SourceEntry("device", "Old loop", channels=2, loopback=True, lesser=True),
        SourceEntry("device", "Loop", channels=2, loopback=True),
    )
    assert bench.link.called("open") == [("open", {"kind": "device", "name": "Loop", "options": {}, "label": "Loop"})]
    assert bench.settings.source is None
    bench.feed(SOUND)
    assert not bench.ways
    assert bench.settings.source is not None
    assert bench.settings.source.name == "Loop"
    bench.window.close()


def test_what_another_output_plays_is_heard_when_the_default_one_is_silent(bench: Bench) -> None:
    bench.feed(SILENCE)
    bench.at = QUIET_SECONDS
    bench.feed(SILENCE)
    default = SourceEntry("monitor", DEFAULT_MONITOR, "the default output", loopback=True, playing=True, now="Screen")
    screen = SourceEntry("monitor", "a.monitor", "Screen", channels=2, loopback=True, playing=True)
    idle = SourceEntry("monitor", "b.monitor", "Idle", channels=2, loopback=True)
    other = SourceEntry("monitor", "c.monitor", "Interface", channels=8, loopback=True, playing=True)
    listed(bench, default, screen, idle, other)
    opened = bench.link.called("open")
    assert [(call[1]["name"], call[1]["label"]) for call in opened] == [("c.monitor", "what plays on Interface")]
    assert bench.ways, "until it sounds"
    bench.feed(SOUND)
    assert not bench.ways
    assert bench.settings.source == SourceChoice("monitor", "c.monitor", {}, "what plays on Interface")


def test_where_that_one_is_silent_too_the_default_output_is_heard_again(bench: Bench) -> None:
    bench.feed(SILENCE)
    bench.at = QUIET_SECONDS
    bench.feed(SILENCE)
    listed(bench, SourceEntry("monitor", "c.monitor", "Interface", channels=8, loopback=True, playing=True))
    bench.feed(SILENCE)
    bench.at = 2 * QUIET_SECONDS
    bench.feed(SILENCE)
    bench.feed(SILENCE)
    assert [call[1]["name"] for call in bench.link.called("open")] == ["c.monitor", DEFAULT_MONITOR]
    bench.at = 60.0
    bench.feed(SILENCE)
    assert len(bench.link.called("open")) == 2, "and nothing else is tried"
    assert bench.ways


def test_a_machine_without_either_shows_the_ways(qtbot, tmp_path) -> None:
    bench = Bench(qtbot, tmp_path, first=None)
    listed(bench, SourceEntry("device", "Mic", channels=1))
    assert bench.ways
    assert bench.window.empty.title.text() == NOT_LISTENING
    assert bench.link.called("open") == []
    bench.window.close()


def test_a_list_asked_for_later_tries_nothing(bench: Bench) -> None:
    listed(bench, SourceEntry("device", "Loop", channels=2, loopback=True))
    assert bench.link.called("open") == []


def test_a_kept_source_is_no_first_start(qtbot, tmp_path) -> None:
    kept = SourceChoice("monitor", "room.monitor", {}, "what plays on Room")
    bench = Bench(qtbot, tmp_path, Settings(source=kept), first=None)
    bench.feed(SILENCE)
    bench.at = 60.0
    bench.feed(SILENCE)
    assert not bench.ways
    assert bench.settings.source == kept
    bench.window.close()

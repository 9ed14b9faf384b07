"""Meters that were set aside are remembered: listed with the reason, left out at the next start where they ended an
engine, told to the day record, and forgotten when they are tried again."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
import pytest

from meter.cli import main
from meter.commands.meters import enabled_path
from meter.commands.set_aside_meters import TRYING_SECONDS, SetAsideMeters, begin_run
from meter.commands.window_meters import enable_other
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.messages import RecordEvent
from meter.engine.process import EngineOrder
from meter.instances import Instance
from meter.plugin.enabled import read_enabled
from meter.plugin.host import discover
from meter.readings import FeedStatus, Frame, Layout
from tests.support.plugins import write_meter

HUNG = "Meter “own” is set aside: it hung and the engine had to be replaced."
RAISED = "Meter “Meter own” is set aside: it failed in process (ValueError: no)."
NO_FEED = "This source has no feed “kick”; name the feeds (F), or choose another feed in the menu of this card."


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config"))


class Run:
    """One run of the window with a meter by others, without a window or an engine."""

    def __init__(self, folder: Path) -> None:
        enabled, aside = begin_run(read_enabled(enabled_path())[0], [folder])
        self.aside = aside
        self.events: list[RecordEvent] = []
        self.said: list[tuple[str, str]] = []
        order = EngineOrder(folders=(str(folder),), enabled=enabled, set_aside=aside)
        self.now = 1000.0
        self.kept = SetAsideMeters(order, self.events.append, wall=lambda: self.now)
        self.kept.say = lambda meter, sentence: self.said.append((meter, sentence))

    def show(self, faults: Mapping[str, str], ended: Collection[str] = ()) -> None:
        instances = (Instance("own", "own", "mix"), Instance("own_2", "own", "kick"))
        layout = Layout((), instances=instances)
        self.kept.follow(Frame(layout, np.empty(0), FeedStatus(quarantined=faults)), ended)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_meter(tmp_path / "own", "own")


def listed(folder: Path, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert main(["plugins", "--plugins", str(folder), *words]) == 0
    [line] = [line for line in capsys.readouterr().out.splitlines() if "own" in line.split('"readings"')[0][:20]]
    return line


def test_it_is_listed_with_the_reason_until_it_is_tried_again(folder: Path, capsys) -> None:
    run = Run(folder)
    run.show({"own": RAISED})
    line = listed(folder, capsys)
    assert line.startswith(f"own          set aside: {RAISED} Run “earwitness plugins enable ")
    assert json.loads(listed(folder, capsys, "--json"))["set_aside"] == RAISED
    run.kept.try_again("own")
    assert "set aside" not in listed(folder, capsys)
    assert json.loads(listed(folder, capsys, "--json"))["set_aside"] is None


def test_each_is_told_once_and_recorded(folder: Path) -> None:
    run = Run(folder)
    for _ in range(3):
        run.show({})
        run.show({"own": RAISED})
    assert run.said == [("own", RAISED)]
    assert run.events == [RecordEvent("meter", RAISED, 1000.0)]
    run.kept.try_again("own")
    assert run.events[1:] == [RecordEvent("meter", "Meter “own” is tried again.", 1000.0)]
    run.show({})
    run.show({"own": RAISED})
    assert len(run.said) == 2


def test_what_the_engine_still_reports_is_not_told_again_unless_it_stays(folder: Path, capsys) -> None:
    run = Run(folder)
    run.show({"own": RAISED})
    run.kept.try_again("own")
    run.show({"own": RAISED})  # the engine has not tried it yet
    assert len(run.said) == 1
    assert "set aside" not in listed(folder, capsys)
    run.now += TRYING_SECONDS
    run.show({"own": RAISED})  # it failed at once with the same words
    assert len(run.said) == 2
    assert "set aside" in listed(folder, capsys)


def test_one_that_only_failed_is_loaded_again_at_the_next_start(folder: Path, capsys) -> None:
    Run(folder).show({"own": RAISED})
    assert Run(folder).aside == {}
    assert "set aside" not in listed(folder, capsys)


def test_one_that_ended_an_engine_is_left_out_until_it_is_tried_or_enabled_again(folder: Path, capsys) -> None:
    Run(folder).show({"own": HUNG}, ended=("own",))
    later = Run(folder)
    assert later.aside == {"own": HUNG}
    later.show({"own": HUNG}, ended=("own",))
    assert later.said == [], "it was told in the last run"
    assert "set aside" in listed(folder, capsys)
    later.kept.try_again("own")
    assert Run(folder).aside == {}
    Run(folder).show({"own": HUNG}, ended=("own",))
    assert "is enabled" in enable_other(str(folder), True)
    assert Run(folder).aside == {}


def test_a_second_instance_stands_for_its_meter(folder: Path) -> None:
    Run(folder).show({"own_2": HUNG}, ended=("own",))
    assert Run(folder).aside == {"own": HUNG}


def test_a_changed_version_is_not_the_one_that_failed(folder: Path, capsys) -> None:
    Run(folder).show({"own": HUNG}, ended=("own",))
    manifest = folder / "manifest.toml"
    manifest.write_text(manifest.read_text(encoding="utf-8").replace('"0.1.0"', '"0.2.0"'), encoding="utf-8")
    assert "set aside" not in listed(folder, capsys)
    assert Run(folder).aside == {}


def test_a_feed_that_is_not_there_and_a_meter_of_ours_are_not_listed(folder: Path) -> None:
    run = Run(folder)
    run.show({"own": NO_FEED, "vu": HUNG.replace("own", "vu")}, ended=("vu",))
    assert run.said == []
    assert run.events == [], "of one that hung the supervisor has told"
    assert read_enabled(enabled_path())[0].set_aside == ()


def test_a_folder_that_cannot_be_written_costs_only_the_list(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "config").write_text("", encoding="utf-8")
    run = Run(folder)
    run.show({"own": RAISED})
    assert run.said == [("own", RAISED)]


def test_what_is_tried_again_is_loaded_as_it_is_now(folder: Path) -> None:
    text = (folder / "process.py").read_text(encoding="utf-8")
    (folder / "process.py").write_text(text.replace("self.total += ", "raise ValueError('no')  # "), encoding="utf-8")
    [plugin] = discover([folder], installed=False)
    meter = GuardedMeter(plugin)
    chain = Chain([meter], 48_000, 2, {"mix": (0, 1)})
    chain.process(np.ones((480, 2)))
    assert "ValueError: no" in chain.faults["own"]
    (folder / "process.py").write_text(text, encoding="utf-8")
    meter.try_again()
    chain.process(np.ones((480, 2)))
    assert chain.faults == {}
    assert chain.read().tolist() == [960.0]

"""A chain feeds every meter; one that throws or overruns is named and set aside, the others go on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter, Timing
from meter.engine.messages import LayoutChanged, encode, to_window
from meter.plugin.host import discover
from meter.readings import Frame
from tests.support.plugins import file_meters, write_meter

RATE = 48_000


def chain_of(*folders: Path, timing: Timing | None = None, channels: int = 2) -> Chain:
    meters = [GuardedMeter(plugin, timing) for plugin in discover(folders, installed=False)]
    return Chain(meters, RATE, channels, {"mix": tuple(range(channels))})


class SteppingClock:
    """Each call moves on by the next of the given steps, and after them by the last one."""

    def __init__(self, *steps: float) -> None:
        self.now = 0.0
        self.steps = list(steps)

    def __call__(self) -> float:
        self.now += self.steps.pop(0) if len(self.steps) > 1 else self.steps[0]
        return self.now


def test_every_meter_gets_every_block(tmp_path: Path) -> None:
    chain = chain_of(write_meter(tmp_path / "a", "a"), write_meter(tmp_path / "b", "b", "self.total += len(block)"))
    chain.process(np.ones((480, 2)))
    frame = Frame(chain.layout, chain.read())
    assert frame.number("a.total") == 960.0
    assert frame.number("b.total") == 480.0
    assert chain.faults == {}


@pytest.mark.parametrize("where", ["process", "read"])
def test_a_meter_that_throws_is_named_and_set_aside(tmp_path: Path, where: str) -> None:
    failing = {where: "raise RuntimeError('a bad day')"}
    chain = chain_of(write_meter(tmp_path / "bad", "bad", **failing), write_meter(tmp_path / "good", "good"))
    for _ in range(3):
        chain.process(np.ones((480, 2)))
        frame = Frame(chain.layout, chain.read())
    assert list(chain.faults) == ["bad"]
    assert "Meter bad" in chain.faults["bad"]
    assert "a bad day" in chain.faults["bad"]
    assert np.isnan(frame.number("bad.total"))
    assert frame.number("good.total") == 3 * 960.0


def test_a_meter_that_calls_exit_is_set_aside_like_any_other(tmp_path: Path) -> None:
    chain = chain_of(write_meter(tmp_path / "bad", "bad", "raise SystemExit(3)"))
    chain.process(np.ones((480, 2)))
    assert "SystemExit: 3" in chain.faults["bad"]


def test_a_long_story_is_told_in_its_first_line(tmp_path: Path) -> None:
    chain = chain_of(write_meter(tmp_path / "bad", "bad", "raise ValueError('a' * 300 + chr(10) + 'and more')"))
    chain.process(np.ones((480, 2)))
    assert f"(ValueError: {'a' * 200}…; process.py, line " in chain.faults["bad"]
    assert "more" not in chain.faults["bad"]


def test_a_meter_cannot_change_what_the_others_hear(tmp_path: Path) -> None:
    chain = chain_of(write_meter(tmp_path / "bad", "bad", "block[:] = 0.0"), write_meter(tmp_path / "good", "good"))
    block = np.ones((480, 2))
    chain.process(block)
    assert "read-only" in chain.faults["bad"]
    assert Frame(chain.layout, chain.read()).number("good.total") == 960.0
    assert block.flags.writeable


def test_a_meter_that_cannot_be_imported_is_set_aside(tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "bad", "bad")
    (folder / "process.py").write_text("import nothing_of_this_name as Meter\n", encoding="utf-8")
    chain = chain_of(folder, write_meter(tmp_path / "good", "good"))
    chain.process(np.ones((480, 2)))
    assert "loading" in chain.faults["bad"]
    assert chain.read()[1] == 960.0


def test_three_overruns_in_a_row_are_quarantine_and_two_are_not(tmp_path: Path) -> None:
    def run(blocks: int) -> Chain:
        timing = Timing(busy=SteppingClock(0.02), wall=SteppingClock(0.02))
        chain = chain_of(write_meter(tmp_path / "slow", "slow"), timing=timing)
        for _ in range(blocks):
            chain.process(np.ones((480, 2)))
        return chain

    assert run(2).faults == {}
    assert "three times in a row" in run(3).faults["slow"]


def test_ours_are_never_set_aside_for_a_busy_machine(tmp_path: Path) -> None:
    (plugin,) = discover([write_meter(tmp_path / "slow", "slow")], installed=False)
    timing = Timing(busy=SteppingClock(0.02), wall=SteppingClock(0.02))
    chain = Chain([GuardedMeter(replace(plugin, ours=True), timing)], RATE, 2, {"mix": (0, 1)})
    for _ in range(5):
        chain.process(np.ones((480, 2)))
    assert chain.faults == {}


def test_a_stall_on_the_wall_counts_even_when_nothing_was_computed(tmp_path: Path) -> None:
    timing = Timing(busy=SteppingClock(0.0), wall=SteppingClock(0.2))
    chain = chain_of(write_meter(tmp_path / "sleepy", "sleepy"), timing=timing)
    for _ in range(3):
        chain.process(np.ones((480, 2)))
    assert "sleepy" in chain.faults


def test_a_single_slow_tick_is_forgiven(tmp_path: Path) -> None:
    busy = SteppingClock(0.02, *[0.001] * 100)
    chain = chain_of(write_meter(tmp_path / "own", "own"), timing=Timing(busy=busy, wall=SteppingClock(0.001)))
    for _ in range(20):
        chain.process(np.ones((480, 2)))
    assert chain.faults == {}


def test_a_meter_without_its_feed_is_left_out_with_the_reason(tmp_path: Path) -> None:
    folder = write_meter(tmp_path / "own", "own")
    manifest = (folder / "manifest.toml").read_text(encoding="utf-8")
    (folder / "manifest.toml").write_text(f'feed = "before"\n{manifest}', encoding="utf-8")
    chain = chain_of(folder)
    assert "not connected" in chain.faults["own"]
    chain.process(np.ones((480, 2)))
    assert len(chain.read()) == 0


def test_a_map_that_names_a_missing_channel_is_refused(tmp_path: Path) -> None:
    meters = [GuardedMeter(plugin) for plugin in discover([write_meter(tmp_path / "own", "own")], installed=False)]
    with pytest.raises(ValueError, match="wants channel 5, but the source has 2"):
        Chain(meters, RATE, 2, {"mix": (0, 4)})


def test_an_unknown_key_written_by_a_meter_is_a_fault(tmp_path: Path) -> None:
    chain = chain_of(write_meter(tmp_path / "own", "own", read='out["something_else"] = 1.0'))
    chain.read()
    assert "something_else" in chain.faults["own"]


def of_all_feeds(folder: Path) -> Path:
    """The meter in ``folder``, made to listen to every channel and to report a value for each part."""
    manifest = (folder / "manifest.toml").read_text(encoding="utf-8")
    changed = manifest.replace('"2.0"', '"2.0"\nservices = ["feed_map"]').replace(
        "summary = true", 'size = "parts"\neach = 2'
    )
    (folder / "manifest.toml").write_text(f'feed = "all"\n{changed}', encoding="utf-8")
    return folder


def test_a_meter_of_all_feeds_gets_every_channel_and_the_map(tmp_path: Path) -> None:
    folder = of_all_feeds(
        write_meter(tmp_path / "own", "own", "self.total += block", 'out["total"] = self.total[-1, :4]')
    )
    process = (folder / "process.py").read_text(encoding="utf-8")
    told = "self.reset(); self.feeds = dict(spec.feeds)"
    (folder / "process.py").write_text(process.replace("self.reset()", told), encoding="utf-8")
    other = write_meter(tmp_path / "b", "b")
    meters = [GuardedMeter(plugin) for plugin in discover([folder, other], installed=False)]
    feeds = {"mix": (0, 1), "part kick": (2,), "part bass": (4, 3)}
    chain = Chain(meters, RATE, 6, feeds, tuple("ABCDEF"))
    chain.process(np.tile(np.arange(6.0), (480, 1)))
    frame = Frame(chain.layout, chain.read())
    assert chain.faults == {}
    np.testing.assert_array_equal(frame.table("own.total"), [[0.0, 1.0], [2.0, 3.0]])
    assert frame.number("b.total") == 480.0
    assert (frame.parts, frame.feeds, frame.layout.channel_names) == (("kick", "bass"), feeds, tuple("ABCDEF"))
    assert meters[0]._processor.feeds == feeds
    again = to_window(encode(LayoutChanged.of(1, frame.layout))).layout
    assert (again.slots, again.feeds, again.channel_names) == (frame.layout.slots, feeds, tuple("ABCDEF"))


def test_without_parts_their_readings_are_empty(tmp_path: Path) -> None:
    folder = of_all_feeds(write_meter(tmp_path / "own", "own", read='out["total"] = []'))
    meters = [GuardedMeter(plugin) for plugin in discover([folder], installed=False)]
    chain = Chain(meters, RATE, 2, {"mix": (0, 1)})
    frame = Frame(chain.layout, chain.read())
    assert chain.faults == {}
    assert frame.vector("own.total").shape == (0,)
    assert frame.table("own.total").shape == (0, 0)


def test_a_mark_reaches_the_meters_that_have_one(tmp_path: Path) -> None:
    marking = write_meter(tmp_path / "own", "own")
    process = (marking / "process.py").read_text(encoding="utf-8")
    (marking / "process.py").write_text(
        f"{process}\n    def mark(self):\n        self.total = -1.0\n", encoding="utf-8"
    )
    chain = chain_of(marking, write_meter(tmp_path / "b", "b"))
    chain.process(np.ones((480, 2)))
    chain.mark()
    assert chain.read().tolist() == [-1.0, 960.0]
    assert chain.faults == {}


def test_every_meter_is_told_of_every_gap(tmp_path: Path) -> None:
    folders = [write_meter(tmp_path / name, name) for name in ("a", "b")]
    for folder in folders:
        module = folder / "process.py"
        counting = module.read_text(encoding="utf-8").replace(
            "def skip(self, frames):\n        pass", "def skip(self, frames):\n        self.total += frames"
        )
        module.write_text(counting, encoding="utf-8")
    chain = chain_of(*folders)
    chain.skip(480)
    chain.skip(1)
    frame = Frame(chain.layout, chain.read())
    assert [frame.number(key) for key in ("a.total", "b.total")] == [481.0, 481.0]


def test_peak_to_loudness_is_the_peak_less_the_loudness() -> None:
    """A sine in one channel: 3.01 dB from its peak to its loudness at 997 Hz (ITU-R BS.1770-5, Annex 1)."""
    chain = Chain([GuardedMeter(plugin) for plugin in file_meters()], RATE, 2, {"mix": (0, 1)})
    assert np.isnan(Frame(chain.layout, chain.read()).number("peaks.to_loudness"))
    chain.process(tone(997.0, -20.0, 2.0, RATE, 2) * [1.0, 0.0])
    frame = Frame(chain.layout, chain.read())
    assert frame.number("peaks.to_loudness") == pytest.approx(3.01, abs=0.05)
    assert frame.number("loudness.integrated") == pytest.approx(-23.01, abs=0.05)


def test_what_another_version_of_a_meter_kept_is_not_taken_back() -> None:
    def chain() -> Chain:
        return Chain([GuardedMeter(plugin) for plugin in file_meters()], RATE, 2, {"mix": (0, 1)})

    one, same, newer = chain(), chain(), chain()
    one.process(tone(997.0, -6.0, 1.0, RATE, 2))
    kept = one.save_state()
    assert same.restore_state(kept) == []
    other = kept | {"peaks": replace(kept["peaks"], version="0.0.1")}
    assert newer.restore_state(other) == [meter.manifest.name for meter in newer.meters if meter.id == "peaks"]
    highest = [Frame(item.layout, item.read()).number("peaks.true_max") for item in (same, newer)]
    assert highest[0] == pytest.approx(-6.0, abs=0.05)
    assert np.isnan(highest[1])


@pytest.mark.parametrize(("column", "over_front_db"), [(0, 0.0), (2, 10.0 * np.log10(1.41)), (4, 0.0), (5, None)])
def test_the_roles_that_a_source_tells_decide_the_weights(column: int, over_front_db: float | None) -> None:
    """BS.1770-5 Annex 1 Table 3, on a source whose order is not that of a file: L R Ls Rs C LFE."""
    meters = [GuardedMeter(plugin) for plugin in file_meters() if plugin.id == "loudness"]
    order = ("L", "R", "Ls", "Rs", "C", "LFE")
    chain = Chain(meters, RATE, 6, {"mix": tuple(range(6))}, roles=order)
    block = np.zeros((RATE, 6))
    block[:, column] = tone(997.0, -20.0, 1.0, RATE)[:, 0]
    chain.process(block)
    integrated = Frame(chain.layout, chain.read()).number("loudness.integrated")
    if over_front_db is None:
        assert integrated == -np.inf
    else:
        assert integrated == pytest.approx(-23.01 + over_front_db, abs=0.01)


def test_a_mix_of_some_channels_is_not_weighed_by_where_the_source_would_place_them() -> None:
    meters = [GuardedMeter(plugin) for plugin in file_meters() if plugin.id == "loudness"]
    chain = Chain(meters, RATE, 6, {"mix": (4, 5)}, roles=("L", "R", "Ls", "Rs", "C", "LFE"))
    chain.process(tone(997.0, -20.0, 1.0, RATE, 6))
    assert Frame(chain.layout, chain.read()).number("loudness.integrated") == pytest.approx(-20.0, abs=0.01)


def test_only_a_meter_that_asks_gets_the_feed_map(tmp_path: Path) -> None:
    folders = [write_meter(tmp_path / name, name, "self.total = float(len(self.feeds))") for name in ("asks", "not")]
    for folder in folders:
        path = folder / "process.py"
        path.write_text(path.read_text(encoding="utf-8").replace("self.reset()", "self.feeds = spec.feeds"))
    path = folders[0] / "manifest.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('id = "asks"', 'id = "asks"\nservices = ["feed_map"]'))
    chain = chain_of(*folders)
    chain.process(np.ones((480, 2)))
    frame = Frame(chain.layout, chain.read())
    assert chain.faults == {}
    assert (frame.number("asks.total"), frame.number("not.total")) == (1.0, 0.0)

"""One meter on several feeds: each instance has its own feed, settings, state and findings; the others go on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.audio.script import Samples, ScriptedSource
from meter.audio.source import SourceRequest
from meter.builtin.drift.findings import SAME, DriftFindings
from meter.engine.chain import Chain
from meter.engine.engine import Engine
from meter.engine.guard import GuardedMeter
from meter.engine.in_process import Mailbox
from meter.engine.messages import (
    FindingsMade,
    LayoutChanged,
    MetersLoaded,
    UseInstances,
    encode,
    to_engine,
    to_window,
)
from meter.engine.received import Received, findings_types
from meter.engine.snapshot import CAPACITY
from meter.instances import Instance
from meter.plugin.host import Plugin, discover
from meter.readings import Frame
from tests.support.plugins import renamed_copy, write_meter

RATE_HZ = 48_000
DRUMS, GUITARS = "part drum bus", "part guitar bus"
FEEDS = {"mix": (0, 1), DRUMS: (2, 3), GUITARS: (4, 5)}
LEVELS_DBFS = (-18.0, -14.0, -23.0)
"""Of the mix, the drum bus and the guitar bus: the alignment of each, so that each needle stands at 0."""
ON_DRUMS, ON_GUITARS = Instance("vu_2", "vu", DRUMS), Instance("vu_3", "vu", GUITARS)


def ours(*names: str) -> list[Plugin]:
    return [plugin for plugin in discover() if plugin.ours and plugin.id in names]


def guarded(plugins: Sequence[Plugin], *instances: Instance) -> list[GuardedMeter]:
    by_id = {plugin.id: plugin for plugin in plugins}
    firsts = [GuardedMeter(plugin) for plugin in plugins]
    return firsts + [GuardedMeter(by_id[each.meter], None, each) for each in instances]


def three_buses(seconds: float) -> np.ndarray:
    """1 kHz on three stereo feeds at ``LEVELS_DBFS``."""
    return np.concatenate([tone(1000.0, level, seconds, RATE_HZ, 2) for level in LEVELS_DBFS], axis=1)


def test_three_levels_on_three_feeds_read_nought_at_their_own_alignment() -> None:
    """A sine whose peak is at the alignment reads 0 VU (IEC 60268-17)."""
    chain = Chain(guarded(ours("vu"), ON_DRUMS, ON_GUITARS), RATE_HZ, 6, FEEDS)
    for name, level in zip(("vu", "vu_2", "vu_3"), LEVELS_DBFS, strict=True):
        chain.configure(name, {"alignment_dbfs": level})
    chain.process(three_buses(3.0))
    frame = Frame(chain.layout, chain.read())
    for name in ("vu", "vu_2", "vu_3"):
        assert frame.vector(f"{name}.now") == pytest.approx([0.0, 0.0], abs=0.05)
    chain.configure("vu_2", {"alignment_dbfs": -20.0})
    frame = Frame(chain.layout, chain.read())
    assert frame.vector("vu_2.now") == pytest.approx([6.0, 6.0], abs=0.05)
    assert frame.vector("vu.now") == pytest.approx([0.0, 0.0], abs=0.05)


def test_a_difference_is_that_of_two_meters_on_the_same_feed() -> None:
    """Peak to loudness of the drum bus: a stereo sine at -14 dBFS has -14 dBTP and -14 LUFS (BS.1770-5)."""
    on_drums = Instance("peaks_2", "peaks", DRUMS), Instance("loudness_2", "loudness", DRUMS)
    chain = Chain(guarded(ours("peaks", "loudness"), *on_drums), RATE_HZ, 6, FEEDS)
    sound = three_buses(5.0)
    sound[:, :2] *= 0.01
    chain.process(sound)
    frame = Frame(chain.layout, chain.read())
    assert frame.number("peaks_2.true_max") == pytest.approx(-14.0, abs=0.05)
    assert frame.number("peaks_2.to_loudness") == pytest.approx(0.0, abs=0.1)
    alone = Chain(guarded(ours("peaks", "loudness"), on_drums[0]), RATE_HZ, 6, FEEDS)
    alone.process(sound)
    assert np.isnan(Frame(alone.layout, alone.read()).number("peaks_2.to_loudness"))


def test_a_feed_that_the_source_does_not_have_is_one_sentence_and_the_others_go_on() -> None:
    strings = Instance("vu_2", "vu", "part strings")
    chain = Chain(guarded(ours("vu"), strings, ON_GUITARS), RATE_HZ, 6, FEEDS)
    chain.process(three_buses(2.0))
    assert list(chain.faults) == ["vu_2"]
    assert chain.faults["vu_2"] == (
        "This source has no feed “strings”; name the feeds (F), or choose another feed in the menu of this card."
    )
    frame = Frame(chain.layout, chain.read())
    assert "vu_2.now" not in frame
    assert frame.vector("vu_3.now") == pytest.approx([-5.0, -5.0], abs=0.05)


def test_state_is_restored_for_the_same_feed_only(tmp_path: Path) -> None:
    plugins = ours("peaks")
    on_drums = Instance("peaks_2", "peaks", DRUMS)
    chain = Chain(guarded(plugins, on_drums), RATE_HZ, 6, FEEDS)
    chain.process(three_buses(1.0))
    kept = chain.save_state()
    again = Chain(guarded(plugins, on_drums), RATE_HZ, 6, FEEDS)
    assert again.restore_state(kept) == []
    assert Frame(again.layout, again.read()).number("peaks_2.true_max") == pytest.approx(-14.0, abs=0.05)
    moved = Chain(guarded(plugins, Instance("peaks_2", "peaks", GUITARS)), RATE_HZ, 6, FEEDS)
    assert moved.restore_state(kept) == ["Peaks: guitar bus"]
    assert not Frame(moved.layout, moved.read()).number("peaks_2.true_max") > -100.0


def test_a_layout_crosses_the_pipe_with_its_instances() -> None:
    chain = Chain(guarded(ours("vu"), ON_DRUMS), RATE_HZ, 6, FEEDS)
    found = to_window(encode(LayoutChanged.of(3, chain.layout)))
    assert isinstance(found, LayoutChanged)
    assert found.layout.instances == (Instance("vu", "vu", "mix"), ON_DRUMS)
    assert found.layout.feed_of("vu_2") == DRUMS
    assert to_engine(encode(UseInstances((ON_DRUMS,)))) == UseInstances((ON_DRUMS,))


class Bench:
    """An engine over ten seconds of the three buses; time moves only by ``run``."""

    def __init__(self, plugins: Sequence[Plugin], instances: Sequence[Instance] = (), **options: object) -> None:
        self.source = ScriptedSource([Samples(three_buses(10.0).astype(np.float32))], channels=6)
        self.box = Mailbox(plugins)
        self.engine = Engine(
            plugins, self.box, clock=lambda: self.source.now_ns() / 1e9, open_source=lambda _request: self.source,
            instances=instances, threaded_studies=False, **options,
        )  # fmt: skip
        self.engine.open(SourceRequest("script", "a script"), FEEDS)

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / 0.02)):
            self.source.advance(0.02)
            while self.engine.step():
                pass
        frame = self.box.take()
        assert frame is not None
        return frame


def energy(level_dbfs: float, seconds: float) -> float:
    """Sum of squares of a sine in two channels."""
    return 10 ** (level_dbfs / 10) * RATE_HZ * seconds


@pytest.fixture
def tally(tmp_path: Path) -> list[Plugin]:
    """A meter that sums energy."""
    return discover([write_meter(tmp_path / "tally", "tally")], installed=False)


def test_an_instance_comes_and_goes_while_the_others_measure_on(tally: list[Plugin]) -> None:
    bench = Bench(tally)
    bench.run(2.0)
    bench.engine.use_instances([Instance("tally_2", "tally", DRUMS)])
    frame = bench.run(1.0)
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, 3.0), rel=0.02)
    assert frame.number("tally_2.total") == pytest.approx(energy(-14.0, 1.0), rel=0.02)
    bench.engine.use_instances([Instance("tally_2", "tally", GUITARS), Instance("tally_3", "tally", "mix")])
    frame = bench.run(1.0)
    assert frame.number("tally_2.total") == pytest.approx(energy(-23.0, 1.0), rel=0.03)
    assert frame.number("tally_3.total") == pytest.approx(energy(-18.0, 1.0), rel=0.02)
    bench.engine.use_instances([])
    frame = bench.run(1.0)
    assert "tally_2.total" not in frame
    assert frame.number("tally.total") == pytest.approx(energy(-18.0, 5.0), rel=0.02)
    assert frame.status.sentence == ""


def test_a_stretch_of_gathered_sound_is_not_lost_when_an_instance_comes(tmp_path: Path) -> None:
    slow = discover([write_meter(tmp_path, "tally", every_seconds=0.5)], installed=False)
    bench = Bench(slow)
    bench.run(0.3)
    bench.engine.use_instances([Instance("tally_2", "tally", DRUMS)])
    bench.run(1.0)
    bench.engine.use_instances([])
    bench.run(0.1)
    assert bench.engine.chain is not None
    total = Frame(bench.engine.chain.layout, bench.engine.chain.read()).number("tally.total")
    assert total == pytest.approx(energy(-18.0, 1.4), rel=0.03)


def test_readings_of_those_that_go_on_are_there_at_once(tally: list[Plugin]) -> None:
    bench = Bench(tally)
    before = bench.run(1.0).number("tally.total")
    bench.engine.use_instances([Instance("tally_2", "tally", DRUMS)])
    assert bench.engine.chain is not None
    assert Frame(bench.engine.chain.layout, bench.engine.chain.read_live()).number("tally.total") == before


def test_held_readings_take_the_new_layout(tally: list[Plugin]) -> None:
    bench = Bench(tally)
    bench.run(1.0)
    bench.engine.hold(True)
    bench.run(0.2)
    bench.engine.use_instances([Instance("tally_2", "tally", DRUMS)])
    held, later = bench.run(0.1), bench.run(0.5)
    assert later.status.state == "held"
    for key in ("tally.total", "tally_2.total"):
        assert later.number(key) == held.number(key) > 0.0


def test_instances_given_at_the_start_have_their_own_settings(tmp_path: Path) -> None:
    bench = Bench(ours("vu"), [ON_DRUMS])
    bench.engine.configure("vu_2", {"alignment_dbfs": -14.0})
    frame = bench.run(1.0)
    assert (frame.number("vu.alignment"), frame.number("vu_2.alignment")) == (-18.0, -14.0)
    assert frame.vector("vu_2.now") == pytest.approx([0.0, 0.0], abs=0.1)
    assert frame.layout.key("vu_2", "now") == "vu_2.now"


def test_a_meter_that_stands_once_has_no_second_instance() -> None:
    bench = Bench(ours("vu", "low_end", "channels"), [Instance("low_end_2", "low_end", DRUMS), ON_DRUMS])
    assert [meter.id for meter in bench.engine.meters] == ["vu", "low_end", "channels", "vu_2"]


def test_an_instance_that_hung_an_engine_stays_aside_and_its_twin_runs(tally: list[Plugin]) -> None:
    both = [Instance("tally_2", "tally", DRUMS), Instance("tally_3", "tally", GUITARS)]
    bench = Bench(tally, both, set_aside={"tally_2": "Meter “tally_2” is set aside: it hung."})
    frame = bench.run(0.5)
    assert dict(frame.status.quarantined) == {"tally_2": "Meter “tally_2” is set aside: it hung."}
    assert frame.number("tally_3.total") > 0.0


def test_the_meter_at_work_is_named_by_its_place(tally: list[Plugin]) -> None:
    at_work: list[int] = []
    bench = Bench(tally, on_meter=at_work.append)
    bench.engine.use_instances([Instance("tally_2", "tally", DRUMS)])
    at_work.clear()
    bench.run(0.1)
    assert set(at_work) == {0, 1, -1}
    assert bench.box._received.meters == ["tally", "tally_2"]
    assert bench.box._received.foreign == {"tally", "tally_2"}


def test_calibration_noise_is_a_gap_to_an_instance_added_meanwhile(tally: list[Plugin]) -> None:
    bench = Bench(tally)
    bench.run(0.5)
    bench.engine.output.suspend("calibration noise plays")
    bench.engine.use_instances([Instance("tally_2", "tally", DRUMS)])
    assert bench.run(0.5).number("tally_2.total") == 0.0
    bench.engine.output.suspend("")
    assert bench.run(0.5).number("tally_2.total") == pytest.approx(energy(-14.0, 0.5), rel=0.05)


def test_findings_of_a_second_instance_are_read_as_those_of_its_meter() -> None:
    plugins = ours("drift")
    received = Received(findings_types(lambda: plugins))
    received.apply(MetersLoaded({"drift": True, "drift_2": True}, {"drift_2": "drift"}))
    received.apply(LayoutChanged(1, (), {}, ()))
    received.apply(FindingsMade("drift_2.passage", encode(DriftFindings(SAME, 60.0, 0.9, 1.0, 0.5, 0.1))))
    frame = received.frame(1, np.zeros(10), np.empty(0))
    assert frame is not None
    assert frame.findings["drift_2.passage"] == DriftFindings(SAME, 60.0, 0.9, 1.0, 0.5, 0.1)


def test_findings_of_those_that_go_on_stay(tmp_path: Path) -> None:
    bench = Bench(ours("drift"))
    sent = []
    bench.engine.studies._send = sent.append
    bench.engine.use_instances([Instance("drift_2", "drift", DRUMS)])
    assert [message.but for message in sent] == [("drift.passage",)]


def test_instances_without_room_for_their_readings_are_left_out(tmp_path: Path) -> None:
    folder = write_meter(tmp_path, "wide", "pass", 'out["total"] = self.total')
    manifest = folder / "manifest.toml"
    field = '\n[[field]]\nkey = "many"\nunit = ""\nsize = 16000\n'
    manifest.write_text(manifest.read_text() + field)
    plugins = discover([folder], installed=False)
    further = [Instance(f"wide_{number}", "wide", DRUMS) for number in range(2, 8)]
    chain = Chain(guarded(plugins, *further), RATE_HZ, 6, FEEDS)
    assert chain.layout.total <= CAPACITY
    assert sorted(chain.faults) == ["wide_5", "wide_6", "wide_7"]
    assert "There is no room for the readings of “Meter wide: drum bus”" in chain.faults["wide_5"]


def test_a_meter_by_others_has_instances_too(tmp_path: Path) -> None:
    plugins = discover([renamed_copy(tmp_path / "level", "vu", "level_of_mine")], installed=False)
    chain = Chain(guarded(plugins, Instance("level_of_mine_2", "level_of_mine", GUITARS)), RATE_HZ, 6, FEEDS)
    chain.process(three_buses(2.0))
    assert chain.faults == {}
    now = Frame(chain.layout, chain.read()).vector("level_of_mine_2.now")
    assert now == pytest.approx([-5.0, -5.0], abs=0.05)

"""A meter of pairs stands once for every pair of the source, by itself; on another pair it restarts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.audio.script import Samples, ScriptedSource
from meter.audio.source import SourceRequest
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.feeds import Pair, feed_map
from meter.instances import Instance
from meter.plugin.host import Plugin, discover
from meter.readings import Frame

RATE_HZ = 48_000
LEVELS_DBFS = (-20.0, -18.0, -12.0, -14.0)
"""A tone through three stages, mono: each channel is what the next stage gets."""
CHAIN = feed_map("", [4], {}, {"bus": Pair((1,), (2,)), "tape": Pair((2,), (3,))}).columns()
ONE = feed_map("", [4], {}, {"tape": Pair((2,), (3,))}).columns()
NONE = feed_map("", [4], {}).columns()


def ours(*names: str) -> list[Plugin]:
    return [plugin for plugin in discover() if plugin.ours and plugin.id in names]


class Bench:
    """An engine over the stages; time moves only by ``run``."""

    def __init__(self, instances: Sequence[Instance] = ()) -> None:
        plugins = ours("vu", "stage")
        self.box = Mailbox(plugins)
        self.engine = Engine(
            plugins, self.box, clock=lambda: self.source.now_ns() / 1e9, open_source=lambda _request: self.source,
            instances=instances, threaded_studies=False,
        )  # fmt: skip

    def open(self, feeds: Mapping[str, tuple[int, ...]], name: str = "a script") -> None:
        sound = np.concatenate([tone(440.0, level, 4.0, RATE_HZ, 1) for level in LEVELS_DBFS], axis=1)
        self.source = ScriptedSource([Samples(sound.astype(np.float32))], channels=4)
        self.engine.open(SourceRequest("script", name), feeds)

    def run(self, seconds: float) -> Frame:
        for _ in range(round(seconds / 0.02)):
            self.source.advance(0.02)
            while self.engine.step():
                pass
        frame = self.box.take()
        assert frame is not None
        return frame


def instances_of(frame: Frame) -> dict[str, str]:
    return {each.id: each.feed for each in frame.layout.instances if each.meter == "stage"}


def test_every_pair_has_an_instance_and_the_total_of_a_chain_too() -> None:
    bench = Bench()
    bench.open(CHAIN)
    frame = bench.run(3.0)
    assert instances_of(frame) == {"stage": "pair bus", "stage_2": "pair tape", "stage_3": "pair bus to tape"}
    assert frame.vector("stage.level") == pytest.approx([-20.0, -18.0], abs=0.1)
    assert frame.vector("stage_2.true_max") == pytest.approx([-18.0, -12.0], abs=0.1)
    assert frame.vector("stage_3.level") == pytest.approx([-20.0, -12.0], abs=0.1)
    assert {"stage.pair", "stage_2.pair", "stage_3.pair"} <= set(frame.findings)


def test_another_map_takes_instances_away_and_moves_the_others() -> None:
    bench = Bench()
    bench.open(CHAIN)
    bench.run(1.0)
    bench.open(ONE, "the same with one pair")
    frame = bench.run(1.0)
    assert instances_of(frame) == {"stage": "pair tape"}
    assert frame.vector("stage.true_max") == pytest.approx([-18.0, -12.0], abs=0.1)
    bench.open(CHAIN)
    assert len(instances_of(bench.run(1.0))) == 3


def test_without_a_pair_the_meter_is_not_there_and_that_is_no_fault() -> None:
    bench = Bench()
    bench.open(CHAIN)
    bench.run(0.5)
    bench.open(NONE)
    frame = bench.run(0.5)
    assert instances_of(frame) == {}
    assert frame.status.quarantined == {}
    assert frame.status.sentence == ""


def test_further_instances_of_others_stay_and_none_of_pairs_can_be_asked_for() -> None:
    bench = Bench([Instance("vu_2", "vu", "pair tape"), Instance("stage_2", "stage", "mix")])
    bench.open(ONE)
    frame = bench.run(0.5)
    assert instances_of(frame) == {"stage": "pair tape"}
    assert frame.vector("vu_2.now").shape == (2,)
    bench.engine.use_instances([])
    assert instances_of(bench.run(0.5)) == {"stage": "pair tape"}


def test_what_was_kept_of_one_pair_is_not_restored_on_another() -> None:
    bench = Bench()
    bench.open(ONE)
    bench.run(1.0)
    chain = bench.engine.chain
    assert chain is not None
    kept = chain.save_state()
    bench.open(CHAIN)
    bench.run(0.1)
    assert bench.engine.chain is not None
    assert "Before and after: bus" in bench.engine.chain.restore_state(kept)

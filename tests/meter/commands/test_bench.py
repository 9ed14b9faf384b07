"""The bench: what it measures, and on what. How fast this machine is, no test says."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest

from dsp.lowend.low_part import LowPart
from meter.audio.file import open_blocks
from meter.commands import bench, process_cost
from meter.plugin.host import Plugin, discover, usable


def plugin(meter_id: str) -> Plugin:
    return next(found for found in usable(discover()) if found.id == meter_id)


def test_the_parts_are_a_mix_of_themselves_and_the_same_each_time() -> None:
    loop = bench.low_parts()
    assert loop.shape == (4 * bench.RATE_HZ, 32)
    assert np.abs(loop).max() < 1.0
    np.testing.assert_allclose(loop[:, 0], loop[:, 2:].sum(axis=1))
    np.testing.assert_array_equal(loop[:, 0], loop[:, 1])
    np.testing.assert_array_equal(loop, bench.low_parts())


def test_the_parts_give_the_low_end_something_to_do() -> None:
    """Drums and notes, and nothing that cannot be told: else the bench would measure an idle ledger."""
    loop = bench.low_parts()
    kinds = []
    for column in loop.T[2:]:
        part = LowPart(bench.RATE_HZ, 1)
        part.push(np.tile(column, 3)[:, None])
        kinds.append(part.sound().lowest_note().kind)
    assert kinds.count("drum") >= 3
    assert kinds.count("pitched") >= 15
    assert "" not in kinds


def test_the_low_end_is_a_share_of_the_time_on_the_audio_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six stretches of four seconds that take 1, 2, … 6 s: the median is 3.5 s, 87.5 %."""
    took = iter([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    monkeypatch.setattr(bench, "cpu_seconds", lambda _work: next(took))
    monkeypatch.setattr(bench, "WARM_UP_LOOPS", 0)
    found = bench.bench_low_end([plugin("channels")])
    assert found["low_end_32_channels_core_percent"] == pytest.approx(87.5)
    assert found["low_end_32_channels_core_percent_spread"] == pytest.approx(
        {"median": 87.5, "least": 25.0, "most": 150.0}
    )


def test_every_live_figure_has_a_row() -> None:
    cost = {"median": 18.6, "least": 18.2, "most": 20.0}
    live = {f"{name}_core_percent_spread": cost for name in bench.LIVE_ROWS}
    whole = {"material_seconds": 10, "cpu_seconds_per_hour": {}, "missing": {}}
    text = bench.as_text({"live": {"tick_microseconds": {}, **live}, "whole_file": whole})
    assert "all meters, a mix and 30 mono parts: 18.6 % of one core (18.2 to 20.0)" in text
    assert len([line for line in text.splitlines() if "of one core" in line]) == len(live) == 3


def test_the_peer_is_a_ratio_of_the_same_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """500 ticks of 20 us are 10 ms for us; the peer takes 8 ms: 1.25 times."""
    monkeypatch.setattr(bench, "live_pass", lambda *_: 20e-6)
    monkeypatch.setattr(bench, "cpu_seconds", lambda _work: 8e-3)
    monkeypatch.setattr(bench.ebur128, "available", lambda: True)
    found = bench.bench_live_peer([], np.zeros((500 * bench.TICK_FRAMES, 2)))
    assert found["default_page_times_libebur128"] == pytest.approx(1.25)
    monkeypatch.setattr(bench.ebur128, "available", lambda: False)
    assert bench.bench_live_peer([], np.zeros((0, 2))) == {}


def test_processes_are_shares_or_a_sentence() -> None:
    cost = {"engine_core_percent": 9.04, "window_core_percent": 15.0}
    row = bench.process_row("stereo", cost)
    assert row == "the demo, stereo, default page: engine process 9.0 %, window process 15.0 % of one core"
    assert bench.process_row("nine_parts", "It failed.") == "a mix and 9 mono parts, low-end page: It failed."


def test_parts_become_a_file_and_a_map_that_a_source_takes(tmp_path: Path) -> None:
    case = bench.parts_case(bench.low_parts()[:, 2:5], tmp_path / "three.wav")
    with open_blocks(Path(case.request.name)) as reader:
        block = reader.read()
    assert case.feeds == {"mix": (0, 1), "part kick": (2,), "part bass": (3,), "part part 3": (4,)}
    assert block.shape[1] == 5
    np.testing.assert_allclose(block[:, 0], block[:, 2:].sum(axis=1), atol=1e-5)


def test_the_processor_time_of_this_process_grows() -> None:
    before = process_cost.process_clock(os.getpid())
    assert before is not None, "psutil is one of the tests' libraries"
    until = time.process_time() + 0.05
    while time.process_time() < until:
        pass
    after = process_cost.process_clock(os.getpid())
    assert after is not None
    assert after - before >= 0.03

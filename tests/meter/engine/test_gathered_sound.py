"""A meter that takes its sound in longer pieces: fewer calls, the same figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.plugin.host import discover, usable
from meter.plugin.manifest import ManifestError, read_manifest
from meter.readings import Frame
from tests.support.plugins import write_meter

RATE = 48_000
COUNT_CALLS = "self.total += 1000000 + len(block)"
"""Millions are calls, the rest are frames."""


def chain_of(folder: Path, every_seconds: float, process: str = COUNT_CALLS) -> tuple[Chain, GuardedMeter]:
    write_meter(folder, "slow", process, every_seconds=every_seconds)
    meters = [GuardedMeter(plugin) for plugin in discover([folder], installed=False)]
    return Chain(meters, RATE, 1, {"mix": (0,)}), meters[0]


def calls_and_frames(chain: Chain, *, live: bool) -> tuple[int, int]:
    values = chain.read_live() if live else chain.read()
    return divmod(int(Frame(chain.layout, values).number("slow.total")), 1_000_000)


def play(chain: Chain, *blocks: int) -> None:
    for frames in blocks:
        chain.process(np.ones((frames, 1)))


def test_blocks_are_joined_until_there_is_enough(tmp_path: Path) -> None:
    chain, _ = chain_of(tmp_path, 0.1)
    play(chain, *[960] * 12)
    assert calls_and_frames(chain, live=True) == (2, 9600)
    assert calls_and_frames(chain, live=False) == (3, 12 * 960)


def test_a_block_that_does_not_fit_comes_after_what_is_kept(tmp_path: Path) -> None:
    chain, _ = chain_of(tmp_path, 0.01, "self.total = self.total * 10 + len(block)")
    play(chain, 400, 100, 480, 481)
    assert Frame(chain.layout, chain.read_live()).number("slow.total") == ((400 * 10 + 100) * 10 + 480) * 10 + 481


def test_without_every_seconds_each_block_is_a_call(tmp_path: Path) -> None:
    chain, _ = chain_of(tmp_path, 0.0)
    play(chain, 960, 1, 960)
    assert calls_and_frames(chain, live=True) == (3, 1921)


def test_it_cannot_change_the_sound_that_others_hear(tmp_path: Path) -> None:
    chain, _ = chain_of(tmp_path, 0.01, "block *= 0")
    play(chain, 480)
    assert "read-only" in chain.faults["slow"]


@pytest.mark.parametrize("event", ["skip", "mark", "save_state", "configure"])
def test_what_is_kept_is_measured_before_anything_happens(tmp_path: Path, event: str) -> None:
    chain, meter = chain_of(tmp_path, 0.1)
    play(chain, 100)
    {
        "skip": lambda: chain.skip(7),
        "mark": chain.mark,
        "save_state": chain.save_state,
        "configure": lambda: meter.configure({}),
    }[event]()
    play(chain, 4800)
    assert calls_and_frames(chain, live=True) == (2, 4900)


def test_nothing_from_before_a_reset_is_measured_after_it(tmp_path: Path) -> None:
    chain, _ = chain_of(tmp_path, 0.1)
    play(chain, 100)
    chain.reset()
    assert calls_and_frames(chain, live=False) == (0, 0)


def test_what_sounded_before_counting_was_suspended_counts(tmp_path: Path) -> None:
    chain, meter = chain_of(tmp_path, 0.1)
    play(chain, 100)
    meter.suspended = True
    play(chain, 200)
    meter.suspended = False
    play(chain, 400)
    assert calls_and_frames(chain, live=False) == (2, 500)


@pytest.mark.parametrize("seconds", ["-0.1", "0.6", '"often"'])
def test_another_length_is_refused_with_its_line(tmp_path: Path, seconds: str) -> None:
    write_meter(tmp_path, "slow")
    manifest = tmp_path / "manifest.toml"
    text = manifest.read_text(encoding="utf-8").replace("every_seconds = 0.0", f"every_seconds = {seconds}")
    manifest.write_text(text, encoding="utf-8")
    with pytest.raises(ManifestError, match=r"manifest\.toml, line 7: .*"):
        read_manifest(manifest)


def test_ours_read_the_same_in_live_blocks_as_in_one() -> None:
    times = np.arange(5 * RATE) / RATE
    left = tone(220.0, -10.0, 5.0, RATE)[:, 0] * (1.0 + 0.5 * np.sin(2.0 * np.pi * 1.3 * times))
    sound = np.stack([left, np.roll(left, 37)], axis=1)
    chains = [Chain([GuardedMeter(plugin) for plugin in usable(discover())], RATE, 2, {"mix": (0, 1)}) for _ in "ab"]
    for start in range(0, len(sound), 960):
        chains[0].process(sound[start : start + 960])
        chains[0].read_live()
    chains[1].process(sound)
    live, whole = chains[0].read(), chains[1].read()
    np.testing.assert_allclose(live, whole, rtol=1e-6, atol=1e-5)

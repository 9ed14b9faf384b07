"""Measure what each meter costs here, and whole-file speed beside reference libraries where present."""

from __future__ import annotations

import argparse
import importlib.resources
import json
import time
import tomllib
from collections.abc import Callable, Sequence
from statistics import median
from typing import Any

import numpy as np

from dsp.types import TICKS_PER_SECOND, FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.feeds import whole_mix
from meter.plugin.host import Plugin, discover, usable
from meter.references.peers import PEERS

RATE_HZ = 48_000
CHANNEL_COUNTS = (1, 2, 6, 32)
PASSES = 5
LIVE_SECONDS = 5
FILE_SECONDS = 120
FILE_BLOCK_SECONDS = 5
SEED = 4242
TICK_FRAMES = RATE_HZ // TICKS_PER_SECOND


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The form of the answer, and how much sound to measure over."""
    parser.add_argument("--json", action="store_true", help="one object")
    parser.add_argument(
        "--seconds", type=int, default=FILE_SECONDS, help=f"length of the file (default {FILE_SECONDS})"
    )


def run(arguments: argparse.Namespace) -> int:
    """Measure and print; always 0: a bench reports, it does not judge."""
    plugins = usable(discover())
    report = {
        "live": bench_live(plugins),
        "whole_file": bench_whole_file(plugins, max(10, arguments.seconds)),
    }
    print(json.dumps(report, indent=None) if arguments.json else as_text(report))
    return 0


def material(seconds: int, channels: int) -> FloatArray:
    """Music-like noise: pink, in sections of different level with a pulse; seeded."""
    random = np.random.default_rng(SEED)
    frames = seconds * RATE_HZ
    spectrum = np.fft.rfft(random.standard_normal((frames, channels)), axis=0)
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(frames, 1 / RATE_HZ), 10.0))[:, None]
    noise = np.fft.irfft(spectrum, frames, axis=0)
    noise *= 0.12 / np.sqrt(np.mean(noise**2))
    time_s = np.arange(frames) / RATE_HZ
    pulse = 0.4 + 0.6 * np.exp(-6.0 * (time_s % 0.5))
    sections = 10 ** (random.uniform(-18.0, 0.0, seconds // 5 + 1) / 20)[(time_s // 5).astype(int)]
    return np.asarray(np.clip(noise * (pulse * sections)[:, None], -1.0, 1.0))


def spread(values: Sequence[float]) -> dict[str, float]:
    """Median with least and most of several passes."""
    return {"median": median(values), "least": min(values), "most": max(values)}


def cpu_seconds(work: Callable[[], object]) -> float:
    """Processor time of this process for one call."""
    before = time.process_time()
    work()
    return time.process_time() - before


def bench_live(plugins: Sequence[Plugin]) -> dict[str, Any]:
    """Microseconds per tick of each meter by channel count, and the whole page as per cent of one core."""
    costs: dict[str, dict[str, dict[str, float]]] = {}
    for channels in CHANNEL_COUNTS:
        sound = material(LIVE_SECONDS, channels)
        for plugin in plugins:
            each = [live_pass([plugin], sound, channels) for _ in range(PASSES)]
            costs.setdefault(plugin.id, {})[str(channels)] = spread([seconds * 1e6 for seconds in each])
    stereo = material(LIVE_SECONDS, 2)
    shown = [plugin for plugin in plugins if plugin.id in meters_of_first_page()]
    page, every = (
        [live_pass(some, stereo, 2) * TICKS_PER_SECOND * 100.0 for _ in range(PASSES)] for some in (shown, plugins)
    )
    return {
        "tick_microseconds": costs,
        "default_page_core_percent": median(page),
        "default_page_core_percent_spread": spread(page),
        "all_meters_core_percent": median(every),
        "all_meters_core_percent_spread": spread(every),
    }


def meters_of_first_page() -> set[str]:
    """Ids of the meters that the page named ``page`` gives a place."""
    layout = importlib.resources.files("presets").joinpath("pages", "page.toml").read_text(encoding="utf-8")
    return {place["meter"] for place in tomllib.loads(layout)["place"]}


def live_pass(plugins: Sequence[Plugin], sound: FloatArray, channels: int) -> float:
    """Processor seconds per tick, readings taken at every tick as the engine does."""
    chain = Chain([GuardedMeter(plugin) for plugin in plugins], RATE_HZ, channels, whole_mix(channels))

    def work() -> None:
        for start in range(0, len(sound), TICK_FRAMES):
            chain.process(sound[start : start + TICK_FRAMES])
            chain.read()

    return cpu_seconds(work) / (len(sound) / TICK_FRAMES)


def bench_whole_file(plugins: Sequence[Plugin], seconds: int) -> dict[str, Any]:
    """Loudness, range and true peak of a whole stereo file: ours, and each peer on the same samples in turn."""
    sound = material(seconds, 2)
    # Each gets the sample format it works in, made before the clock runs.
    theirs = sound.astype(np.float32)
    wanted = [plugin for plugin in plugins if plugin.id in ("loudness", "peaks")]
    peers = [peer for peer in PEERS if not peer.missing()]
    times: dict[str, list[float]] = {"earwitness": [], **{peer.name: [] for peer in peers}}
    # Turn by turn, so that whatever else this machine does falls on all alike.
    for _ in range(PASSES):
        times["earwitness"].append(cpu_seconds(lambda: file_pass(wanted, sound)))
        for peer in peers:
            times[peer.name].append(cpu_seconds(lambda peer=peer: peer.measure(theirs, RATE_HZ)))  # type: ignore[misc]
    per_hour = 3600.0 / seconds
    return {
        "material_seconds": seconds,
        "cpu_seconds_per_hour": {name: spread([t * per_hour for t in each]) for name, each in times.items()},
        **{f"ratio_to_{peer.name}": ratio(times[peer.name], times["earwitness"]) for peer in peers},
        "missing": {peer.name: peer.missing() for peer in PEERS if peer.missing()},
    }


def file_pass(plugins: Sequence[Plugin], sound: FloatArray) -> None:
    """One whole-file measurement in blocks, as ``measure`` does it."""
    chain = Chain([GuardedMeter(plugin) for plugin in plugins], RATE_HZ, 2, whole_mix(2))
    for start in range(0, len(sound), FILE_BLOCK_SECONDS * RATE_HZ):
        chain.process(sound[start : start + FILE_BLOCK_SECONDS * RATE_HZ])
    chain.read()


def ratio(theirs: Sequence[float], ours: Sequence[float]) -> float:
    """How many times as fast we are: medians of the same run."""
    return median(theirs) / median(ours)


def as_text(report: dict[str, Any]) -> str:
    """The report for people."""
    live, whole = report["live"], report["whole_file"]
    lines = [f"{'per 10 ms tick, microseconds':32}" + "".join(f"{count:>9} ch" for count in CHANNEL_COUNTS)]
    for meter, costs in live["tick_microseconds"].items():
        lines.append(f"{meter:32}" + "".join(f"{costs[str(count)]['median']:12.0f}" for count in CHANNEL_COUNTS))
    for name, words in (("default_page", "meters of the default page"), ("all_meters", "all meters")):
        cost = live[f"{name}_core_percent_spread"]
        lines.append(
            f"{words}, stereo: {cost['median']:.1f} % of one core ({cost['least']:.1f} to {cost['most']:.1f})"
        )
    lines.append(f"whole file of {whole['material_seconds']} s, loudness with range and true peak:")
    for name, cost in whole["cpu_seconds_per_hour"].items():
        lines.append(
            f"  {name:16} {cost['median']:7.2f} s per hour of sound ({cost['least']:.2f} to {cost['most']:.2f})"
        )
    lines += [f"  {key.replace('_', ' ')}: {value:.1f}" for key, value in whole.items() if key.startswith("ratio_to")]
    lines += [f"  {name}: {sentence}" for name, sentence in whole["missing"].items()]
    return "\n".join(lines)

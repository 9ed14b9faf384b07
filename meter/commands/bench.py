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

from dsp.core.types import TICKS_PER_SECOND, FloatArray
from meter.commands.errors import CommandError
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.feeds import MIX, whole_mix
from meter.plugin.host import Plugin, discover, usable
from meter.references.peers import PEERS

RATE_HZ = 48_000
CHANNEL_COUNTS = (1, 2, 6, 32)
PASSES = 5
LIVE_SECONDS = 5
FILE_SECONDS = 120
FILE_BLOCK_SECONDS = 5
SHORTEST_SECONDS, LONGEST_SECONDS = 10, 3600
SEED = 4242
TICK_FRAMES = RATE_HZ // TICKS_PER_SECOND
LOW_PARTS = 30
BEAT_SECONDS, LOOP_BEATS = 0.5, 8
WARM_UP_LOOPS, LOOPS_MEASURED = 4, 6
"""The low end is looked back on for a while before the clock runs: what it finds is work, too."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The form of the answer, and how much sound to measure over."""
    parser.add_argument("--json", action="store_true", help="one object")
    parser.add_argument(
        "--seconds",
        type=int,
        default=FILE_SECONDS,
        help=f"length of the file, {SHORTEST_SECONDS} to {LONGEST_SECONDS} (default {FILE_SECONDS})",
    )


def run(arguments: argparse.Namespace) -> int:
    """Measure and print; always 0: a bench reports, it does not judge."""
    if not SHORTEST_SECONDS <= arguments.seconds <= LONGEST_SECONDS:
        raise CommandError(f"--seconds takes {SHORTEST_SECONDS} to {LONGEST_SECONDS}, not {arguments.seconds}.")
    plugins = usable(discover())
    report = {
        "live": bench_live(plugins),
        "whole_file": bench_whole_file(plugins, arguments.seconds),
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


def low_parts() -> FloatArray:
    """A loop of parts and, in its first two channels, their mix: struck and held notes on a beat; seeded."""
    random = np.random.default_rng(SEED)
    beat = np.arange(round(BEAT_SECONDS * RATE_HZ)) / RATE_HZ
    parts = 3e-4 * random.standard_normal((LOOP_BEATS * len(beat), LOW_PARTS))
    for part in range(LOW_PARTS):
        lowest_hz, fall = random.uniform(40.0, 220.0), random.choice([12.0, 3.0, 0.5])
        # Drums stay on one note, the others move.
        steps = np.zeros(LOOP_BEATS) if fall > 10.0 else random.integers(0, 8, LOOP_BEATS)
        notes = [struck(lowest_hz * 2.0 ** (step / 12.0), fall, beat) for step in steps]
        parts[:, part] += random.uniform(0.01, 0.08) * np.concatenate(notes)
    mix = parts.sum(axis=1)
    return np.column_stack([mix, mix, parts])


def struck(hertz: float, fall: float, time_s: FloatArray) -> FloatArray:
    """A note of four partials that falls by ``exp(-fall * t)``, and is over at the end of its time."""
    partials = sum(np.sin(2.0 * np.pi * hertz * number * time_s) / number for number in range(1, 5))
    edges = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / 0.005)
    return np.asarray(partials * edges * np.exp(-fall * time_s))


def bench_low_end(plugins: Sequence[Plugin]) -> dict[str, Any]:
    """Every meter on a mix and its mono parts, the low-end ledger among them: per cent of one core, live."""
    loop = low_parts()
    feeds = {MIX: (0, 1)} | {f"part {number + 1}": (number + 2,) for number in range(LOW_PARTS)}
    chain = Chain([GuardedMeter(plugin) for plugin in plugins], RATE_HZ, loop.shape[1], feeds)
    for _ in range(WARM_UP_LOOPS):
        run_live(chain, loop)
    seconds = len(loop) / RATE_HZ
    shares = [cpu_seconds(lambda: run_live(chain, loop)) / seconds * 100.0 for _ in range(LOOPS_MEASURED)]
    name = f"low_end_{loop.shape[1]}_channels_core_percent"
    return {name: median(shares), f"{name}_spread": spread(shares)}


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
        **bench_low_end(plugins),
    }


def meters_of_first_page() -> set[str]:
    """Ids of the meters that the page named ``page`` gives a place."""
    layout = importlib.resources.files("presets").joinpath("pages", "page.toml").read_text(encoding="utf-8")
    return {place["meter"] for place in tomllib.loads(layout)["place"]}


def live_pass(plugins: Sequence[Plugin], sound: FloatArray, channels: int) -> float:
    """Processor seconds per tick, readings taken at every tick as the engine does."""
    chain = Chain([GuardedMeter(plugin) for plugin in plugins], RATE_HZ, channels, whole_mix(channels))
    return cpu_seconds(lambda: run_live(chain, sound)) / (len(sound) / TICK_FRAMES)


def run_live(chain: Chain, sound: FloatArray) -> None:
    """Tick by tick, all readings taken at every one."""
    for start in range(0, len(sound), TICK_FRAMES):
        chain.process(sound[start : start + TICK_FRAMES])
        chain.read()


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


LIVE_ROWS = {
    "default_page": "meters of the default page, stereo",
    "all_meters": "all meters, stereo",
    f"low_end_{LOW_PARTS + 2}_channels": f"all meters, a mix and {LOW_PARTS} mono parts",
}


def as_text(report: dict[str, Any]) -> str:
    """The report for people."""
    live, whole = report["live"], report["whole_file"]
    lines = [f"{'per 10 ms tick, microseconds':32}" + "".join(f"{count:>9} ch" for count in CHANNEL_COUNTS)]
    for meter, costs in live["tick_microseconds"].items():
        lines.append(f"{meter:32}" + "".join(f"{costs[str(count)]['median']:12.0f}" for count in CHANNEL_COUNTS))
    for name, words in LIVE_ROWS.items():
        cost = live[f"{name}_core_percent_spread"]
        lines.append(f"{words}: {cost['median']:.1f} % of one core ({cost['least']:.1f} to {cost['most']:.1f})")
    lines.append(f"whole file of {whole['material_seconds']} s, loudness with range and true peak:")
    for name, cost in whole["cpu_seconds_per_hour"].items():
        lines.append(
            f"  {name:16} {cost['median']:7.2f} s per hour of sound ({cost['least']:.2f} to {cost['most']:.2f})"
        )
    lines += [f"  {key.replace('_', ' ')}: {value:.1f}" for key, value in whole.items() if key.startswith("ratio_to")]
    lines += [f"  {name}: {sentence}" for name, sentence in whole["missing"].items()]
    return "\n".join(lines)

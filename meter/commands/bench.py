"""Report what each meter and each process costs here, and speed beside reference libraries where present."""

from __future__ import annotations

import argparse
import importlib.resources
import json
import tempfile
import time
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from dsp.core.types import TICKS_PER_SECOND, FloatArray
from meter.audio.source import SourceRequest
from meter.commands.errors import CommandError
from meter.commands.process_cost import LiveCase, measured_live
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.feeds import MIX, whole_mix
from meter.plugin.host import Plugin, discover, usable
from meter.readings import PART_PREFIX
from meter.references import ebur128
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
"""Sound before the measured stretch, so that the low end has parts to account for."""
LIVE_PEER = "libebur128"
PEER_READS_EACH = 10
"""Calls of one tick between two readings of the peer's momentary and short-term loudness: 10 Hz."""
PARTS_SHOWN = 9


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The form of the answer, and how much sound to measure over."""
    parser.add_argument("--json", action="store_true", help="one object")
    parser.add_argument(
        "--seconds",
        type=int,
        default=FILE_SECONDS,
        help=f"length of the file, {SHORTEST_SECONDS} to {LONGEST_SECONDS} (default {FILE_SECONDS})",
    )
    parser.add_argument("--no-processes", action="store_true", help="leave out the live processes (two minutes)")


def run(arguments: argparse.Namespace) -> int:
    """Measure and print; always 0: a bench reports, it does not judge."""
    if not SHORTEST_SECONDS <= arguments.seconds <= LONGEST_SECONDS:
        raise CommandError(f"--seconds takes {SHORTEST_SECONDS} to {LONGEST_SECONDS}, not {arguments.seconds}.")
    plugins = usable(discover())
    report = {
        "live": bench_live(plugins),
        "whole_file": bench_whole_file(plugins, arguments.seconds),
        "processes": {} if arguments.no_processes else bench_processes(),
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
    """Processor seconds of this process for one call."""
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
    """A note of four partials that falls by ``exp(-fall * t)`` and is faded out at the end of its time."""
    partials = sum(np.sin(2.0 * np.pi * hertz * number * time_s) / number for number in range(1, 5))
    edges = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / 0.005)
    return np.asarray(partials * edges * np.exp(-fall * time_s))


def bench_low_end(plugins: Sequence[Plugin]) -> dict[str, Any]:
    """Every meter on a mix and its mono parts: per cent of one core, live; studies are in ``bench_processes``."""
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
        **bench_live_peer(shown, stereo),
        **bench_low_end(plugins),
    }


def bench_live_peer(shown: Sequence[Plugin], stereo: FloatArray) -> dict[str, Any]:
    """Processor time of the default page's meters over that of libebur128 fed the same 480 frames a call.

    Ours are read at every call, the peer's loudness at 10 Hz. Empty where the library is missing.
    """
    if not ebur128.available():
        return {}
    theirs = stereo.astype(np.float32)
    pairs = [
        (live_pass(shown, stereo, 2) * len(stereo) / TICK_FRAMES, cpu_seconds(lambda: peer_pass(theirs)))
        for _ in range(PASSES)
    ]
    ours, peer = zip(*pairs, strict=True)
    name = f"default_page_times_{LIVE_PEER}"
    return {name: median(ours) / median(peer), f"{name}_spread": spread([own / its for own, its in pairs])}


def peer_pass(sound: NDArray[np.float32]) -> None:
    """libebur128 with every measure it has, a tick at a time."""
    with ebur128.Ebur128(sound.shape[1], RATE_HZ) as state:
        for number, start in enumerate(range(0, len(sound), TICK_FRAMES)):
            state.push(sound[start : start + TICK_FRAMES])
            if number % PEER_READS_EACH == 0:
                _ = state.momentary, state.short_term
        _ = state.integrated, state.loudness_range, state.true_peak


def bench_processes() -> dict[str, Any]:
    """Per cent of one core of the whole engine and window processes, live, for three sources; or a sentence each."""
    loop = low_parts()
    with tempfile.TemporaryDirectory(prefix="earwitness-bench-") as folder:
        cases = {
            "stereo": LiveCase(SourceRequest("demo"), "page"),
            "nine_parts": parts_case(loop[:, 2 : 2 + PARTS_SHOWN], Path(folder) / "nine.wav"),
            f"channels_{LOW_PARTS + 2}": parts_case(loop[:, 2:], Path(folder) / "many.wav"),
        }
        return {name: measured_live(case) for name, case in cases.items()}


def parts_case(parts: FloatArray, path: Path) -> LiveCase:
    """Mono parts and their mix as a file that plays in a loop, the first two a kick and a bass."""
    mix = parts.sum(axis=1)
    sound = np.column_stack([mix, mix, parts])
    soundfile.write(path, sound * (0.9 / np.abs(sound).max()), RATE_HZ, subtype="FLOAT")
    names = ["kick", "bass", *(f"part {number}" for number in range(3, parts.shape[1] + 1))]
    feeds = {MIX: (0, 1)} | {f"{PART_PREFIX}{name}": (2 + number,) for number, name in enumerate(names)}
    return LiveCase(SourceRequest("file", str(path), {"loop": True}), "low_end", feeds)


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
    wanted = [plugin for plugin in plugins if measures(plugin, "LUFS") or measures(plugin, "dBTP")]
    peers = [peer for peer in PEERS if not peer.missing()]
    times: dict[str, list[float]] = {"earwitness": [], **{peer.name: [] for peer in peers}}
    # In turn, so that other work of this machine slows all alike.
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


def measures(plugin: Plugin, unit: str) -> bool:
    """True for a meter with a reading in this unit in its summary."""
    return plugin.manifest is not None and any(item.summary and item.unit == unit for item in plugin.manifest.fields)


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


PROCESS_ROWS = {
    "stereo": "the demo, stereo, default page",
    "nine_parts": f"a mix and {PARTS_SHOWN} mono parts, low-end page",
    f"channels_{LOW_PARTS + 2}": f"a mix and {LOW_PARTS} mono parts, low-end page",
}


def process_row(name: str, cost: dict[str, float] | str) -> str:
    """One line for a live case: both processes, or why there is no figure."""
    if isinstance(cost, str):
        return f"{PROCESS_ROWS[name]}: {cost}"
    engine, window = cost["engine_core_percent"], cost["window_core_percent"]
    return f"{PROCESS_ROWS[name]}: engine process {engine:.1f} %, window process {window:.1f} % of one core"


def as_text(report: dict[str, Any]) -> str:
    """The report for people."""
    live, whole = report["live"], report["whole_file"]
    lines = [f"{'per 10 ms tick, microseconds':32}" + "".join(f"{count:>9} ch" for count in CHANNEL_COUNTS)]
    for meter, costs in live["tick_microseconds"].items():
        lines.append(f"{meter:32}" + "".join(f"{costs[str(count)]['median']:12.0f}" for count in CHANNEL_COUNTS))
    for name, words in LIVE_ROWS.items():
        cost = live[f"{name}_core_percent_spread"]
        lines.append(f"{words}: {cost['median']:.1f} % of one core ({cost['least']:.1f} to {cost['most']:.1f})")
    if cost := live.get(f"default_page_times_{LIVE_PEER}_spread"):
        times = f"{cost['median']:.2f} times {LIVE_PEER} ({cost['least']:.2f} to {cost['most']:.2f})"
        lines.append(f"{LIVE_ROWS['default_page']}, {TICK_FRAMES} frames a call: {times}")
    lines += [process_row(name, cost) for name, cost in report.get("processes", {}).items()]
    lines.append(f"whole file of {whole['material_seconds']} s, loudness with range and true peak:")
    for name, cost in whole["cpu_seconds_per_hour"].items():
        lines.append(
            f"  {name:16} {cost['median']:7.2f} s per hour of sound ({cost['least']:.2f} to {cost['most']:.2f})"
        )
    lines += [f"  {key.replace('_', ' ')}: {value:.1f}" for key, value in whole.items() if key.startswith("ratio_to")]
    lines += [f"  {name}: {sentence}" for name, sentence in whole["missing"].items()]
    return "\n".join(lines)

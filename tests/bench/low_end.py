"""What 32 channels with the live low end cost: the chain in ticks of 10 ms, and its page. Reports, does not judge.

    python -m tests.bench.low_end [seconds] [parts]

Figures are shares of one core: processor time of this process over the time on the audio clock. With 32 parts there
is no mix; with fewer, the first two channels are the mix.
"""

from __future__ import annotations

import os
import sys
import time

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does

import numpy as np

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter, Timing
from meter.plugin.host import discover, usable
from meter.readings import FeedStatus, Frame
from tests.support.low_session import session

RATE_HZ, TICK_FRAMES = 48_000, 480
MOST_CHANNELS = 32
FRAMES_PER_SECOND = 60


def material(seconds: float, parts: int) -> tuple[FloatArray, dict[str, tuple[int, ...]]]:
    """Copies of an invented session at seeded levels, with noise of their own so that no two are alike."""
    random = np.random.default_rng(32)
    alone = session(seconds)[:, 2:7]
    mono = [
        alone[:, part % 5] * random.uniform(0.1, 1.0) + 1e-3 * random.standard_normal(len(alone))
        for part in range(parts)
    ]
    feeds = {f"part {number + 1}": (number,) for number in range(parts)}
    columns = np.column_stack(mono)
    if parts > MOST_CHANNELS - 2:
        return columns, feeds
    mix = columns.sum(axis=1)
    feeds = {"mix": (0, 1)} | {name: (column + 2,) for name, (column,) in feeds.items()}
    return np.column_stack([mix, mix, columns]), feeds


def run_chain(signal: FloatArray, feeds: dict[str, tuple[int, ...]]) -> list[Frame]:
    """Feed everything tick by tick, read as often as the engine does; prints the cost of each meter."""
    meters = [GuardedMeter(plugin, Timing()) for plugin in usable(discover())]
    chain = Chain(meters, RATE_HZ, signal.shape[1], feeds)
    spent = dict.fromkeys(["reading", *(meter.id for meter in chain.meters)], 0.0)
    ticks, frames = [], []
    for start in range(0, len(signal), TICK_FRAMES):
        block = signal[start : start + TICK_FRAMES]
        begin = time.thread_time()
        for meter in chain.meters:
            at = time.thread_time()
            meter.process(block if meter.manifest.feed == "all" else block[:, list(feeds[meter.manifest.feed])])
            spent[meter.id] += time.thread_time() - at
        at = time.thread_time()
        values = chain.read()
        spent["reading"] += time.thread_time() - at
        ticks.append(time.thread_time() - begin)
        if start % (RATE_HZ // 20) < TICK_FRAMES:
            status = FeedStatus("bench", RATE_HZ, signal.shape[1], "running", "", start)
            frames.append(Frame(chain.layout, values.copy(), status))
    seconds = len(signal) / RATE_HZ
    for name, cost in sorted(spent.items(), key=lambda item: -item[1]):
        print(f"{name:12} {cost / seconds:7.2%}")
    low = np.array(ticks) * 1000.0
    print(f"{'all meters':12} {sum(ticks) / seconds:7.2%} of one core")
    usual, high, highest = np.percentile(low, (50, 95, 99))
    print(f"a tick of 10 ms takes {usual:.1f} ms; 95 %: {high:.1f}, 99 %: {highest:.1f}, most {low.max():.1f}")
    print(f"{np.count_nonzero(low > 10.0)} of {len(low)} took longer than they last")
    print(f"set aside: {chain.faults or 'none'}")
    return frames


def run_page(frames: list[Frame]) -> None:
    """Draw the page of the low end as the window would, a snapshot every third frame of the screen."""
    from meter.app import PlayedFrames, make_application, surroundings
    from meter.gui.window import Window
    from meter.settings import Settings, SourceChoice

    application = make_application()
    kept = Settings(theme="dark", cautions_read=True, source=SourceChoice("demo", label="bench"), page="low_end")
    window = Window(PlayedFrames(frames), kept, surroundings(None, [], ""))
    window.resize(1280, 800)
    window.show()
    window.clock.stop()
    begin = time.thread_time()
    for _ in frames:
        window.clock.tick()
        application.processEvents()
    spent = time.thread_time() - begin
    print(f"{'its page':12} {spent / (len(frames) / 20.0):7.2%} of one core at 20 snapshots a second")
    window.close()


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    parts = int(sys.argv[2]) if len(sys.argv) > 2 else MOST_CHANNELS
    signal, feeds = material(seconds, parts)
    run_page(run_chain(signal, feeds))


if __name__ == "__main__":
    main()

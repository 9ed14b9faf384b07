"""ffmpeg's ``ebur128`` filter through PyAV: loudness, range and true peak."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import av
import av.filter
import numpy as np
from numpy.typing import NDArray

FRAME = 4800
LAYOUTS = {1: "mono", 2: "stereo"}
KEYS = {"integrated": "lavfi.r128.I", "range": "lavfi.r128.LRA", "true_peak": "lavfi.r128.true_peak"}


def measure(block: NDArray[np.float32] | NDArray[np.float64], rate_hz: int) -> dict[str, float]:
    """``integrated`` in LUFS, ``range`` in LU and ``true_peak`` linear, of ``(frames, 1 or 2)``."""
    graph = av.filter.Graph()
    layout, time_base = LAYOUTS[block.shape[1]], Fraction(1, rate_hz)
    source = graph.add_abuffer(format="flt", sample_rate=rate_hz, layout=layout, time_base=time_base)
    # framelog=quiet fails in some builds with a misleading message; verbose suppresses the log as well.
    loudness = graph.add("ebur128", "metadata=1:framelog=verbose:peak=true")
    sink = graph.add("abuffersink")
    source.link_to(loudness)
    loudness.link_to(sink)
    graph.configure()
    samples = block.astype(np.float32, copy=False)
    found: dict[str, str] = {}
    for start in range(0, len(samples), FRAME):
        piece = np.ascontiguousarray(samples[start : start + FRAME].reshape(1, -1))
        frame = av.AudioFrame.from_ndarray(piece, format="flt", layout=layout)
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, start, time_base
        source.push(frame)
        found |= _pull(sink)
    source.push(None)
    found |= _pull(sink)
    return {name: float(found[key]) for name, key in KEYS.items()}


def _pull(sink: Any) -> dict[str, str]:
    found: dict[str, str] = {}
    while True:
        try:
            found |= dict(sink.pull().metadata)
        except (av.BlockingIOError, av.EOFError):
            return found

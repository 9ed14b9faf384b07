"""WAVE files written by hand, with any channel mask: RIFF and RF64, 32-bit float."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

EXTENSIBLE, FLOAT = 0xFFFE, 3
FLOAT_GUID = struct.pack("<IHH", FLOAT, 0, 0x10) + bytes.fromhex("800000aa00389b71")
UNKNOWN_SIZE = 0xFFFFFFFF


def write_wave(
    path: Path, samples: NDArray[np.floating], mask: int | None, rate_hz: int = 48_000, *, rf64: bool = False
) -> Path:
    """Write ``(frames, channels)``; ``mask`` None writes a plain format chunk, which has no mask."""
    channels = samples.shape[1]
    data = samples.astype("<f4").tobytes()
    fmt = struct.pack("<HHIIHH", EXTENSIBLE, channels, rate_hz, rate_hz * channels * 4, channels * 4, 32)
    fmt += struct.pack("<HHI", 22, 32, mask or 0) + FLOAT_GUID
    if mask is None:
        fmt = struct.pack("<H", FLOAT) + fmt[2:16]
    # "WAVE", then ds64 where there is one, fmt and data with their heads.
    size = 4 + (36 if rf64 else 0) + 8 + len(fmt) + 8 + len(data)
    sizes = b"ds64" + struct.pack("<IQQQI", 28, size, len(data), len(samples), 0) if rf64 else b""
    head = b"RF64" if rf64 else b"RIFF"
    body = b"WAVE" + sizes + b"fmt " + struct.pack("<I", len(fmt)) + fmt
    body += b"data" + struct.pack("<I", UNKNOWN_SIZE if rf64 else len(data)) + data
    path.write_bytes(head + struct.pack("<I", UNKNOWN_SIZE if rf64 else size) + body)
    return path

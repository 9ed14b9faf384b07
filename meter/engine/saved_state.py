"""What the meters keep since the reset as one string of bytes, and back: a table of contents, then bare numbers.

Nothing in it can do anything: names, versions and array shapes stand in a JSON text, the rest is numbers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meter.plugin.api import SavedState

VERSION = 1
NUMBERS = "biuf"
"""Kinds of numpy types that are plain numbers."""
MOST_NAMES = 1000
LENGTH_BYTES = 8


@dataclass(frozen=True)
class MeterKept:
    """What one meter keeps; only the same version of it may take it back."""

    version: str
    kept: SavedState


@dataclass(frozen=True)
class EngineState:
    """What an engine leaves behind. ``beginning`` counts resets and openings, ``source`` says which source it was.

    ``taken_at`` is in seconds of the machine's monotonic clock; ``counts`` are frames heard, frames lost and gaps.
    """

    beginning: int
    source: str
    taken_at: float
    counts: tuple[int, int, int]
    meters: Mapping[str, MeterKept]


def as_numbers(kept: SavedState) -> dict[str, NDArray[Any]]:
    """Copies of what a meter gave, as plain arrays; raises what turning it into arrays raises, TypeError for others.

    Called under guard: it runs the code of whatever objects the meter gave.
    """
    if len(kept) > MOST_NAMES:
        raise ValueError("too many names")
    arrays = {str(name): np.array(value) for name, value in kept.items()}
    if any(array.dtype.kind not in NUMBERS for array in arrays.values()):
        raise TypeError("not numbers")
    return arrays


def pack(kept: EngineState, most_bytes: int) -> bytes:
    """As bytes; what a meter gave that is no plain data, or does not fit any more, is left out."""
    pieces: list[bytes] = []
    room = most_bytes
    contents: dict[str, Any] = {}
    for meter_id, meter in kept.meters.items():
        try:
            entries, data = _pack_meter(meter.kept, room)
        except Exception:  # turning a stranger's object into an array runs the stranger's code
            continue
        size = sum(map(len, data)) + len(json.dumps({meter_id: [meter.version, entries]}))
        if size <= room:
            room -= size
            contents[meter_id] = [meter.version, entries]
            pieces += data
    text = json.dumps(
        {
            "version": VERSION,
            "beginning": kept.beginning,
            "source": kept.source,
            "taken_at": kept.taken_at,
            "counts": kept.counts,
            "meters": contents,
        }
    ).encode()
    return b"".join([len(text).to_bytes(LENGTH_BYTES, "little"), text, *pieces])


def unpack(data: bytes) -> EngineState:
    """What ``pack`` was given; raises ValueError for anything else."""
    try:
        end = LENGTH_BYTES + int.from_bytes(data[:LENGTH_BYTES], "little")
        text = json.loads(data[LENGTH_BYTES:end])
        if text["version"] != VERSION:
            raise ValueError("another version")
        meters = {}
        for meter_id, (version, entries) in text["meters"].items():
            kept, end = _unpack_meter(data, end, entries)
            meters[meter_id] = MeterKept(str(version), kept)
        frames, lost, gaps = map(int, text["counts"])
        return EngineState(
            int(text["beginning"]), str(text["source"]), float(text["taken_at"]), (frames, lost, gaps), meters
        )
    except (AttributeError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise ValueError(f"not what an engine left behind ({error})") from error


def _pack_meter(kept: SavedState, most_bytes: int) -> tuple[list[list[Any]], list[bytes]]:
    if len(kept) > MOST_NAMES:
        raise ValueError("too many names")
    arrays = {str(name): np.asarray(value) for name, value in kept.items()}
    if any(array.dtype.kind not in NUMBERS for array in arrays.values()):
        raise TypeError("not numbers")
    if sum(array.nbytes for array in arrays.values()) > most_bytes:
        raise ValueError("too large")
    entries = [[name, array.dtype.str, list(array.shape)] for name, array in arrays.items()]
    return entries, [array.tobytes() for array in arrays.values()]


def _unpack_meter(data: bytes, start: int, entries: list[list[Any]]) -> tuple[dict[str, Any], int]:
    kept: dict[str, Any] = {}
    for name, type_name, shape in entries:
        kind = np.dtype(str(type_name))
        if kind.kind not in NUMBERS:
            raise ValueError("not numbers")
        count = int(np.prod(shape, dtype=np.int64))
        array: NDArray[Any] = np.frombuffer(data, kind, count, start) if count else np.empty(0, kind)
        # A copy: what a meter takes back it may write to.
        kept[str(name)] = array.reshape(shape).copy() if shape else array[0].item()
        start += count * kind.itemsize
    return kept, start

"""Readings beside each other: which field differs, and by how much."""

from __future__ import annotations

import numpy as np

from dsp.core.types import FloatArray
from meter.plugin.kit.outcome import CheckFailed
from meter.plugin.kit.played import Readings
from meter.plugin.manifest import Manifest

ABSOLUTE, RELATIVE = 1e-4, 1e-6
"""How far readings of the same sound may differ: by sums in another order, some of them in single precision."""

LEVEL_UNITS = {"LUFS", "LU", "dBFS", "dBTP", "dB", "VU", "dB(A)", "dB(C)", "dBFS(A)", "dBFS(C)"}
ABSOLUTE_LEVELS = LEVEL_UNITS - {"LU", "dB"}
"""Levels against a fixed reference: silence is minus infinity in them."""
LEVEL_DOUBT = 0.5
"""Decibels that a level may move where nothing but the grid of windows has changed."""
INAUDIBLE_DB = -90.0
"""Levels against a fixed reference below this are skirts of a filter or rounding; they count as silence."""
SKIRT_DB = 40.0
"""Levels so far below the highest of the same field are skirts of a filter; their shape may depend on the rate."""


def levels(manifest: Manifest, *, absolute: bool = False) -> list[str]:
    """Keys of the fields that are levels, or of those against a fixed reference."""
    units = ABSOLUTE_LEVELS if absolute else LEVEL_UNITS
    return [item.key for item in manifest.fields if item.unit in units]


def same(first: FloatArray, second: FloatArray) -> bool:
    """Equal within the tolerance, NaN and infinities included."""
    return bool(np.allclose(first, second, RELATIVE, ABSOLUTE, equal_nan=True))


def expect_same(expected: Readings, found: Readings, when: str) -> None:
    """Raise CheckFailed with the first field that differs; ``when`` ends the sentence."""
    for key, value in expected.items():
        if not same(value, found[key]):
            one, other = first_difference(value, found[key])
            raise CheckFailed(f"The field “{key}” reads {shown(other)} instead of {shown(one)} {when}.")


def same_level(first: float, second: float) -> bool:
    """Two levels within ``LEVEL_DOUBT``, or both silent, or both without a value."""
    if np.isnan(first) or np.isnan(second):
        return bool(np.isnan(first) and np.isnan(second))
    return first == second or abs(first - second) <= LEVEL_DOUBT


def first_difference(first: FloatArray, second: FloatArray) -> tuple[float, float]:
    """The first pair of values that differ."""
    at = int(np.flatnonzero(~np.isclose(first, second, RELATIVE, ABSOLUTE, equal_nan=True))[0])
    return float(first[at]), float(second[at])


def shown(value: float) -> str:
    """A value in a sentence."""
    return "“not yet”" if np.isnan(value) else f"{value:.6g}"


def finite(readings: Readings) -> set[str]:
    """Fields with a number in them."""
    return {key for key, value in readings.items() if np.isfinite(value).any()}

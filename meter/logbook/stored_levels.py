"""The stored form of a minute of levels: 60 whole numbers of 0.01 dB(A), one for each second.

0 means that the second was not recorded; 1 means silence or a level below 0.01 dB(A).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dsp.exposure.exposure import SECONDS_PER_HOUR, Rule, permissible_hours

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.uint16]

SECONDS_PER_MINUTE = 60
CODES_PER_DB = 100
NOT_HEARD = 0
SILENT = 1
MOST_CODE = 65_535

STORED = np.dtype("<u2")
"""Little-endian on disk, whatever the machine."""


def encode(level_dba: float) -> int:
    """The code of a level in dB(A); minus infinity is silence, NaN is "not heard"."""
    if math.isnan(level_dba):
        return NOT_HEARD
    hundredths = min(max(level_dba * CODES_PER_DB, SILENT), MOST_CODE)
    return round(hundredths)


def decode(codes: CodeArray) -> FloatArray:
    """Levels in dB(A) of codes; NaN where nothing was heard, minus infinity for silence."""
    levels = codes.astype(np.float64) / CODES_PER_DB
    levels[codes == NOT_HEARD] = np.nan
    levels[codes == SILENT] = -np.inf
    return levels


def empty_minute() -> CodeArray:
    """60 seconds, none of them recorded."""
    return np.zeros(SECONDS_PER_MINUTE, dtype=np.uint16)


def to_blob(codes: CodeArray) -> bytes:
    """60 codes as they are stored."""
    return codes.astype(STORED).tobytes()


def from_blob(blob: bytes) -> CodeArray:
    """A stored minute as 60 codes; raises ValueError for a blob of another size."""
    codes = np.frombuffer(blob, dtype=STORED)
    if len(codes) != SECONDS_PER_MINUTE:
        raise ValueError("A stored minute does not hold 60 levels.")
    return codes.astype(np.uint16, copy=False)


@lru_cache(maxsize=16)
def share_per_second(rule: Rule) -> FloatArray:
    """Per cent of the rule's allowance that one second at each code uses up; index with codes."""
    levels = np.arange(MOST_CODE + 1) / CODES_PER_DB
    with np.errstate(divide="ignore"):  # with a small exchange rate the allowed time at high levels rounds to 0
        shares = 100.0 / (permissible_hours(levels, rule) * SECONDS_PER_HOUR)
    shares[[NOT_HEARD, SILENT]] = 0.0
    shares.flags.writeable = False
    return shares

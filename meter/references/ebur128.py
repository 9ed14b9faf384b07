"""libebur128 (a reference library in C, system package) through ctypes, for tests and bench.

``available()`` is True when the library is on this machine.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

MOMENTARY = 1
SHORT_TERM = 2 | MOMENTARY
INTEGRATED = 4 | MOMENTARY
RANGE = 8 | SHORT_TERM
SAMPLE_PEAK = 16 | MOMENTARY
TRUE_PEAK = 32 | SAMPLE_PEAK
HISTOGRAM = 64
EVERYTHING = INTEGRATED | RANGE | TRUE_PEAK

ROLE_CODES = {"L": 1, "R": 2, "C": 3, "LFE": 0, "Ls": 4, "Rs": 5, "M": 1}
"""``enum channel`` of the library's header; 0 is "unused", the value for LFE."""

_POINTER = ctypes.c_void_p
_SOURCE_TYPES = {np.dtype(np.float32): ("ebur128_add_frames_float", ctypes.c_float),
                 np.dtype(np.float64): ("ebur128_add_frames_double", ctypes.c_double)}  # fmt: skip


def _load() -> ctypes.CDLL | None:
    name = ctypes.util.find_library("ebur128")
    if name is None:
        return None
    library = ctypes.CDLL(name)
    library.ebur128_init.restype = _POINTER
    library.ebur128_init.argtypes = [ctypes.c_uint, ctypes.c_ulong, ctypes.c_int]
    library.ebur128_destroy.argtypes = [ctypes.POINTER(_POINTER)]
    library.ebur128_set_channel.argtypes = [_POINTER, ctypes.c_uint, ctypes.c_int]
    for function, kind in _SOURCE_TYPES.values():
        getattr(library, function).argtypes = [_POINTER, ctypes.POINTER(kind), ctypes.c_size_t]
    reading = ctypes.POINTER(ctypes.c_double)
    for name in ("loudness_momentary", "loudness_shortterm", "loudness_global", "loudness_range"):
        getattr(library, f"ebur128_{name}").argtypes = [_POINTER, reading]
    for name in ("true_peak", "sample_peak"):
        getattr(library, f"ebur128_{name}").argtypes = [_POINTER, ctypes.c_uint, reading]
    return library


_LIBRARY = _load()


def available() -> bool:
    """True when the library was found."""
    return _LIBRARY is not None


class Ebur128:
    """One state of the library. Use as a context manager; readings are in LUFS, LU and dB."""

    def __init__(self, channels: int, rate_hz: int, mode: int = EVERYTHING, roles: Sequence[str] = ()) -> None:
        if _LIBRARY is None:
            raise RuntimeError("libebur128 is not installed; on Debian: apt-get install libebur128-1.")
        self._library = _LIBRARY
        self._channels = channels
        self._state = _POINTER(_LIBRARY.ebur128_init(channels, rate_hz, mode))
        if not self._state:
            raise RuntimeError(f"libebur128 refused {channels} channels at {rate_hz} Hz.")
        for number, role in enumerate(roles):
            self._check(_LIBRARY.ebur128_set_channel(self._state, number, ROLE_CODES[role]))

    def __enter__(self) -> Ebur128:
        return self

    def __exit__(self, *_: object) -> None:
        self._library.ebur128_destroy(ctypes.byref(self._state))

    def push(self, block: NDArray[np.float32] | NDArray[np.float64]) -> None:
        """Feed ``(frames, channels)``, C-contiguous float32 or float64."""
        function, kind = _SOURCE_TYPES[block.dtype]
        if block.ndim != 2 or block.shape[1] != self._channels or not block.flags.c_contiguous:
            raise ValueError(f"A contiguous block of {self._channels} channels was expected, not {block.shape}.")
        pointer = block.ctypes.data_as(ctypes.POINTER(kind))
        self._check(getattr(self._library, function)(self._state, pointer, len(block)))

    @property
    def momentary(self) -> float:
        """Momentary loudness in LUFS."""
        return self._read("loudness_momentary")

    @property
    def short_term(self) -> float:
        """Short-term loudness in LUFS."""
        return self._read("loudness_shortterm")

    @property
    def integrated(self) -> float:
        """Integrated loudness in LUFS."""
        return self._read("loudness_global")

    @property
    def loudness_range(self) -> float:
        """Loudness range in LU."""
        return self._read("loudness_range")

    @property
    def true_peak(self) -> float:
        """Highest true peak of all channels in dBTP."""
        return self._read_peak("true_peak")

    @property
    def sample_peak(self) -> float:
        """Highest sample of all channels in dBFS."""
        return self._read_peak("sample_peak")

    def _read(self, name: str) -> float:
        value = ctypes.c_double()
        self._check(getattr(self._library, f"ebur128_{name}")(self._state, ctypes.byref(value)))
        return value.value

    def _read_peak(self, name: str) -> float:
        highest = 0.0
        for channel in range(self._channels):
            value = ctypes.c_double()
            self._check(getattr(self._library, f"ebur128_{name}")(self._state, channel, ctypes.byref(value)))
            highest = max(highest, value.value)
        return 20.0 * math.log10(highest) if highest > 0.0 else -math.inf

    @staticmethod
    def _check(code: int) -> None:
        if code != 0:
            raise RuntimeError(f"libebur128 returned error {code}.")

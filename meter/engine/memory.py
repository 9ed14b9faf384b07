"""Memory of the engine process: how much it holds, and that it gives back what it no longer needs."""

from __future__ import annotations

import os

_STATM = "/proc/self/statm"
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
"""Of mallopt(3)."""
LARGE_BYTES = 1_000_000
"""Larger than any array of one turn of the loop, smaller than those that a study works with."""
_handle: int | None = None


def return_large_arrays() -> None:
    """Give arrays of ``LARGE_BYTES`` and more back to the system when they are freed; only with glibc.

    It otherwise keeps them once it has seen some: the arrays of studies then hold 100 MB more, in pieces.
    """
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):
        return
    mallopt(_M_MMAP_THRESHOLD, LARGE_BYTES)
    mallopt(_M_TRIM_THRESHOLD, 2 * LARGE_BYTES)


def resident_bytes() -> int:
    """Resident memory of this process in bytes; its highest so far where the system tells no more, 0 for unknown.

    Costs some microseconds: the file of the system is kept open.
    """
    global _handle
    try:
        if _handle is None:
            _handle = os.open(_STATM, os.O_RDONLY)
        return int(os.pread(_handle, 128, 0).split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, AttributeError, ValueError):
        return _highest()


def _highest() -> int:
    try:
        import resource
    except ImportError:
        return 0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # bytes on macOS, the only system that comes here

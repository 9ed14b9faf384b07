"""``scipy.signal`` without ``scipy.stats``, which takes a third of its time to load.

Of ``scipy.stats`` it uses one function, for peaks by wavelets, which nothing here calls. While ``scipy.signal`` is
loaded, a module stands in that loads the real one when that function is called.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any

STATISTICS = "scipy.stats"


def _percentile_later(*arguments: Any, **options: Any) -> Any:
    return importlib.import_module(STATISTICS).scoreatpercentile(*arguments, **options)


class _StandIn(ModuleType):
    """Any other name comes from the real module."""

    scoreatpercentile = staticmethod(_percentile_later)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        sys.modules.pop(STATISTICS, None)
        return getattr(importlib.import_module(STATISTICS), name)


@contextmanager
def _without_statistics() -> Iterator[None]:
    stand_in = _StandIn(STATISTICS)
    if sys.modules.setdefault(STATISTICS, stand_in) is not stand_in:
        yield
        return
    try:
        yield
    finally:
        if sys.modules.get(STATISTICS) is stand_in:
            del sys.modules[STATISTICS]


with _without_statistics():
    from scipy.signal import (
        butter,
        find_peaks,
        firwin,
        get_window,
        kaiser_beta,
        kaiserord,
        lfilter,
        oaconvolve,
        sosfilt,
        sosfilt_zi,
        sosfreqz,
        upfirdn,
    )
    from scipy.signal.windows import hann

__all__ = [
    "butter",
    "find_peaks",
    "firwin",
    "get_window",
    "hann",
    "kaiser_beta",
    "kaiserord",
    "lfilter",
    "oaconvolve",
    "sosfilt",
    "sosfilt_zi",
    "sosfreqz",
    "upfirdn",
]

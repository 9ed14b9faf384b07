"""The quicker way to scipy.signal: nothing of scipy is missing afterwards, and everything of ours takes it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]
WORDS = """
import sys
import numpy as np
import {first}
from dsp.core import scipy_signal
print("scipy.stats" in sys.modules)
import scipy.signal
bumps = np.exp(-np.square(np.arange(100.0) - 40.0) / 20.0)
print(len(scipy.signal.find_peaks_cwt(bumps, np.arange(1, 10))))
import scipy.stats
print(scipy.stats.norm.cdf(0.0), scipy.stats.__name__, scipy_signal.find_peaks is scipy.signal.find_peaks)
"""


def said(first: str) -> list[str]:
    ended = subprocess.run(
        [sys.executable, "-c", WORDS.format(first=first)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return ended.stdout.splitlines()


def test_statistics_are_loaded_when_they_are_asked_for() -> None:
    assert said("dsp") == ["False", "1", "0.5 scipy.stats True"]


def test_statistics_that_are_there_stay() -> None:
    assert said("scipy.stats") == ["True", "1", "0.5 scipy.stats True"]


def test_all_of_ours_takes_this_way() -> None:
    others = [
        str(path.relative_to(ROOT))
        for folder in ("dsp", "meter")
        for path in (ROOT / folder).rglob("*.py")
        if path.name != "scipy_signal.py" and re.search(r"^\s*(from|import) scipy\.signal", path.read_text(), re.M)
    ]
    assert others == []

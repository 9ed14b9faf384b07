"""Large arrays that are freed leave the process, whatever was allocated after them."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

WORDS = """
import numpy as np
from meter.engine.memory import resident_bytes, return_large_arrays
{first}
del_at_once = np.ones(2_000_000)
del del_at_once  # from here on malloc would take arrays of this size from its own heap
before = resident_bytes()
large = [np.ones(1_000_000) for _ in range(10)]
small = [np.ones(1_000) for _ in range(10)]
held = resident_bytes() - before
del large
print(held > 70_000_000, resident_bytes() - before < 10_000_000)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="mallopt is glibc's")
def test_large_arrays_go_back_to_the_system() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", WORDS.format(first="return_large_arrays()")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert ended.stdout == "True True\n"

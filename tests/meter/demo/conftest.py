"""The scenario, made once for all tests of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from meter.demo.parts import TOTAL_FRAMES
from meter.demo.store import CHANNELS, prepare

Feeds = dict[str, NDArray[np.float32]]


@pytest.fixture(scope="package")
def feeds(demo_music: Path) -> Feeds:
    """Every feed of the scenario by its key, as stored: ``test_render`` compares with a rendering."""
    return {key: prepare(keys=(key,)).read(0, TOTAL_FRAMES) for key in CHANNELS}

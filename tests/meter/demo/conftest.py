"""The scenario, made once for all tests of it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from meter.demo.render import render

Feeds = dict[str, NDArray[np.float32]]


@pytest.fixture(scope="package")
def feeds() -> Feeds:
    """Every feed of the scenario by its key."""
    return {part.key: feed for part, feed in render()}

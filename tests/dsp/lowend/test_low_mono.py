"""The part behind what the lows lose in mono, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.low_mono import mono_loss
from dsp.lowend.shares import LowSums


def sums(side: float, other_side: float = 0.0) -> LowSums:
    """Two parts in five bands: mid power 1 each, unrelated; the first with side power in the 60 to 90 Hz band."""
    parts = np.zeros((5, 2, 4))
    parts[:, :, 0] = parts[:, :, 2] = 1.0
    parts[3, 0, 1] = parts[3, 0, 3] = side
    parts[3, 1, 1] = parts[3, 1, 3] = other_side
    return LowSums(parts, np.full((5, 2), np.nan))


def test_the_part_behind_a_loss_in_its_band() -> None:
    """Side power of 2 beside mid power of 2 loses 3.01 dB (closed form); with that part in mono nothing is lost."""
    found = mono_loss(sums(2.0))
    assert (found.band, found.part) == (3, 0)
    assert found.loss_db == pytest.approx(-3.0103, abs=1e-4)
    assert found.left_db == pytest.approx(0.0, abs=1e-9)


def test_the_greater_of_two_is_named_and_little_loss_names_nobody() -> None:
    found = mono_loss(sums(0.5, 1.5))
    assert found.part == 1
    assert found.left_db == pytest.approx(10 * np.log10(2.0 / 2.5), abs=1e-9)
    assert mono_loss(sums(0.1)).part == -1
    assert np.isnan(mono_loss(LowSums(np.full((5, 2, 4), np.nan), np.full((5, 2), np.nan))).loss_db)

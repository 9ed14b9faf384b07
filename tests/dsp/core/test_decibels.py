"""Decibels of one number and of an array: the same edges, no warning."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from dsp.core.units import amplitude_to_db, power_to_db

NAN, INFINITE = math.nan, math.inf
POWERS = [
    (100.0, 20.0), (1.0, 0.0), (0.001, -30.0), (0.0, -INFINITE), (-0.0, -INFINITE), (INFINITE, INFINITE),
    (-1.0, NAN), (NAN, NAN),
]  # fmt: skip
AMPLITUDES = [
    (100.0, 40.0), (-10.0, 20.0), (1.0, 0.0), (0.0, -INFINITE), (-0.0, -INFINITE), (-INFINITE, INFINITE),
    (NAN, NAN),
]  # fmt: skip


@pytest.mark.parametrize(("convert", "table"), [(power_to_db, POWERS), (amplitude_to_db, AMPLITUDES)])
def test_one_number_and_an_array_of_them_read_alike(convert, table) -> None:  # type: ignore[no-untyped-def]
    ratios, levels = (list(column) for column in zip(*table, strict=True))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        one_by_one = [convert(ratio) for ratio in ratios]
        of_numpy = [convert(np.float64(ratio)) for ratio in ratios]
        together = convert(np.array(ratios))
    for found in (one_by_one, of_numpy, together):
        assert found == pytest.approx(levels, nan_ok=True)
    assert all(type(level) is float for level in one_by_one + of_numpy)

"""Filters as matrices against scipy's own recursion."""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, sosfilt

from dsp.core.sos_bank import SosBank

FILTERS = [butter(4, edges, "bandpass", fs=1000, output="sos") for edges in ((20, 40), (20, 120), (90, 120))]


def test_hops_in_a_row_equal_the_recursion() -> None:
    signal = np.random.default_rng(1).standard_normal((500, 3))
    bank = SosBank(FILTERS, 50, 3)
    result = np.concatenate([bank.process(signal[start : start + 50]) for start in range(0, 500, 50)], axis=1)
    for index, sos in enumerate(FILTERS):
        np.testing.assert_allclose(result[index], sosfilt(sos, signal, axis=0), atol=1e-12)


def test_reset_forgets_and_tails_do_not_park_in_denormals() -> None:
    bank = SosBank(FILTERS, 50, 1)
    first = bank.process(np.ones((50, 1)))
    bank.reset()
    np.testing.assert_array_equal(bank.process(np.ones((50, 1))), first)
    for _ in range(400):
        last = bank.process(np.zeros((50, 1)))
    assert not last.any()

"""Figures of tapers that can be done in the head; the published ones are in tests/published."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.taper import coherent_gain, noise_bandwidth_bins, scalloping_db


def test_no_taper_at_all() -> None:
    ones = np.ones(1000)
    assert coherent_gain(ones) == 1.0
    assert noise_bandwidth_bins(ones) == 1.0
    assert scalloping_db(ones) == pytest.approx(20.0 * np.log10(np.pi / 2.0), abs=1e-4)


def test_scale_does_not_matter_to_bandwidth_and_scalloping() -> None:
    taper = np.hanning(512)
    assert noise_bandwidth_bins(3.0 * taper) == pytest.approx(noise_bandwidth_bins(taper))
    assert scalloping_db(3.0 * taper) == pytest.approx(scalloping_db(taper))
    assert coherent_gain(3.0 * taper) == pytest.approx(3.0 * coherent_gain(taper))

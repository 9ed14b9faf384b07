"""K-weighting as a filter with memory: any blocks, decay to true silence, the same as its two sections."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sosfilt

from dsp.core.signals import white_noise
from dsp.loudness.k_weighting import HIGH_PASS_48_KHZ, KWeighting, k_weighting_sos, section_at_rate

RATES_HZ = (8000, 11_025, 44_100, 48_000, 96_000, 192_000)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_one_direct_form_is_the_same_as_two_sections(rate_hz: int) -> None:
    noise = white_noise(np.random.default_rng(1), -20.0, 2.0, rate_hz, 2)
    expected = sosfilt(k_weighting_sos(rate_hz), noise, axis=0)
    np.testing.assert_allclose(KWeighting(rate_hz, 2).process(noise), expected, rtol=0.0, atol=1e-7)


@pytest.mark.parametrize("sizes", [(1,), (7, 480, 65), (8193,)])
def test_blocks_of_any_size_give_the_same_output(sizes: tuple[int, ...]) -> None:
    noise = white_noise(np.random.default_rng(2), -20.0, 0.25, 48_000, 3)
    whole = KWeighting(48_000, 3).process(noise)
    filtering, parts, start, turn = KWeighting(48_000, 3), [], 0, 0
    while start < len(noise):
        size = sizes[turn % len(sizes)]
        parts.append(filtering.process(noise[start : start + size]))
        start, turn = start + size, turn + 1
    np.testing.assert_allclose(np.concatenate(parts), whole, rtol=0.0, atol=1e-12)


def test_a_tail_ends_in_zeros_not_in_denormals() -> None:
    filtering = KWeighting(48_000, 1)
    filtering.process(np.ones((480, 1)))
    for _ in range(200):
        tail = filtering.process(np.zeros((480, 1)))
    assert not tail.any()


def test_reset_forgets_and_an_empty_block_changes_nothing() -> None:
    noise = white_noise(np.random.default_rng(3), -20.0, 0.1, 48_000, 1)
    filtering = KWeighting(48_000, 1)
    first = filtering.process(noise)
    filtering.reset()
    assert filtering.process(noise[:0]).shape == (0, 1)
    np.testing.assert_array_equal(filtering.process(noise), first)


def test_a_section_goes_to_another_rate_and_back() -> None:
    there = section_at_rate(HIGH_PASS_48_KHZ, 48_000, 192_000)
    np.testing.assert_allclose(section_at_rate(tuple(there), 192_000, 48_000), HIGH_PASS_48_KHZ, atol=1e-12)

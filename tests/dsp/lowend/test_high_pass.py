"""Butterworth high-pass prices against closed forms, a table, and scipy's own filters."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqs, freqz_sos

from dsp.lowend import high_pass
from tests.support.low_parts import tone

# -10 log10(1 + (fc/f)^(2n)), closed form, for f/fc down the rows and n = 1 to 4 across.
LOSSES_DB = {
    1 / 8: (18.129, 36.125, 54.185, 72.247),
    1 / 4: (12.304, 24.099, 36.125, 48.165),
    1 / 2: (6.990, 12.304, 18.129, 24.099),
    1.0: (3.010, 3.010, 3.010, 3.010),
    2.0: (0.969, 0.263, 0.067, 0.017),
    4.0: (0.263, 0.017, 0.001, 0.000),
}
# Group delay at the cut-off times 2 pi fc (closed form).
DELAY_AT_CUTOFF = (0.5, 1.4142, 2.5, 3.6955)
# Cut-off for 0.5 dB over the floor, phase lead in degrees, delay in cycles, loss one octave below (closed forms).
AFFORDABLE = {
    6: (0.35, 19, 0.05, 1.7),
    12: (0.59, 52, 0.16, 4.7),
    18: (0.70, 90, 0.30, 9.4),
    24: (0.77, 129, 0.45, 15.1),
}


@pytest.mark.parametrize(("ratio", "losses"), list(LOSSES_DB.items()))
def test_losses_are_those_of_the_table(ratio: float, losses: tuple[float, ...]) -> None:
    found = [high_pass.loss_db(100.0 * ratio, 100.0, order) for order in (1, 2, 3, 4)]
    assert found == pytest.approx(losses, abs=0.001)


@pytest.mark.parametrize(("order", "delay"), list(enumerate(DELAY_AT_CUTOFF, start=1)))
def test_delay_at_the_cutoff(order: int, delay: float) -> None:
    assert high_pass.delay_cycles(100.0, 100.0, order) * 2 * np.pi == pytest.approx(delay, abs=0.0001)


@pytest.mark.parametrize(("slope", "truth"), list(AFFORDABLE.items()))
def test_the_highest_affordable_cutoff(slope: int, truth: tuple[float, ...]) -> None:
    found = high_pass.price(80.0, slope)
    cutoff_share, lead, cycles, octave_below = truth
    assert found.cutoff_hz / 80.0 == pytest.approx(cutoff_share, abs=0.006)
    assert found.loss_at_floor_db == pytest.approx(0.5, abs=1e-9)
    assert found.phase_lead_degrees == pytest.approx(lead, abs=0.6)
    assert found.delay_cycles == pytest.approx(cycles, abs=0.006)
    assert high_pass.loss_db(40.0, found.cutoff_hz, slope // 6) == pytest.approx(octave_below, abs=0.06)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize("cutoff_hz", [20.0, 47.0, 140.0])
def test_price_agrees_with_a_reference_design(order: int, cutoff_hz: float) -> None:
    """scipy's analogue Butterworth, its phase differentiated numerically: 0.05 dB and 0.01 cycle."""
    floor = 82.4
    angular = 2 * np.pi * np.array([floor * 0.9999, floor, floor * 1.0001])
    _, response = freqs(*butter(order, 2 * np.pi * cutoff_hz, "highpass", analog=True), angular)
    phase = np.unwrap(np.angle(response))
    delay_cycles = -(phase[2] - phase[0]) / (angular[2] - angular[0]) * floor
    found = high_pass.price(floor, 6 * order, cutoff_hz)
    assert found.loss_at_floor_db == pytest.approx(-20 * np.log10(abs(response[1])), abs=0.001)
    assert found.delay_cycles == pytest.approx(delay_cycles, abs=0.001)
    assert np.exp(1j * np.radians(found.phase_lead_degrees)) == pytest.approx(
        response[1] / abs(response[1]), abs=1e-6
    )


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("slope", high_pass.SLOPES_DB_PER_OCTAVE)
def test_the_filter_that_is_tried_keeps_the_price(slope: int, rate_hz: int) -> None:
    signal = tone(60.0, -20.0, 2 * rate_hz, rate_hz)
    filtered = high_pass.apply(signal, rate_hz, 45.0, slope // 6)
    half = len(signal) // 2
    lost = 10 * np.log10((signal[half:] ** 2).mean() / (filtered[half:] ** 2).mean())
    assert lost == pytest.approx(high_pass.price(60.0, slope, 45.0).loss_at_floor_db, abs=0.05)


def test_a_snare_cut_at_140_hz_pays_with_its_fundamental() -> None:
    """Common practice, no source: a snare near 200 Hz is high-passed near 140 Hz at 12 dB per octave.

    The closed form says that this costs 0.9 dB of the fundamental.
    """
    assert high_pass.price(200.0, 12, 140.0).loss_at_floor_db == pytest.approx(0.935, abs=0.001)


@pytest.mark.parametrize("cutoff_hz", [100.0, 150.0])
def test_usual_cuts_of_keys_and_guitars(cutoff_hz: float) -> None:
    """Common practice, no source: they are cut between 100 and 150 Hz. On a low E (82.4 Hz) that takes over 3 dB."""
    assert high_pass.price(82.4, 12, cutoff_hz).loss_at_floor_db > 3.0
    assert high_pass.price(2 * cutoff_hz, 12, cutoff_hz).loss_at_floor_db == pytest.approx(0.263, abs=0.001)


def test_rumble_removed_is_the_power_that_the_filter_takes() -> None:
    frequency = np.array([20.0, 35.0])
    found = high_pass.price(80.0, 24, 50.0, np.array([0.0, 2.0]), frequency)
    assert found.rumble_removed_percent == pytest.approx(100 * (1 - 1 / (1 + (50 / 35) ** 8)), abs=1e-9)
    sos = butter(4, 50.0, "highpass", fs=48_000, output="sos")
    _, response = freqz_sos(sos, [35.0], fs=48_000)
    assert found.rumble_removed_percent == pytest.approx(100 * (1 - abs(response[0]) ** 2), abs=0.01)
    assert np.isnan(high_pass.price(80.0, 24, 50.0, np.zeros(2), frequency).rumble_removed_percent)
    assert np.isnan(high_pass.price(80.0, 24).rumble_removed_percent)


def test_nothing_passes_at_0_hz() -> None:
    assert high_pass.power_gain(np.array([0.0, 1e9]), 50.0, 2) == pytest.approx([0.0, 1.0])


@pytest.mark.parametrize(("floor", "slope", "cutoff"), [(np.nan, 12, 50.0), (0.0, 12, 50.0), (80.0, 12, -1.0)])
def test_wrong_figures_are_refused(floor: float, slope: int, cutoff: float) -> None:
    with pytest.raises(ValueError, match=r"above 0 Hz|lowest note"):
        high_pass.price(floor, slope, cutoff)


def test_an_unknown_slope_is_refused() -> None:
    with pytest.raises(ValueError, match="13 dB per octave is not offered"):
        high_pass.price(80.0, 13)


def test_a_cutoff_beyond_the_rate_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        high_pass.apply(np.zeros((10, 1)), 48_000, 24_000.0, 2)


def test_an_offset_makes_no_thump_at_the_start() -> None:
    filtered = high_pass.apply(np.ones((1000, 2)), 48_000, 80.0, 3)
    assert np.abs(filtered).max() < 1e-9
    assert high_pass.apply(np.empty((0, 2)), 48_000, 80.0, 3).shape == (0, 2)

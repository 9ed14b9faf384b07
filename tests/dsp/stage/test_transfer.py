"""The linear part against analytic responses of filters, and what is added against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqz, iirpeak, lfilter, sosfilt, sosfreqz, tf2sos

from dsp.core.signals import pink_noise
from dsp.core.types import FloatArray
from tests.support.stages import RATE_HZ, phrases, studied

SOUND = pink_noise(np.random.default_rng(2), -20.0, 10.0, RATE_HZ, 1)


def filters() -> dict[str, FloatArray]:
    peak = tf2sos(*iirpeak(1000.0, 2.0, fs=RATE_HZ))
    return {
        "low shelf": butter(1, 100.0, fs=RATE_HZ, output="sos"),
        "bell": peak,
        "top": butter(1, 5000.0, "highpass", fs=RATE_HZ, output="sos"),
    }


@pytest.mark.parametrize("kind", ["low shelf", "bell", "top"])
def test_the_response_is_the_analytic_one(kind: str) -> None:
    sos = filters()[kind]
    found = studied(SOUND, SOUND + 1.5 * sosfilt(sos, SOUND, axis=0))
    hz, response_db, coherence = np.array(found.linear.response).T
    assert len(hz) > 80
    assert (coherence >= 0.9).all()
    expected = 20.0 * np.log10(np.abs(1.0 + 1.5 * sosfreqz(sos, hz, fs=RATE_HZ)[1]))
    # Below 30 Hz a twelfth of an octave holds one bin of 1.5 Hz, whose middle lies elsewhere.
    inside = (hz > 30.0) & (hz < 18_000.0)
    np.testing.assert_allclose(response_db[inside], expected[inside], atol=0.1)


def cookbook_low_shelf(hz: float, gain_db: float) -> tuple[FloatArray, FloatArray]:
    """With a shelf slope of 1 ("Cookbook formulae for audio equalizer biquad filter coefficients", from memory)."""
    big, angle = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * hz / RATE_HZ
    cosine, bend = np.cos(angle), np.sqrt(2.0 * big) * np.sin(angle)
    up, down = (big + 1.0), (big - 1.0)
    b = big * np.array([up - down * cosine + bend, 2.0 * (down - up * cosine), up - down * cosine - bend])
    a = np.array([up + down * cosine + bend, -2.0 * (down + up * cosine), up + down * cosine - bend])
    return b / a[0], a / a[0]


@pytest.mark.parametrize("gain_db", [-9.0, 6.0, 15.0])
def test_a_shelf_of_the_trade_is_drawn_as_it_is(gain_db: float) -> None:
    b, a = cookbook_low_shelf(150.0, gain_db)
    found = studied(SOUND, lfilter(b, a, SOUND, axis=0))
    hz, response_db, _ = np.array(found.linear.response).T
    inside = (hz > 30.0) & (hz < 18_000.0)
    expected = 20.0 * np.log10(np.abs(freqz(b, a, hz, fs=RATE_HZ)[1]))
    assert expected[hz < 40.0].mean() == pytest.approx(gain_db, abs=0.3)
    np.testing.assert_allclose(response_db[inside], expected[inside], atol=0.1)
    assert found.squeeze.p90_db < 0.5


@pytest.mark.parametrize("kind", ["low shelf", "top"])
def test_lows_and_top_are_means_re_the_middle(kind: str) -> None:
    """Means of the analytic response over the twelfths of an octave of each band, upper edges left out."""
    sos = filters()[kind]
    found = studied(SOUND, SOUND + 1.5 * sosfilt(sos, SOUND, axis=0))
    hz = 20.0 * 2.0 ** (np.arange(120) / 12.0)
    response_db = 20.0 * np.log10(np.abs(1.0 + 1.5 * sosfreqz(sos, hz, fs=RATE_HZ)[1]))
    lows, middle, top = (
        response_db[(hz >= low) & (hz < high)].mean() for low, high in ((20.0, 120.0), (200.0, 2e3), (4e3, 12e3))
    )
    assert found.linear.lows_db == pytest.approx(lows - middle, abs=0.02)
    assert found.linear.tilt_db == pytest.approx(top - middle, abs=0.02)


def test_the_change_of_the_lows_is_that_of_power_from_20_to_120_hertz() -> None:
    """Pink noise has equal power per octave."""
    sos = butter(4, 60.0, "highpass", fs=RATE_HZ, output="sos")
    hz = np.geomspace(20.0, 120.0, 2000)
    expected = 10.0 * np.log10(np.mean(np.abs(sosfreqz(sos, hz, fs=RATE_HZ)[1]) ** 2))
    assert studied(SOUND, sosfilt(sos, SOUND, axis=0)).low_change_db == pytest.approx(expected, abs=0.25)


@pytest.mark.parametrize("ratio_db", [-60.0, -40.0, -20.0])
def test_noise_that_is_mixed_in_is_what_was_added(ratio_db: float) -> None:
    """Two independent sounds: the share of one in the power of both."""
    noise = pink_noise(np.random.default_rng(5), -20.0 + ratio_db, 10.0, RATE_HZ, 1)
    expected = 10.0 * np.log10(1.0 / (1.0 + 10.0 ** (-ratio_db / 10.0)))
    assert studied(SOUND, SOUND + noise).added_db == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize("share", [0.1, 0.5])
def test_a_cubic_adds_what_is_left_of_its_best_line(share: float) -> None:
    """For Gaussian noise x of variance s the best line through x^3 has slope 3 s; 6 s^3 of 15 s^3 is left."""
    sound = np.random.default_rng(6).standard_normal((10 * RATE_HZ, 1)) * 0.1
    variance = float((sound**2).mean())
    cubic = share / variance
    after = sound + cubic * sound**3
    left = cubic**2 * 6.0 * variance**3
    total = variance * (1.0 + 3.0 * cubic * variance) ** 2 + left
    assert studied(sound, after).added_db == pytest.approx(10.0 * np.log10(left / total), abs=0.4)


@pytest.mark.parametrize(("order", "hz"), [(1, 40.0), (2, 30.0), (2, 80.0), (4, 150.0)])
def test_a_high_pass_adds_nothing_though_its_phase_turns_within_a_block(order: int, hz: float) -> None:
    lows = 0.3 * np.sin(2.0 * np.pi * np.cumsum(np.linspace(35.0, 120.0, len(SOUND))) / RATE_HZ)[:, None]
    sound = SOUND + lows
    high = sosfilt(butter(order, hz, "high", fs=RATE_HZ, output="sos"), sound, axis=0)
    assert studied(sound, high).added_db < -55.0
    noise = 0.01 * np.random.default_rng(9).standard_normal(sound.shape)
    share = float((noise**2).mean() / ((high + noise) ** 2).mean())
    found = studied(sound, high + noise).added_db
    assert found == pytest.approx(10.0 * np.log10(share), abs=0.5), "what is added is still told"


def test_opposite_polarity_in_one_channel_hides_nothing() -> None:
    pair = pink_noise(np.random.default_rng(2), -20.0, 6.0, RATE_HZ, 2)
    found = studied(pair, pair * [1.0, -1.0])
    assert found.added_db < -80.0
    assert found.polarity == ("same", "inverted")
    assert found.low_change_db == pytest.approx(0.0, abs=0.01)
    np.testing.assert_allclose(np.array(found.linear.response)[:, 1], 0.0, atol=0.01)


def test_less_than_two_seconds_has_no_response() -> None:
    short = phrases(1.2)
    found = studied(short, short)
    assert np.isnan(found.added_db)
    assert "longer stretch" in found.why["linear"]

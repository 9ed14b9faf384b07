"""Low notes begin where they were put."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.onsets import loud_power, low_band, onsets, thinned
from tests.support.low_parts import held, place, repeated, resonator

RATE_HZ = 4000
STARTS = 0.1003 + 0.5 * np.arange(16)


@pytest.mark.parametrize("sound", [resonator(60, 15), resonator(45, 20), held(41.2, 0.4), held(98.0, 0.4)])
@pytest.mark.parametrize("polarity", [1.0, -1.0])
def test_every_note_is_found_within_2_ms(sound, polarity: float) -> None:
    found = onsets(polarity * place(repeated(sound, 16, 0.5, 0.1003), 9.0, RATE_HZ), RATE_HZ)
    assert len(found) == 16
    np.testing.assert_allclose(found, STARTS, atol=0.002)


def test_quiet_notes_do_not_vote() -> None:
    notes = repeated(resonator(60, 15), 8, 1.0) + repeated(resonator(60, 15, amplitude=0.02), 8, 1.0, 0.6)
    assert len(onsets(place(notes, 9.0, RATE_HZ), RATE_HZ)) == 8


@pytest.mark.parametrize(
    "signal",
    [np.zeros((9000, 2)), np.zeros((10, 1)), np.zeros((0, 1)), np.full((9000, 1), 0.5), 1e-4 * np.ones((9000, 1))],
)
def test_nothing_begins(signal: np.ndarray) -> None:
    assert not len(onsets(signal - signal.mean() if len(signal) else signal, RATE_HZ))


def test_a_held_note_begins_once() -> None:
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    signal = np.where(t > 1.0, 0.3 * np.sin(2 * np.pi * 41.2 * t), 0.0)[:, None]
    assert onsets(signal, RATE_HZ) == pytest.approx([1.0], abs=0.005)


def swelling(t: np.ndarray) -> np.ndarray:
    """60 Hz that rises evenly for 60 ms."""
    return 0.5 * np.sin(2 * np.pi * 60 * t) * np.minimum(t / 0.06, 1.0) * (t < 0.4)


def test_a_slow_note_begins_a_fifth_of_the_way_up() -> None:
    """A rise over 30 ms passes a fifth of its height after 6 ms (closed form), a quarter after 7.5 ms.

    A wave is that high near its crests only, which adds 1 to 2 ms on average over pitches and phases.
    """
    late = []
    for frequency in np.linspace(60.0, 100.0, 9):
        for phase in np.pi * np.arange(4) / 4.0:
            ramp = lambda t, f=frequency, at=phase: 0.5 * np.sin(2 * np.pi * f * t + at) * np.minimum(t / 0.03, 1.0)  # noqa: E731  # one of many
            sound = lambda t, ramp=ramp: ramp(t) * (t < 0.4)  # noqa: E731
            found = onsets(place(repeated(sound, 6, 0.8, 0.1), 5.2, RATE_HZ), RATE_HZ)
            late.append(found - (0.1 + 0.8 * np.arange(6)))
    assert 0.0065 < np.mean(late) < 0.0082


def test_over_a_note_that_still_sounds_the_way_begins_where_that_stands() -> None:
    """A held note of a third of the height goes on beneath: the rise over it is what counts, not that it is there."""
    t = np.arange(7 * RATE_HZ) / RATE_HZ
    beneath = 0.17 * np.sin(2 * np.pi * 60 * t)[:, None]
    signal = place(repeated(swelling, 8, 0.8, 0.1), 7.0, RATE_HZ)
    found = onsets(signal + beneath, RATE_HZ)[-7:]
    np.testing.assert_allclose(found - (0.1 + 0.8 * np.arange(1, 8)), 0.012, atol=0.012)


def test_low_band_does_not_delay() -> None:
    pulse = np.zeros((2001, 1))
    pulse[1000] = 1.0
    band, rate_hz = low_band(pulse, RATE_HZ)
    assert rate_hz == 2000.0
    assert len(band) == 1001
    assert np.argmax(band) == 500
    np.testing.assert_allclose(band, band[::-1], atol=1e-12)


@pytest.mark.parametrize("factor", [1, 2, 3, 7])
@pytest.mark.parametrize("frames", [1, 99, 100, 101])
def test_thinning_keeps_every_so_manyth_frame_in_place(factor: int, frames: int) -> None:
    ramp = np.arange(float(frames))[:, None]
    found = thinned(np.hstack([ramp, np.ones_like(ramp)]), factor, 2.0)
    assert len(found) == -(-frames // factor)
    reach = factor * int(np.ceil(8.0 / factor))
    inner = [n for n in range(len(found)) if reach <= n * factor < frames - reach]
    np.testing.assert_allclose(found[inner, 0], [n * factor for n in inner], atol=1e-9)
    np.testing.assert_allclose(found[inner, 1], 1.0)


def test_loud_level() -> None:
    assert loud_power(np.array([0.0, 1e-7])) == 0.0
    assert loud_power(np.r_[np.zeros(50), np.full(100, 0.25)]) == 0.25

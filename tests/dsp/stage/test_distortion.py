"""The tone test against distortion in closed form.

THD of a cubic and a square by the sum of their harmonics; tanh and hard clip by printed values, integrals of the
curve over a sine (our own arithmetic, checked by a transform in these tests).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from dsp.core.types import FloatArray
from dsp.core.units import db_to_amplitude
from dsp.stage.distortion import (
    LEVELS_DBFS,
    LOW_SHARE,
    TONES_HZ,
    Harmonics,
    read_tones,
    sections,
    tone_test_signal,
    where_it_begins,
)

RATE_HZ = 48_000
SENT = tone_test_signal(RATE_HZ)[:, 0]
Stage = Callable[[FloatArray], FloatArray]


def returned(stage: Stage, begins: int = 0) -> tuple[list[Harmonics], list[float]]:
    back = np.concatenate([np.zeros(begins), stage(SENT)])
    found = where_it_begins(back, RATE_HZ)
    assert found is not None
    assert abs(found - begins) <= RATE_HZ // 100
    tones, pairs = read_tones(back, found, RATE_HZ)
    return tones, [pair.percent for pair in pairs]


def thd_percent(stage: Stage, peak: float) -> float:
    """Of one exact period, by transform."""
    spectrum = np.abs(np.fft.rfft(stage(peak * np.sin(2.0 * np.pi * np.arange(1 << 16) / (1 << 16)))))
    return 100.0 * float(np.sqrt((spectrum[2:240] ** 2).sum()) / spectrum[1])


@pytest.mark.parametrize("begins", [0, 12_345, 96_000])
def test_a_wire_distorts_nothing(begins: int) -> None:
    tones, pairs = returned(lambda sound: 0.5 * sound, begins)
    assert len(tones) == len(TONES_HZ) * len(LEVELS_DBFS)
    for tone in tones:
        assert tone.gain_db == pytest.approx(-6.02, abs=0.01)
        assert tone.thd_percent < 1e-4
        assert math.isnan(tone.odd_over_even_db)
    assert max(pairs) < 1e-4


def test_second_and_third_harmonic_of_polynomials() -> None:
    """x + a x^2 of peak p has h2 = a p / 2; x - b x^3 has h3 = b p^2 / 4 re 1 - 3 b p^2 / 4."""
    square, _ = returned(lambda sound: sound + 0.4 * sound**2)
    cubic, _ = returned(lambda sound: sound - 0.4 * sound**3)
    for two, three in zip(square, cubic, strict=True):
        peak = db_to_amplitude(two.level_dbfs)
        assert two.thd_percent == pytest.approx(100.0 * 0.2 * peak, rel=0.001)
        assert two.harmonics_db[0] == pytest.approx(20.0 * math.log10(0.2 * peak), abs=0.01)
        expected = 0.1 * peak**2 / (1.0 - 0.3 * peak**2)
        assert three.thd_percent == pytest.approx(100.0 * expected, rel=0.001)
        assert three.harmonics_db[1] == pytest.approx(20.0 * math.log10(expected), abs=0.01)
        assert two.odd_over_even_db < -60.0
        assert three.odd_over_even_db > 60.0


@pytest.mark.parametrize(
    ("drive", "printed"),
    [
        (0.1, 0.08313),
        (0.25, 0.51284),
        (0.5, 1.96178),
        (1.0, 6.70648),
        (2.0, 17.3407),
        (4.0, 30.068),
        (10.0, 40.555),
    ],
)
def test_tanh_at_tabulated_drives(drive: float, printed: float) -> None:
    """At -12 dBFS; 100 Hz has 239 harmonics below half the rate."""
    scale = drive / db_to_amplitude(-12.0)
    tones, _ = returned(lambda sound: np.tanh(scale * sound) / scale)
    found = next(tone for tone in tones if tone.hz == 100 and tone.level_dbfs == -12.0)
    assert found.thd_percent == pytest.approx(printed, rel=0.01)
    assert found.thd_percent == pytest.approx(thd_percent(np.tanh, drive), rel=0.002)


@pytest.mark.parametrize(
    ("drive_db", "printed"),
    [(1.0, 4.6316), (2.0, 9.2499), (3.0103, 13.4196), (6.0, 23.237), (10.0, 32.164), (20.0, 43.040)],
)
def test_hard_clip_at_tabulated_drives(drive_db: float, printed: float) -> None:
    ceiling = db_to_amplitude(-12.0 - drive_db)
    tones, _ = returned(lambda sound: np.clip(sound, -ceiling, ceiling))
    found = next(tone for tone in tones if tone.hz == 100 and tone.level_dbfs == -12.0)
    assert found.thd_percent == pytest.approx(printed, rel=0.01)
    assert found.odd_over_even_db > 60.0


def test_sidebands_of_two_tones() -> None:
    """x + a x^2: one sideband either side, each a times the peak of the lower tone re the upper."""
    _, pairs = returned(lambda sound: sound + 0.3 * sound**2)
    expected = [100.0 * math.sqrt(2.0) * 0.3 * LOW_SHARE * db_to_amplitude(level) for level in LEVELS_DBFS]
    assert pairs == pytest.approx(expected, rel=0.002)


def test_the_lower_of_two_tones_is_four_times_the_upper_as_in_smpte_rp_120() -> None:
    """Ratio 4:1 of 60 Hz and 7 kHz: SMPTE RP 120 (from memory). Their peaks add up to the stated level."""
    pairs = [section for section in sections(RATE_HZ) if not section.hz]
    assert len(pairs) == len(LEVELS_DBFS)
    for section, level in zip(pairs, LEVELS_DBFS, strict=True):
        middle = SENT[section.start + RATE_HZ : section.start + 2 * RATE_HZ]
        low, high = np.abs(np.fft.rfft(middle))[[60, 7000]] * 2.0 / RATE_HZ
        assert low / high == pytest.approx(4.0, rel=1e-6)
        assert low + high == pytest.approx(db_to_amplitude(level), rel=1e-6)


@pytest.mark.parametrize("kind", ["silence", "other sound"])
def test_where_the_test_is_not_there_it_is_not_found(kind: str) -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.1, len(SENT))
    assert where_it_begins(0.0 * noise if kind == "silence" else noise, RATE_HZ) is None


def test_a_test_that_breaks_off_gives_what_is_whole() -> None:
    third = sections(RATE_HZ)[3]
    tones, pairs = read_tones(SENT[: third.start], 0, RATE_HZ)
    assert [tone.level_dbfs for tone in tones] == list(LEVELS_DBFS)
    assert pairs == []


def test_a_stage_that_lets_nothing_through_has_no_figures() -> None:
    tones, _ = read_tones(0.0 * SENT, 0, RATE_HZ)
    assert all(math.isnan(tone.thd_percent) for tone in tones)

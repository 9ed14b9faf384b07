"""Published checks of frequency and time weighting: IEC 61672-1:2013, class 1, and levels of weighted noise."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from dsp.core.scipy_signal import sosfreqz
from dsp.core.signals import burst, silence, tone
from dsp.core.types import FloatArray
from dsp.core.units import amplitude_to_db, power_to_db
from dsp.exposure.frequency_weighting import (
    FAST_SECONDS,
    SLOW_SECONDS,
    TimeWeighting,
    WeightedEnergy,
    Weighting,
    WeightingFilter,
    weighting_db,
    weighting_sos,
)
from dsp.level.level import Level
from meter.selftest.checks import CLOSED_FORM, PRINTED, Check, Source

STANDARD = Source("IEC 61672-1:2013", PRINTED, "transcriptions in two acoustics libraries")
RATES_HZ = (44_100, 48_000)
RATE_HZ = 48_000
OPEN = math.inf

# Nominal Hz, A, C, class 1 above, class 1 below: Table 3.
TABLE_3: tuple[tuple[float, float, float, float, float], ...] = (
    (10, -70.4, -14.3, 3.0, OPEN), (12.5, -63.4, -11.2, 2.5, OPEN), (16, -56.7, -8.5, 2.0, 4.0),
    (20, -50.5, -6.2, 2.0, 2.0), (25, -44.7, -4.4, 2.0, 1.5), (31.5, -39.4, -3.0, 1.5, 1.5),
    (40, -34.6, -2.0, 1.0, 1.0), (50, -30.2, -1.3, 1.0, 1.0), (63, -26.2, -0.8, 1.0, 1.0),
    (80, -22.5, -0.5, 1.0, 1.0), (100, -19.1, -0.3, 1.0, 1.0), (125, -16.1, -0.2, 1.0, 1.0),
    (160, -13.4, -0.1, 1.0, 1.0), (200, -10.9, 0.0, 1.0, 1.0), (250, -8.6, 0.0, 1.0, 1.0),
    (315, -6.6, 0.0, 1.0, 1.0), (400, -4.8, 0.0, 1.0, 1.0), (500, -3.2, 0.0, 1.0, 1.0),
    (630, -1.9, 0.0, 1.0, 1.0), (800, -0.8, 0.0, 1.0, 1.0), (1000, 0.0, 0.0, 0.7, 0.7),
    (1250, 0.6, 0.0, 1.0, 1.0), (1600, 1.0, -0.1, 1.0, 1.0), (2000, 1.2, -0.2, 1.0, 1.0),
    (2500, 1.3, -0.3, 1.0, 1.0), (3150, 1.2, -0.5, 1.0, 1.0), (4000, 1.0, -0.8, 1.0, 1.0),
    (5000, 0.5, -1.3, 1.5, 1.5), (6300, -0.1, -2.0, 1.5, 2.0), (8000, -1.1, -3.0, 1.5, 2.5),
    (10000, -2.5, -4.4, 2.0, 3.0), (12500, -4.3, -6.2, 2.0, 5.0), (16000, -6.6, -8.5, 2.5, 16.0),
    (20000, -9.3, -11.2, 3.0, OPEN),
)  # fmt: skip

# Formulae E.1 and E.6 at the exact frequencies of Table 3, one row each, A and C.
ANNEX_E_DB = {
    10: (-70.43, -14.33), 12.5: (-63.37, -11.25), 16: (-56.69, -8.53), 20: (-50.45, -6.24), 25: (-44.70, -4.41),
    31.5: (-39.44, -3.01), 40: (-34.63, -2.00), 50: (-30.23, -1.29), 63: (-26.19, -0.82), 80: (-22.50, -0.50),
    100: (-19.14, -0.30), 125: (-16.10, -0.17), 160: (-13.35, -0.09), 200: (-10.87, -0.03), 250: (-8.63, 0.00),
    315: (-6.61, 0.02), 400: (-4.81, 0.03), 500: (-3.23, 0.03), 630: (-1.90, 0.03), 800: (-0.82, 0.02),
    1000: (0.00, 0.00), 1250: (0.59, -0.03), 1600: (0.98, -0.09), 2000: (1.20, -0.17), 2500: (1.27, -0.30),
    3150: (1.20, -0.50), 4000: (0.97, -0.82), 5000: (0.55, -1.29), 6300: (-0.12, -2.00), 8000: (-1.11, -3.01),
    10000: (-2.49, -4.41), 12500: (-4.32, -6.24), 16000: (-6.60, -8.53), 20000: (-9.32, -11.25),
}  # fmt: skip

# Burst ms, LAFmax - LA, LAE - LA, class 1 below (above is as for LAFmax), LASmax - LA, class 1 below: Table 4.
TABLE_4: tuple[tuple[float, float, float, float, float, float, float], ...] = (
    (1000, 0.0, 0.0, 0.5, 0.5, -2.0, 0.5), (500, -0.1, -3.0, 0.5, 0.5, -4.1, 0.5),
    (200, -1.0, -7.0, 0.5, 0.5, -7.4, 0.5), (100, -2.6, -10.0, 1.0, 1.0, -10.2, 1.0),
    (50, -4.8, -13.0, 1.0, 1.0, -13.1, 1.0), (20, -8.3, -17.0, 1.0, 1.0, -17.0, 1.5),
    (10, -11.1, -20.0, 1.0, 1.0, -20.0, 2.0), (5, -14.1, -23.0, 1.0, 1.0, -23.0, 2.5),
    (2, -18.0, -27.0, 1.0, 1.5, -27.0, 3.0), (1, -21.0, -30.0, 1.0, 2.0, math.nan, math.nan),
    (0.5, -24.0, -33.0, 1.0, 2.5, math.nan, math.nan), (0.25, -27.0, -36.0, 1.0, 3.0, math.nan, math.nan),
)  # fmt: skip

# Hz, cycles, LCpeak - LC, class 1: Table 5.
TABLE_5 = ((31.5, 1.0, 2.5, 2.0), (500.0, 1.0, 3.5, 1.0), (8000.0, 1.0, 3.4, 2.0), (500.0, 0.5, 2.4, 1.0))

# Kind of noise, lowest and highest Hz, A, C re unweighted.
NOISES = (("pink", 20.0, 20_000.0, -2.86, -1.11), ("pink", 500.0, 2000.0, -0.16, -0.02),
          ("white", 20.0, 20_000.0, -2.05, -3.45))  # fmt: skip
NOISE_SOURCE = STANDARD.at(", Annex E integrated over an ideal spectrum, not printed anywhere", CLOSED_FORM)


def exact_hz(nominal_hz: float) -> float:
    """The exact third-octave frequency behind a printed one: 1000 x 10^(n / 10) (note to Table 3)."""
    return float(1000.0 * 10.0 ** (round(10.0 * math.log10(nominal_hz / 1000.0)) / 10.0))


def response_db(weighting: Weighting, rate_hz: int, frequency_hz: float) -> float:
    """Response of the filter as designed."""
    _, response = sosfreqz(weighting_sos(rate_hz, weighting), [2.0 * math.pi * frequency_hz / rate_hz])
    return float(amplitude_to_db(np.abs(response))[0])


def tone_db(weighting: Weighting, rate_hz: int, frequency_hz: float, level_dbfs: float = 0.0) -> float:
    """The same measured: level of a settled tone through the filter over a second, re the unweighted sine."""
    signal = tone(frequency_hz, level_dbfs, 2.0, rate_hz)
    weighted = WeightingFilter(weighting, rate_hz, 1).process(signal)
    return power_to_db(2.0 * float(np.mean(weighted[rate_hz:] ** 2))) - level_dbfs


def steady_power(weighting: Weighting, rate_hz: int, frequency_hz: float) -> float:
    """Weighted mean square of a steady full-scale tone."""
    return 0.5 * float(10.0 ** (response_db(weighting, rate_hz, frequency_hz) / 10.0))


def short_burst(rate_hz: int, milliseconds: float) -> FloatArray:
    """A 4 kHz burst with silence before and after."""
    return burst(4000.0, 0.0, milliseconds / 1000.0, rate_hz, lead_seconds=0.05, tail_seconds=0.05)


def burst_max_db(rate_hz: int, time_constant_seconds: float, milliseconds: float) -> float:
    """LAFmax or LASmax of a 4 kHz burst re the steady tone."""
    weighted = WeightingFilter("A", rate_hz, 1).process(short_burst(rate_hz, milliseconds))
    highest = float(TimeWeighting(time_constant_seconds, rate_hz, 1).process(weighted).max())
    return power_to_db(highest / steady_power("A", rate_hz, 4000.0))


def burst_exposure_db(rate_hz: int, milliseconds: float) -> float:
    """LAE of a 4 kHz burst re LA of the steady tone."""
    exposure = WeightedEnergy("A", rate_hz, 1)
    exposure.process(short_burst(rate_hz, milliseconds))
    return power_to_db(float(exposure.exposure[0]) / steady_power("A", rate_hz, 4000.0))


def peak_c_db(rate_hz: int, frequency_hz: float, cycles: float, sign: float = 1.0) -> float:
    """LCpeak of one or half a cycle re LC of the steady tone."""
    exposure = WeightedEnergy("C", rate_hz, 1)
    frames = math.ceil(cycles / frequency_hz * rate_hz)
    wave = np.sin(2.0 * math.pi * frequency_hz / rate_hz * np.arange(frames))[:, None]
    exposure.process(np.concatenate([silence(0.01, rate_hz), sign * wave, silence(0.1, rate_hz)]))
    return amplitude_to_db(float(exposure.peak[0])) - power_to_db(steady_power("C", rate_hz, frequency_hz))


def decay_db_per_second(rate_hz: int, time_constant_seconds: float) -> float:
    """How fast the level falls once a steady 4 kHz tone stops, from 0.1 s to one time constant later."""
    weighted = WeightingFilter("A", rate_hz, 1)
    average = TimeWeighting(time_constant_seconds, rate_hz, 1)
    average.process(weighted.process(tone(4000.0, 0.0, 1.0, rate_hz)))
    fall = power_to_db(average.process(weighted.process(silence(0.1 + time_constant_seconds, rate_hz)))[:, 0])
    start = round(0.1 * rate_hz)
    return float((fall[start] - fall[-1]) / (len(fall) - 1 - start) * rate_hz)


def fast_less_slow_db(rate_hz: int) -> float:
    """F less S on a steady 1 kHz tone."""
    weighted = WeightingFilter("A", rate_hz, 1).process(tone(1000.0, 0.0, 10.0, rate_hz))
    fast, slow = (
        float(TimeWeighting(seconds, rate_hz, 1).process(weighted)[-rate_hz // 100 :].mean())
        for seconds in (FAST_SECONDS, SLOW_SECONDS)
    )
    return power_to_db(fast / slow)


def a_less_c_db(rate_hz: int) -> float:
    """A less C on a steady 1 kHz tone."""
    return tone_db("A", rate_hz, 1000.0) - tone_db("C", rate_hz, 1000.0)


def shaped_noise(kind: str, lowest_hz: float, highest_hz: float, rate_hz: int) -> FloatArray:
    """One second that repeats, with random phases and exactly the ideal spectrum between two edges."""
    hz = np.fft.rfftfreq(rate_hz, 1.0 / rate_hz)
    inside = (hz >= lowest_hz) & (hz <= highest_hz)
    size = np.where(inside, 1.0 / np.sqrt(np.maximum(hz, 1.0)) if kind == "pink" else 1.0, 0.0)
    # Lines at the edges have half of their width inside the band.
    size[inside & ((hz == lowest_hz) | (hz == highest_hz))] *= math.sqrt(0.5)
    phases = np.random.default_rng(11).uniform(0.0, 2.0 * math.pi, len(hz))
    return np.fft.irfft(size * np.exp(1j * phases), rate_hz)[:, None]


def curve_db(weighting: Weighting, frequency_hz: float) -> float:
    """The analytic curve."""
    return float(weighting_db(np.array([frequency_hz]), weighting)[0])


def nominal_seconds(name: str) -> float:
    """5.8.1: 0.125 s for F, 1 s for S."""
    return {"F": 0.125, "S": 1.0}[name]


def rise_db(time_constant_seconds: float, after_seconds: float) -> float:
    """Level a time after a constant power begins, re where it settles."""
    power = TimeWeighting(time_constant_seconds, RATE_HZ, 1).process(np.ones((round(after_seconds * RATE_HZ), 1)))
    return power_to_db(float(power[-1, 0]))


def noise_db(kind: str, lowest_hz: float, highest_hz: float, weighting: Weighting) -> float:
    """Weighted level of noise re its unweighted level."""
    second = shaped_noise(kind, lowest_hz, highest_hz, RATE_HZ)
    weighted = WeightingFilter(weighting, RATE_HZ, 1)
    weighted.process(second)
    before, after = Level(1), Level(1)
    before.process(second)
    after.process(weighted.process(second))
    return float(after.rms_db[0] - before.rms_db[0])


def table_3_checks(rate_hz: int) -> list[Check]:
    """Both weightings at all 34 frequencies, as designed."""
    source = STANDARD.at(", Table 3, class 1")
    return [
        Check(
            f"{weighting} at {nominal:g} Hz, rate {rate_hz} Hz", source, goal, "dB", below, above,
            partial(response_db, weighting, rate_hz, exact_hz(nominal)),
        )
        for nominal, a, c, above, below in TABLE_3
        for weighting, goal in _both(a, c)
    ]  # fmt: skip


def table_4_checks(rate_hz: int) -> list[Check]:
    """F, S and exposure level of 4 kHz bursts."""
    source = STANDARD.at(", Table 4, class 1")
    at = f"of a {{:g}} ms burst, rate {rate_hz} Hz"
    checks = []
    for ms, fast, exposure, above, below, slow, slow_below in TABLE_4:
        name = at.format(ms)
        fast_max = partial(burst_max_db, rate_hz, FAST_SECONDS, ms)
        checks.append(Check(f"LAFmax {name}", source, fast, "dB", below, above, fast_max))
        checks.append(
            Check(f"LAE {name}", source, exposure, "dB", below, above, partial(burst_exposure_db, rate_hz, ms))
        )
        if not math.isnan(slow):
            slow_max = partial(burst_max_db, rate_hz, SLOW_SECONDS, ms)
            checks.append(Check(f"LASmax {name}", source, slow, "dB", slow_below, above, slow_max))
    return checks


def table_5_checks(rate_hz: int) -> list[Check]:
    """C-weighted peaks, of both signs."""
    source = STANDARD.at(", Table 5, class 1")
    return [
        Check(
            f"LCpeak of {cycles:g} cycle of {hz:g} Hz, sign {sign:+g}, rate {rate_hz} Hz", source, goal, "dB",
            limit, limit, partial(peak_c_db, rate_hz, hz, cycles, sign),
        )
        for hz, cycles, goal, limit in TABLE_5
        for sign in (1.0, -1.0)
    ]  # fmt: skip


def steady_checks(rate_hz: int) -> list[Check]:
    """Decay, agreement of the weightings with each other, linearity; tones through the running filter."""
    at = f", rate {rate_hz} Hz"
    fall, limits, table = "dB/s", STANDARD.at(", 5.8.2"), STANDARD.at(", Table 3, class 1")
    fast, slow = (partial(decay_db_per_second, rate_hz, seconds) for seconds in (FAST_SECONDS, SLOW_SECONDS))
    return [
        Check(f"F decay{at}", limits, 34.7, fall, 3.7, 3.8, fast),
        Check(f"S decay{at}", limits, 4.3, fall, 0.7, 0.8, slow),
        Check(f"F less S, 1 kHz{at}", STANDARD.at(", 5.8.3"), 0.0, "dB", 0.1, 0.1,
              partial(fast_less_slow_db, rate_hz)),
        Check(f"A less C, 1 kHz{at}", STANDARD.at(", 5.5.9"), 0.0, "dB", 0.2, 0.2, partial(a_less_c_db, rate_hz)),
        *(
            Check(
                f"A of 1 kHz at {level:g} dBFS{at}", STANDARD.at(", 5.6.5, level linearity"), 0.0, "dB", 0.8, 0.8,
                partial(tone_db, "A", rate_hz, 1000.0, level),
            )
            for level in (-40.0, -80.0, -120.0)
        ),
        *(
            Check(
                f"{weighting} of a {nominal:g} Hz tone{at}", table, goal, "dB", below, above,
                partial(tone_db, weighting, rate_hz, exact_hz(nominal)),
            )
            for nominal, a, c, above, below in TABLE_3 if nominal in (31.5, 1000, 8000, 16000)
            for weighting, goal in _both(a, c)
        ),
    ]  # fmt: skip


def annex_e_checks() -> list[Check]:
    """The analytic curve to its last printed digit, and the filters close to it where class 1 alone is lax."""
    source = STANDARD.at(", Annex E, closed form at the exact frequency", CLOSED_FORM)
    curve = [
        Check(f"{weighting} curve at {nominal:g} Hz", source, goal, "dB", 0.0055, 0.0055,
              partial(curve_db, weighting, exact_hz(nominal)))
        for nominal, both in ANNEX_E_DB.items()
        for weighting, goal in _both(*both)
    ]  # fmt: skip
    filters = [
        Check(f"{weighting} filter at {nominal:g} Hz, rate {RATE_HZ} Hz", source, goal, "dB", 0.05, 0.05,
              partial(response_db, weighting, RATE_HZ, exact_hz(nominal)))
        for nominal, both in ANNEX_E_DB.items() if nominal <= 16_000
        for weighting, goal in _both(*both)
    ]  # fmt: skip
    return curve + filters


def averaging_checks() -> list[Check]:
    """F and S against their exponentials, far closer than class 1 asks."""
    source = STANDARD.at(", 5.8, closed form of an exponential", CLOSED_FORM)
    return [
        check
        for name, seconds, fall in (("F", FAST_SECONDS, 34.7436), ("S", SLOW_SECONDS, 4.3429))
        for check in (
            Check(f"{name} decay, exactly", source, fall, "dB/s", 0.002 * fall, 0.002 * fall,
                  partial(decay_db_per_second, RATE_HZ, seconds)),
            Check(f"{name} after {1000 * nominal_seconds(name):g} ms", source, -1.992, "dB", 0.005, 0.005,
                  partial(rise_db, seconds, nominal_seconds(name))),
        )
    ]  # fmt: skip


def noise_checks() -> list[Check]:
    """Ideal noise through both weightings."""
    return [
        Check(
            f"{kind} noise, {low:g} Hz to {high:g} Hz, {weighting}", NOISE_SOURCE, goal, "dB", 0.03, 0.03,
            partial(noise_db, kind, low, high, weighting),
        )
        for kind, low, high, a, c in NOISES
        for weighting, goal in _both(a, c)
    ]  # fmt: skip


def checks_at(rate_hz: int) -> list[Check]:
    """All tables at one rate."""
    return table_3_checks(rate_hz) + table_4_checks(rate_hz) + table_5_checks(rate_hz) + steady_checks(rate_hz)


def _both(a: float, c: float) -> tuple[tuple[Weighting, float], tuple[Weighting, float]]:
    return (("A", a), ("C", c))


CHECKS: list[Check] = [check for rate_hz in RATES_HZ for check in checks_at(rate_hz)] + [
    *annex_e_checks(),
    *averaging_checks(),
    *noise_checks(),
]

"""Published checks of loudness and loudness range: ITU-R BS.1770-5, EBU Tech 3341 and Tech 3342.

The cases of the EBU tables with authentic programme (3341 cases 7 and 8, 3342 cases 5 and 6) are left out: we may not
distribute their audio.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np

from dsp.core.signals import silence, stepped_tone, tone
from dsp.core.types import TICKS_PER_SECOND, FloatArray, Spec
from dsp.loudness.gating import LoudnessHistogram, energy_of, loudness_range
from dsp.loudness.k_weighting import k_weighting_sos
from dsp.loudness.loudness import LoudnessMeter, position_weight
from meter.selftest.checks import CLOSED_FORM, FROM_MEMORY, OWN_CASE, PRINTED, Check, Source
from meter.selftest.weighting import shaped_noise

RATE_HZ = 48_000

BS1770 = Source("ITU-R BS.1770-5 (11/2023)", PRINTED, "a study note that quotes it and two transcriptions")
TECH_3341 = Source("EBU Tech 3341 v4 (2023), Table 1", PRINTED, "a study note that quotes it and a transcription")
TECH_3342 = Source("EBU Tech 3342 v4 (2023), Table 1", PRINTED, TECH_3341.read_in)
COMPUTED = Source("closed form of BS.1770-5 Annex 1, not printed anywhere", CLOSED_FORM)

TOLERANCE_LU = 0.1
"""EBU Tech 3341 Table 1: all loudness readings."""

RANGE_TOLERANCE_LU = 1.0
"""EBU Tech 3342 Table 1."""

Signal = Callable[[int], FloatArray]
"""A signal at a given rate."""


def steps(*levels_and_seconds: tuple[float, float], channels: int = 2) -> Signal:
    """A 1 kHz tone whose level steps, the same in all channels; silence is a level of minus infinity."""
    return lambda rate_hz: stepped_tone(1000.0, levels_and_seconds, rate_hz, channels)


def surround(rate_hz: int) -> FloatArray:
    """Tech 3341 case 6: 1 kHz in L, R, C, Ls and Rs, 20 s."""
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)
    return np.hstack([tone(1000.0, level, 20.0, rate_hz) for level in levels])


def pieces(signal: FloatArray, frames: int) -> Iterator[FloatArray]:
    """Cut ``signal`` into blocks of ``frames``; 0 returns it whole."""
    step = frames or max(1, len(signal))
    return (signal[start : start + step] for start in range(0, len(signal), step))


def measured(
    signal: FloatArray, rate_hz: int, block_frames: int, meter: LoudnessMeter | None = None
) -> LoudnessMeter:
    """A meter after ``signal``."""
    meter = meter or LoudnessMeter(Spec(rate_hz, signal.shape[1]))
    for block in pieces(signal, block_frames):
        meter.push(block)
    return meter


def furthest(readings: Sequence[float], expected: float) -> float:
    """The reading furthest from ``expected``; NaN if one is."""
    return float(readings[int(np.argmax(np.abs(np.asarray(readings) - expected)))])


def integrated(signal: Signal, rate_hz: int, block_frames: int) -> float:
    """Integrated loudness of a whole signal."""
    return measured(signal(rate_hz), rate_hz, block_frames).integrated


def momentary_and_short_term(signal: Signal, rate_hz: int, block_frames: int, which: str) -> float:
    """Momentary or short-term loudness at the end of a steady signal."""
    return float(getattr(measured(signal(rate_hz), rate_hz, block_frames), which))


def steady_reading(
    signal: Signal, rate_hz: int, which: str, from_second: float, expected: float, block_frames: int
) -> float:
    """The reading furthest from ``expected`` of all at 10 Hz, or at each block if longer, from a moment on."""
    meter = LoudnessMeter(Spec(rate_hz, 2))
    every = max(block_frames, rate_hz // 10)
    readings = []
    for number, part in enumerate(pieces(signal(rate_hz), every), start=1):
        measured(part, rate_hz, block_frames, meter)
        if number * every >= from_second * rate_hz:
            readings.append(float(getattr(meter, which)))
    return furthest(readings, expected)


def highest_of_files(
    signals: Sequence[Signal], rate_hz: int, block_frames: int, which: str, expected: float
) -> float:
    """The maximum furthest from ``expected`` among files measured one by one."""
    readings = [float(getattr(measured(signal(rate_hz), rate_hz, block_frames), which)) for signal in signals]
    return furthest(readings, expected)


def error_of_rising_maximum(signals: Sequence[Signal], rate_hz: int, block_frames: int, which: str) -> float:
    """Largest error of a running maximum after each of 20 steps from -38 to -19, in one signal."""
    meter = LoudnessMeter(Spec(rate_hz, 2))
    errors = []
    for number, signal in enumerate(signals):
        measured(signal(rate_hz), rate_hz, block_frames, meter)
        errors.append(float(getattr(meter, which)) - (-38.0 + number))
    return furthest(errors, 0.0)


def tech_3341(rate_hz: int = RATE_HZ, block_frames: int = 0, label: str = "") -> list[Check]:
    """Cases 1 to 6 and 9 to 14 at ``rate_hz``, in blocks of ``block_frames`` (0: whole)."""
    at = (rate_hz, block_frames)
    return [*_steady_levels(at, label), *_gated_levels(at, label), *_sliding_windows(at, label)]


At = tuple[int, int]
"""Rate and block size."""


def _check_3341(case: str, label: str, expected: float, unit: str, measure: Callable[[], float]) -> Check:
    source = TECH_3341.at(f", case {case.partition(',')[0]}")
    return Check(f"case {case}{label}", source, expected, unit, TOLERANCE_LU, TOLERANCE_LU, measure)


def _steady_levels(at: At, label: str) -> Iterator[Check]:
    for case, level in (("1", -23.0), ("2", -33.0)):
        signal = steps((level, 20.0))
        for which in ("momentary", "short_term", "integrated"):
            measure = partial(momentary_and_short_term, signal, *at, which)
            yield _check_3341(f"{case}, {which.replace('_', '-')}", label, level, "LUFS", measure)


GATED = {
    "3": steps((-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)),
    "4": steps((-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)),
    "5": steps((-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)),
    "6": surround,
}


def _gated_levels(at: At, label: str) -> Iterator[Check]:
    for case, signal in GATED.items():
        yield _check_3341(f"{case}, integrated", label, -23.0, "LUFS", partial(integrated, signal, *at))


def _sliding_windows(at: At, label: str) -> Iterator[Check]:
    rate_hz, block_frames = at
    quiet = -math.inf
    case_9 = steps(*[(-20.0, 1.34), (-30.0, 1.66)] * 5)
    case_10 = [steps((quiet, i * 0.15), (-23.0, 3.0), (quiet, 1.0)) for i in range(20)]
    case_11 = [steps((quiet, i * 0.15), (-38.0 + i, 3.0), (quiet, 3.0 - i * 0.15)) for i in range(20)]
    case_12 = steps(*[(-20.0, 0.18), (-30.0, 0.22)] * 25)
    case_13 = [steps((quiet, i * 0.02), (-23.0, 0.4), (quiet, 1.0)) for i in range(20)]
    case_14 = [steps((quiet, i * 0.02), (-38.0 + i, 0.4), (quiet, 0.4 - i * 0.02)) for i in range(20)]
    measures = {
        "9, short-term after 3 s": partial(steady_reading, case_9, rate_hz, "short_term", 3.0, -23.0, block_frames),
        "10, highest short-term": partial(highest_of_files, case_10, *at, "short_term_max", -23.0),
        "11, highest short-term, error": partial(error_of_rising_maximum, case_11, *at, "short_term_max"),
        "12, momentary after 1 s": partial(steady_reading, case_12, rate_hz, "momentary", 1.0, -23.0, block_frames),
        "13, highest momentary": partial(highest_of_files, case_13, *at, "momentary_max", -23.0),
        "14, highest momentary, error": partial(error_of_rising_maximum, case_14, *at, "momentary_max"),
    }
    for case, measure in measures.items():
        expected, unit = (0.0, "LU") if case.endswith("error") else (-23.0, "LUFS")
        yield _check_3341(case, label, expected, unit, measure)


RANGES = {
    "1": (10.0, (-20.0, -30.0)),
    "2": (5.0, (-20.0, -15.0)),
    "3": (20.0, (-40.0, -20.0)),
    "4": (15.0, (-50.0, -35.0, -20.0, -35.0, -50.0)),
}
"""Tech 3342 Table 1: loudness range and the levels of a stereo 1 kHz tone, 20 s each."""


def measured_range(signal: Signal, rate_hz: int, block_frames: int) -> float:
    """Loudness range of a whole signal."""
    return measured(signal(rate_hz), rate_hz, block_frames).loudness_range


def range_of_values(*loudness_lufs: float) -> float:
    """Loudness range of short-term values."""
    histogram = LoudnessHistogram()
    histogram.add(np.array([energy_of(value) for value in loudness_lufs]))
    return loudness_range(histogram)


def tech_3342(rate_hz: int = RATE_HZ, block_frames: int = 0, label: str = "") -> list[Check]:
    """Cases 1 to 4 at ``rate_hz``, in blocks of ``block_frames`` (0: whole)."""
    limit = RANGE_TOLERANCE_LU
    return [
        Check(f"range {case}{label}", TECH_3342.at(f", case {case}"), expected, "LU", limit, limit,
              partial(measured_range, steps(*[(level, 20.0) for level in levels]), rate_hz, block_frames))
        for case, (expected, levels) in RANGES.items()
    ]  # fmt: skip


def percentiles() -> list[Check]:
    """Hand checks of the percentile rule of Tech 3342's reference code: index round((n - 1) p / 100), no more."""
    source = Source("EBU Tech 3342 v4 (2023), reference code, worked by hand", OWN_CASE, TECH_3342.read_in)
    values = [float(value) for value in range(-40, -19)]
    gated = [-90.0] * 50 + [-23.0] * 50
    fine = [-40.0 + step / 5.0 for step in range(101)]
    kept, dropped = [-20.0] * 50 + [-42.8] * 50, [-20.0] * 50 + [-43.2] * 50
    return [
        # Half at -20 and half far below have a mean of -22.99, so the gate lies at -42.99.
        Check("range with half just above the relative gate", source, 22.8, "LU", 0.051, 0.051,
              partial(range_of_values, *kept)),
        Check("range with half just below the relative gate", source, 0.0, "LU", 1e-6, 1e-6,
              partial(range_of_values, *dropped)),
        # 101 values: their indices are the percentiles themselves, so either one shows.
        Check("range of 101 values 0.2 apart", source, 17.0, "LU", 1e-6, 1e-6, partial(range_of_values, *fine)),
        Check("range of 21 values a unit apart", source, 17.0, "LU", 1e-6, 1e-6, partial(range_of_values, *values)),
        Check("range with half below the gate", source, 0.0, "LU", 1e-6, 1e-6, partial(range_of_values, *gated)),
    ]  # fmt: skip


POSITIONS = (
    (0, 0, 1.0), (30, 0, 1.0), (-30, 0, 1.0), (60, 0, 1.41), (90, 0, 1.41), (110, 0, 1.41), (120, 0, 1.41),
    (135, 0, 1.0), (180, 0, 1.0), (250, 0, 1.41), (110, 35, 1.0), (90, 30, 1.0), (45, 30, 1.0), (0, -15, 1.0),
)  # fmt: skip
"""BS.1770-5 Annex 3 Table 4: azimuth, elevation, weight."""


def in_one_channel(number: int, channels: int, level_dbfs: float = 0.0) -> float:
    """Integrated loudness of a 997 Hz sine in one channel alone."""
    signal = silence(2.0, RATE_HZ, channels)
    signal[:, number] = tone(997.0, level_dbfs, 2.0, RATE_HZ)[:, 0]
    return measured(signal, RATE_HZ, 0).integrated


def antiphase(level_dbfs: float) -> float:
    """Integrated loudness of a stereo 997 Hz sine whose right side is inverted."""
    return measured(tone(997.0, level_dbfs, 2.0, RATE_HZ, 2) * (1.0, -1.0), RATE_HZ, 0).integrated


def k_weighting_db(frequency_hz: float, rate_hz: int = RATE_HZ) -> float:
    """Gain of both K-weighting stages at one frequency."""
    delay = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(3))
    gain = np.prod([section[:3] @ delay / (section[3:] @ delay) for section in k_weighting_sos(rate_hz)])
    return float(20.0 * np.log10(np.abs(gain)))


K_RESPONSE_DB = {
    20.0: -13.275, 25.0: -10.393, 31.5: -7.790, 40.0: -5.567, 50.0: -3.934, 63.0: -2.664, 80.0: -1.732,
    100.0: -1.133, 125.0: -0.728, 160.0: -0.435, 200.0: -0.265, 250.0: -0.153, 315.0: -0.075, 400.0: -0.015,
    500.0: 0.042, 630.0: 0.134, 800.0: 0.328, 997.0: 0.691, 1000.0: 0.698, 1250.0: 1.342, 1600.0: 2.290,
    2000.0: 3.071, 2500.0: 3.580, 3150.0: 3.848, 4000.0: 3.968, 5000.0: 4.013, 6300.0: 4.032, 8000.0: 4.039,
    10000.0: 4.042, 20000.0: 4.043,
}  # fmt: skip

K_COEFFICIENTS = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585),
    (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
)
"""BS.1770-5 Annex 1, Tables 1 and 2, typed a second time: b0 b1 b2, a0, a1 a2 at 48 kHz."""


def k_coefficient(stage: int, place: int) -> float:
    """One coefficient of the filters that run at 48 kHz."""
    return float(k_weighting_sos(RATE_HZ)[stage][place])


REMEMBERED = ("a last block that is not whole",)


def gates() -> list[Check]:
    """Both gates of BS.1770-5 from either side, the overlap of its blocks, and the last block that is not whole."""
    source = BS1770.at(" Annex 1, gating; closed form", CLOSED_FORM)
    cases = {
        "a tone just above the absolute gate": (((-69.9, 5.0),), -69.893, 0.06),
        "a tone just below the absolute gate": (((-70.1, 5.0),), -math.inf, 0.0),
        # Equal times at 0 and -12.6 LU have a mean of -2.78, so the gate lies at -12.78; at -13 it lies at -12.80.
        "half just above the relative gate": (((-20.0, 60.0), (-32.6, 60.0)), -22.771, 0.03),
        "half just below the relative gate": (((-20.0, 60.0), (-33.0, 60.0)), -20.004, 0.03),
        # 0.5 s hold two blocks of 0.4 s, 0.1 s apart: one whole, one with three quarters of the power.
        "two blocks that overlap by 75 %": (((-23.0, 0.4), (-math.inf, 0.1)), -23.573, 0.03),
        "a last block that is not whole": (((-23.0, 0.4), (-math.inf, 0.09)), -22.993, TOLERANCE_LU),
        "shorter than a block": (((-23.0, 0.39),), -math.inf, 0.0),
        "silence": (((-math.inf, 2.0),), -math.inf, 0.0),
    }
    return [
        Check(name, source.at(", from memory", FROM_MEMORY) if name in REMEMBERED else source, expected, "LUFS",
              limit, limit,              partial(integrated_or_silent, steps(*signal)))
        for name, (signal, expected, limit) in cases.items()
    ]  # fmt: skip


def integrated_or_silent(signal: Signal) -> float:
    """Integrated loudness, minus infinity where no block passes the gates."""
    reading = integrated(signal, RATE_HZ, 0)
    return -math.inf if math.isnan(reading) else reading


def computed_levels() -> list[Check]:
    """Tones in one, two and three channels, and noise of an ideal spectrum."""
    noise = COMPUTED.at(": ideal spectrum under Tables 1 and 2")
    return [
        Check("mono 1 kHz at full scale", COMPUTED, -3.0036, "LUFS", 0.001, 0.001,
              partial(integrated, steps((0.0, 5.0), channels=1), RATE_HZ, 0)),
        Check("stereo 1 kHz at -18 dBFS", COMPUTED, -17.993, "LUFS", 0.001, 0.001,
              partial(integrated, steps((-18.0, 5.0)), RATE_HZ, 0)),
        Check("mono 1 kHz at -18 dBFS", COMPUTED, -21.004, "LUFS", 0.001, 0.001,
              partial(integrated, steps((-18.0, 5.0), channels=1), RATE_HZ, 0)),
        Check("three fronts at -23 dBFS", COMPUTED, -21.24, "LUFS", TOLERANCE_LU, TOLERANCE_LU, three_fronts),
        # RMS in dB re 1 plus the K-weighted gain less 0.691.
        *[Check(f"{kind} noise, {low:g} Hz to {high:g} Hz, LUFS over RMS", noise, gain - 0.691, "dB", 0.02, 0.02,
                partial(noise_over_rms_db, kind, low, high)) for kind, low, high, gain in K_NOISES],
    ]  # fmt: skip


K_NOISES = (("pink", 20.0, 20_000.0, 1.42), ("pink", 500.0, 2000.0, 1.155), ("white", 20.0, 20_000.0, 3.79))
"""Kind, edges in hertz, K-weighted level re unweighted."""


def three_fronts() -> float:
    """Integrated loudness of the same 997 Hz tone in L, R and C."""
    signal = silence(5.0, RATE_HZ, 6)
    signal[:, :3] = tone(997.0, -23.0, 5.0, RATE_HZ, 3)
    return measured(signal, RATE_HZ, 0).integrated


def noise_over_rms_db(kind: str, low_hz: float, high_hz: float) -> float:
    """Integrated loudness of mono noise less its RMS in dB re 1."""
    second = shaped_noise(kind, low_hz, high_hz, RATE_HZ)
    second *= 0.1 / np.sqrt(np.mean(second**2))
    return measured(np.tile(second, (5, 1)), RATE_HZ, 0).integrated + 20.0


def bs1770() -> list[Check]:
    """Annex 1: reference level, channel weights, gates. Annex 3: weights by position. K-weighting's response."""
    loud = -10.0 * math.log10(2.0)
    annex_1 = BS1770.at(" Annex 1")
    table = COMPUTED.at(": response of Tables 1 and 2 at 48 kHz")
    return [
        *[Check(f"full-scale 997 Hz in {role}", annex_1.at(": -3.01 LKFS"), -3.01, "LUFS", 0.005, 0.005,
                partial(in_one_channel, number, 6)) for number, role in enumerate("LRC")],
        *[Check(f"full-scale 997 Hz in {role}", annex_1.at(" Table 3: weight 1.41", CLOSED_FORM),
                loud + 10.0 * math.log10(1.41), "LUFS", 0.005, 0.005,
                partial(in_one_channel, number, 6)) for number, role in ((4, "Ls"), (5, "Rs"))],
        *[Check(f"stage {stage + 1}, coefficient {name}", annex_1.at(" Tables 1 and 2"), value, "", 1e-14, 1e-14,
                partial(k_coefficient, stage, place)) for stage, row in enumerate(K_COEFFICIENTS)
          for place, (name, value) in enumerate(zip(("b0", "b1", "b2", "a0", "a1", "a2"), row, strict=True))],
        Check("LFE alone", annex_1.at(": LFE is left out"), -math.inf, "LUFS", 0.0, 0.0,
              partial(in_one_channel, 3, 6)),
        Check("1 dB more in, 1 LU more out", annex_1.at(": -3.01 LKFS"), -2.01 - 20.0, "LUFS", 0.005, 0.005,
              partial(in_one_channel, 0, 2, -19.0)),
        Check("antiphase reads like in phase", COMPUTED, -20.0, "LUFS", 0.005, 0.005, partial(antiphase, -20.0)),
        Check("stereo 1 kHz at -23 dBFS", COMPUTED, -22.9933, "LUFS", 0.001, 0.001,
              partial(integrated, steps((-23.0, 10.0)), RATE_HZ, 0)),
        Check("a quiet tail is gated", COMPUTED, -23.0588, "LUFS", 0.001, 0.001,
              partial(integrated, steps((-23.0, 10.0), (-50.0, 30.0)), RATE_HZ, 0)),
        *[Check(f"weight at azimuth {azimuth}, elevation {elevation}", BS1770.at(" Annex 3 Table 4"), weight, "",
                0.0, 0.0, partial(position_weight, azimuth, elevation)) for azimuth, elevation, weight in POSITIONS],
        *[Check(f"K-weighting at {frequency_hz:g} Hz", table, gain, "dB", 0.001, 0.001,
                partial(k_weighting_db, frequency_hz)) for frequency_hz, gain in K_RESPONSE_DB.items()],
    ]  # fmt: skip


CHECKS = [
    *bs1770(),
    *gates(),
    *computed_levels(),
    *tech_3341(),
    *tech_3341(RATE_HZ, RATE_HZ // TICKS_PER_SECOND, ", in ticks of 10 ms"),
    *tech_3342(),
    *percentiles(),
]

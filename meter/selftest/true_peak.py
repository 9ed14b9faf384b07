"""Published checks of true peak: EBU Tech 3341 cases 15 to 23, ITU-R BS.1770-5 Annex 2, closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

import numpy as np

from dsp.core.signals import fade, in_channels, silence
from dsp.core.types import FloatArray, Spec
from dsp.core.units import amplitude_to_db
from dsp.peak.peak_meter import PeakMeter
from dsp.peak.true_peak import ANNEX_2_FIR, OVERSAMPLING, interpolator, oversample
from meter.selftest.checks import CLOSED_FORM, PRINTED, Check, Source

RATE_HZ = 48_000

TECH_3341 = Source("EBU Tech 3341 v4 (2023), Table 1", PRINTED, "a transcription and a test-signal source file")
ANNEX_2 = Source("ITU-R BS.1770-5 (11/2023) Annex 2", PRINTED, "two transcriptions and a note that quotes it")
WAVEFORM = Source("closed form of the waveform, not printed anywhere", CLOSED_FORM)

PLUS_DB, MINUS_DB = 0.2, 0.4
"""EBU Tech 3341 Table 1: tolerance of true peak."""

FADE_SECONDS = 0.01
SECONDS = 0.5

Reader = str
"""``"ours"`` for the meter, ``"annex"`` for the 48-tap example of Annex 2 with the sample peak."""

Signal = Callable[[], FloatArray]
"""A signal, made when it is wanted."""


def sine(ratio: float, amplitude: float, phase_degrees: float) -> FloatArray:
    """A sine at the rate divided by ``ratio``, with a linear fade of 10 ms at both ends, ``(frames, 2)``."""
    frames = np.arange(round(SECONDS * RATE_HZ))
    wave = amplitude * np.sin(2.0 * np.pi * frames / ratio + math.radians(phase_degrees))
    return fade(in_channels(wave, 2), FADE_SECONDS, RATE_HZ)


def with_a_loud_period(offset: int) -> FloatArray:
    """Tech 3341 cases 20 to 23: a sine at a sixth of the rate with one louder period at a quarter, phase unbroken.

    Made at four times the rate, low-pass filtered at half the rate (511 taps, Blackman window), every fourth kept.
    """
    slow, fast = 24, 16
    before = slow * 1000
    quiet = 0.5 * np.sin(2.0 * np.pi * np.arange(before) / slow)
    loud = np.sin(2.0 * np.pi * np.arange(fast) / fast)
    wave = fade(in_channels(np.concatenate([quiet, loud, quiet]), 1), FADE_SECONDS, 4 * RATE_HZ)[:, 0]
    taps = np.sinc((np.arange(511) - 255) / 4.0) * np.blackman(511)
    smooth = np.convolve(wave, taps / taps.sum(), "same")
    return in_channels(smooth[offset::4], 2)


def repeating(*period: float) -> FloatArray:
    """A repeating pattern of samples under the fades of ``sine``, ``(frames, 2)``."""
    frames = round(SECONDS * RATE_HZ)
    return fade(in_channels(np.resize(np.array(period), frames), 2), FADE_SECONDS, RATE_HZ)


def in_silence(*samples: float) -> FloatArray:
    """A few samples in the middle of silence, ``(frames, 2)``."""
    signal = silence(0.1, RATE_HZ, 2)
    middle = len(signal) // 2
    signal[middle : middle + len(samples)] = np.array(samples)[:, None]
    return signal


def read(signal: Signal, reader: Reader = "ours") -> float:
    """Highest true peak in dBTP."""
    if reader == "annex":
        samples = signal()
        return float(amplitude_to_db(max(np.abs(oversample(samples, ANNEX_2_FIR)).max(), np.abs(samples).max())))
    return metered(signal()).true_max


def read_samples(signal: Signal) -> float:
    """Highest sample peak in dBFS."""
    return metered(signal()).sample_max


def metered(signal: FloatArray, block_frames: int = 0) -> PeakMeter:
    """A peak meter after ``signal`` in blocks of ``block_frames`` (0: whole)."""
    meter = PeakMeter(Spec(RATE_HZ, signal.shape[1]), 3.0)
    step = block_frames or len(signal)
    for start in range(0, len(signal), step):
        meter.push(signal[start : start + step])
    return meter


SINES = {
    "15": (4, 0.50, 0.0),
    "16": (4, 0.50, 45.0),
    "17": (6, 0.50, 60.0),
    "18": (8, 0.50, 67.5),
    "19": (4, 1.41, 45.0),
}
"""Tech 3341 cases 15 to 19: rate over frequency, amplitude re full scale, phase in degrees."""


def tech_3341(reader: Reader = "ours", label: str = "") -> list[Check]:
    """Cases 15 to 23."""
    signals: dict[str, Signal] = {case: partial(sine, *recipe) for case, recipe in SINES.items()}
    signals |= {str(20 + offset): partial(with_a_loud_period, offset) for offset in range(4)}
    expected = {"19": 3.0, **{str(case): 0.0 for case in range(20, 24)}}
    return [
        Check(f"case {case}, highest true peak{label}", TECH_3341.at(f", case {case}"), expected.get(case, -6.0),
              "dBTP", MINUS_DB, PLUS_DB, partial(read, signal, reader))
        for case, signal in signals.items()
    ]  # fmt: skip


def closed_forms() -> list[Check]:
    """Sines whose samples miss the crest, and patterns whose true peak lies above every sample."""
    place = np.linspace(0.0, 1.5, 3001)
    in_threes = float(np.max(4.0 / 3.0 * np.cos(np.pi * place / 3.0) - np.cos(np.pi * place) / 3.0))
    patterns: dict[str, tuple[Signal, float]] = {
        "+1 +1 +1 -1 -1 -1 repeating": (partial(repeating, 1, 1, 1, -1, -1, -1), in_threes),
        "+1 +1 -1 -1 repeating": (partial(repeating, 1, 1, -1, -1), math.sqrt(2.0)),
        "two +1 in silence": (partial(in_silence, *_doubled_sign(1)), 4.0 / math.pi),
        "-1 +1 +1 -1 in silence": (partial(in_silence, *_doubled_sign(2)), 4.0 / math.pi * (1.0 + 1.0 / 3.0)),
    }
    checks = []
    for ratio in (3, 4, 5, 6, 7, 8, 12, 16):
        between = 180.0 / ratio if ratio % 2 == 0 else 90.0 / ratio
        signal = partial(sine, ratio, 1.0, 90.0 - between)
        name = f"full-scale sine at rate/{ratio}, samples off the crest"
        below = 20.0 * math.log10(math.cos(math.radians(between)))
        checks += [
            Check(name, WAVEFORM, 0.0, "dBTP", MINUS_DB, PLUS_DB, partial(read, signal)),
            Check(f"{name}, sample peak", WAVEFORM, below, "dBFS", 0.001, 0.001, partial(read_samples, signal)),
        ]
    return checks + [
        Check(name, WAVEFORM, 20.0 * math.log10(peak), "dBTP", MINUS_DB, PLUS_DB, partial(read, signal))
        for name, (signal, peak) in patterns.items()
    ]


def _doubled_sign(count: int) -> list[float]:
    """``count`` alternating samples on each side of a sign that comes twice."""
    half = [(-1.0) ** place for place in range(count)]
    return [*half[::-1], *half]


def between_the_grid_db(norm: float) -> float:
    """What our interpolator shows of a sine's crest that lies half-way between two of its values."""
    frames = np.arange(4000)
    wave = np.cos(2.0 * np.pi * norm * (frames - 2000.0 - 0.5 / OVERSAMPLING))
    rows = interpolator()
    values = np.abs(oversample(in_channels(wave, 1), rows))[:, 0]
    first = OVERSAMPLING * (2000 - (rows.shape[1] // 2 - 1))
    return float(amplitude_to_db(values[first : first + 2].max()))


def attachment_1() -> list[Check]:
    """Attachment 1 to Annex 2: our interpolator and our meter on sines that meet the four-fold grid at its worst.

    The rows for 8 and 16 times say nothing of a four-fold meter; at half the rate there is no sine to interpolate.
    """
    source = ANNEX_2.at(" Attachment 1")
    formula = source.at(", formula at 0.25 of the rate", CLOSED_FORM)
    places = ((0.45, -0.554, source.at(", 4 times")), (0.25, -0.169, formula))
    worst = partial(sine, 4, 1.0, 90.0 / 8.0)
    return [
        *[Check(f"interpolator at {norm:g} of the rate, crest between the grid", row, missed, "dB",
                0.05, 0.05, partial(between_the_grid_db, norm)) for norm, missed, row in places],
        Check("rate/4 with the crest between the grid", formula, -0.169, "dBTP",
              0.02, 0.02, partial(read, worst)),
    ]  # fmt: skip


CHECKS = [
    *tech_3341(),
    *tech_3341("annex", ", example filter of BS.1770-5 Annex 2"),
    *attachment_1(),
    *closed_forms(),
]

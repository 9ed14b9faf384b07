"""Published checks of RMS, AES17 level and crest factor."""

from __future__ import annotations

from functools import partial

import numpy as np

from dsp.core.signals import in_channels, tone
from dsp.core.types import FloatArray
from dsp.level.level import Level
from meter.selftest.checks import CLOSED_FORM, OWN_CASE, PRINTED, Check, Source

RATE_HZ = 48_000
CYCLES = 997
"""Whole periods in one second, without a common factor with the rate: every phase occurs once."""

AES17 = Source("AES17, full-scale sine = 0 dBFS(rms)", PRINTED, "glossaries that quote it")
AES17_WAVEFORM = AES17.at("; closed form of the waveform", CLOSED_FORM)
R68 = Source("EBU R 68-2000, alignment 18 dB below maximum coding level; arithmetic", CLOSED_FORM, "its text")
CREST = Source("closed form of the waveform, not printed anywhere", CLOSED_FORM)
CREST_OF_NOISE = CREST.at("; median of seeded noise, our own case", OWN_CASE)
QUANTISER = Source("6.0206 N + 1.7609 dB, ideal quantiser", CLOSED_FORM)


def waveform(shape: str) -> FloatArray:
    """One second of a full-scale waveform, ``(frames, 1)``."""
    phase = (np.arange(RATE_HZ) * CYCLES % RATE_HZ + 0.5) / RATE_HZ
    waves = {
        "sine": np.sin(2.0 * np.pi * phase),
        "square": np.sign(0.5 - phase),
        "triangle": 1.0 - 4.0 * np.abs(phase - 0.5),
        "sawtooth": 2.0 * phase - 1.0,
        "half-wave rectified sine": np.maximum(np.sin(2.0 * np.pi * phase), 0.0),
    }
    return in_channels(waves[shape], 1)


def noise(kind: str) -> FloatArray:
    """One second of seeded noise."""
    rng = np.random.default_rng(5)
    first, second = rng.uniform(-0.5, 0.5, (2, RATE_HZ, 1))
    made = {"uniform": 2.0 * first, "triangular": first + second, "Gaussian": 0.1 * rng.standard_normal((RATE_HZ, 1))}
    return np.asarray(made[kind])


def measured(block: FloatArray) -> Level:
    """Level of one block."""
    level = Level(block.shape[1])
    level.process(block)
    return level


def aes17_dbfs(shape: str) -> float:
    """AES17 level of a full-scale waveform."""
    return float(measured(waveform(shape)).rms_dbfs[0])


def crest_db(block: FloatArray) -> float:
    """Crest factor of a block."""
    return float(measured(block).crest_db[0])


def crest_of_waveform_db(shape: str) -> float:
    """Crest factor of a waveform."""
    return crest_db(waveform(shape))


def crest_of_noise_db(kind: str) -> float:
    """Crest factor of noise."""
    return crest_db(noise(kind))


def crest_of_gaussian_db(frames: int) -> float:
    """Median crest factor of eleven stretches of Gaussian noise."""
    rng = np.random.default_rng(5)
    return float(np.median([crest_db(0.1 * rng.standard_normal((frames, 1))) for _ in range(11)]))


def crest_of_two_tones_db() -> float:
    """Crest factor of two equal sines, frequencies 5 to 6, over whole periods of both."""
    return crest_db(tone(500.0, -6.0, 1.0, RATE_HZ) + tone(600.0, -6.0, 1.0, RATE_HZ))


def alignment_amplitude() -> float:
    """Sample peak of a sine at -18 dBFS."""
    return float(10.0 ** (measured(tone(997.0, -18.0, 1.0, RATE_HZ)).peak_dbfs[0] / 20.0))


def one_eighth_dbfs() -> float:
    """AES17 level of a sine of amplitude 1/8."""
    return float(measured(waveform("sine") / 8.0).rms_dbfs[0])


def quantiser_range_db(bits: int) -> float:
    """Level of a full-scale sine over the level of its own rounding error."""
    sine = waveform("sine")
    step = 2.0 ** (1 - bits)
    return float(measured(sine).rms_db[0] - measured(np.round(sine / step) * step - sine).rms_db[0])


def small_signal_dbfs() -> float:
    """AES17 level of a sine 140 dB below full scale: no floor, no rounding."""
    return float(measured(waveform("sine") * 1e-7).rms_dbfs[0])


WAVES = [("sine", 0.0), ("square", 3.0103), ("triangle", -1.761), ("sawtooth", -1.761)]
CRESTS = [
    ("sine", 3.0103), ("square", 0.0), ("triangle", 4.7712), ("sawtooth", 4.7712),
    ("half-wave rectified sine", 6.0206),
]  # fmt: skip
NOISE_CRESTS = [("uniform", 4.7712, 0.05), ("triangular", 7.7815, 0.3), ("Gaussian", 12.7, 1.5)]
"""Gaussian noise has no fixed value: 12.7 dB is the median of 48,000 samples."""

GAUSSIAN_CRESTS = [(1000, 10.6), (480_000, 13.7)]
"""Length in samples, crest factor: the longer, the higher."""

QUANTISERS = [(16, 98.09), (24, 146.26)]

CHECKS: list[Check] = [
    *(
        Check(f"full-scale {shape}", AES17 if shape == "sine" else AES17_WAVEFORM, dB, "dBFS",
              0.01, 0.01, partial(aes17_dbfs, shape))
        for shape, dB in WAVES
    ),
    Check("sine at -18 dBFS, amplitude", R68, 0.125893, "of full scale", 1e-5, 1e-5, alignment_amplitude),
    Check("sine of 1/8 of full scale", R68, -18.0618, "dBFS", 0.001, 0.001, one_eighth_dbfs),
    Check("sine 140 dB below full scale", AES17.at("; our own case", OWN_CASE), -140.0,
          "dBFS", 0.01, 0.01, small_signal_dbfs),
    *(
        Check(f"crest factor: {shape}", CREST, dB, "dB", 0.01, 0.01, partial(crest_of_waveform_db, shape))
        for shape, dB in CRESTS
    ),
    Check("crest factor: two equal sines, 5 to 6", CREST, 5.93, "dB", 0.02, 0.02, crest_of_two_tones_db),
    *(
        Check(f"crest factor: {kind} noise", CREST_OF_NOISE if kind == "Gaussian" else CREST, dB, "dB", limit, limit,
              partial(crest_of_noise_db, kind))
        for kind, dB, limit in NOISE_CRESTS
    ),
    *(
        Check(f"crest factor: {frames} samples of Gaussian noise", CREST_OF_NOISE, dB, "dB", 0.5, 0.5,
              partial(crest_of_gaussian_db, frames))
        for frames, dB in GAUSSIAN_CRESTS
    ),
    *(
        Check(
            f"full-scale sine over rounding noise, {bits} bit", QUANTISER, dB, "dB",
            0.1, 0.1, partial(quantiser_range_db, bits),
        )
        for bits, dB in QUANTISERS
    ),
]  # fmt: skip

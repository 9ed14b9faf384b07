"""Published checks of the live spectrum: figures of tapers, levels of sines and noise, the class 1 bank beside it."""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from dsp.core.scipy_signal import get_window
from dsp.core.signals import pink_noise, tone, white_noise
from dsp.core.taper import coherent_gain, noise_bandwidth_bins, scalloping_db
from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.spectrum.filter_bank import BandBank, BandPower, butterworth_power, usable
from dsp.spectrum.spectrum import FINE_HZ, THIRD_OCTAVES, LiveSpectrum
from meter.selftest.checks import CLOSED_FORM, FROM_MEMORY, OWN_CASE, Check, Source

COSINE_SUM = Source("closed form of a cosine sum: 1 + sum(a_k^2) / (2 a_0^2)", CLOSED_FORM)
HALF_WAY = Source("closed form of the transform half-way between two bins", CLOSED_FORM)
SURVEY = Source("Proceedings of the IEEE 66 (1978), survey of windows, Table I (from memory)", FROM_MEMORY)
CLASS_1_BANK = Source("IEC 61260-1:2014 class 1 filters of this program, same signal", OWN_CASE)
AES17 = Source("AES17: a full-scale sine reads 0 dBFS; limits our own", OWN_CASE, "glossaries that quote it")

RATES_HZ = (44_100, 48_000)
LONG = 4096

TAPERS = {
    "boxcar": (1.0, 1.0, 3.922), "hann": (0.5, 1.5, 1.424), "hamming": (0.54, 1.36283, 1.751),
    "blackman": (0.42, 1.72676, 1.099), "blackmanharris": (0.35875, 2.00435, 0.826),
    "flattop": (0.215579, 3.77025, 0.0098),
}  # fmt: skip
"""Coherent gain, equivalent noise bandwidth in bins, scalloping loss in dB, for a long taper in periodic form."""

PRINTED = {"hann": (1.50, 1.42), "hamming": (1.36, 1.78), "blackmanharris": (2.00, 0.83)}


def taper(name: str) -> FloatArray:
    """A long taper in periodic form."""
    return np.asarray(get_window(name, LONG))


def taper_gain(name: str) -> float:
    """Coherent gain of a named taper."""
    return coherent_gain(taper(name))


def taper_bins(name: str) -> float:
    """Noise bandwidth of a named taper in bins."""
    return noise_bandwidth_bins(taper(name))


def taper_scalloping(name: str) -> float:
    """Scalloping loss of a named taper in dB."""
    return scalloping_db(taper(name))


def of_sine(rate_hz: int, frequency_hz: float) -> LiveSpectrum:
    """The spectrum of 1 s of a full-scale sine in both channels."""
    spectrum = LiveSpectrum(rate_hz, 2)
    spectrum.process(tone(frequency_hz, 0.0, 1.0, rate_hz, channels=2))
    return spectrum


def fine_dbfs(rate_hz: int, frequency_hz: float) -> float:
    """The fine view at the sine's own hertz."""
    return float(power_to_db(of_sine(rate_hz, frequency_hz).fine[round(frequency_hz - FINE_HZ[0])]))


def band_dbfs(rate_hz: int, index: int) -> float:
    """A third octave with a sine at its mid-band."""
    return float(power_to_db(of_sine(rate_hz, THIRD_OCTAVES[index].mid_hz).third_octave[index]))


def worst_tone_error_db(index: int) -> float:
    """Largest difference from the bank's response for sines across a band, 0.4 of it to either side."""
    item = THIRD_OCTAVES[index]
    errors = []
    for step in (-0.4, -0.2, 0.0, 0.2, 0.4):
        frequency_hz = item.mid_hz * (item.high_hz / item.low_hz) ** step
        reading = power_to_db(float(of_sine(48_000, frequency_hz).third_octave[index]))
        errors.append(reading - power_to_db(float(butterworth_power(np.array([frequency_hz]), item)[0])))
    return max(errors, key=abs)


@cache
def noise_errors_db(rate_hz: int, kind: str) -> FloatArray:
    """Third octaves of half a minute of noise against the class 1 bank, for every band that the rate can hold."""
    rng = np.random.default_rng(7)
    make = {"white": white_noise, "pink": pink_noise}[kind]
    noise = make(rng, -20.0, 30.0, rate_hz)
    bands = [item for item in THIRD_OCTAVES if usable(item, rate_hz)]
    power = BandPower(BandBank(rate_hz, 1, bands), 1)
    power.process(noise[: 2 * rate_hz])
    power.forget_levels()
    power.process(noise[2 * rate_hz :])
    live = LiveSpectrum(rate_hz, 1)
    live.set_time_constant(1e6)
    live.process(noise)
    return np.asarray(power_to_db(live.third_octave[: len(bands)]) - power_to_db(2.0 * power.mean_power()[:, 0]))


def worst_noise_error_db(rate_hz: int, kind: str) -> float:
    """The largest of ``noise_errors_db``."""
    return float(max(noise_errors_db(rate_hz, kind), key=abs))


def _tapers() -> list[Check]:
    checks = []
    for name, (gain, bandwidth, scallop) in TAPERS.items():
        checks += [
            Check(f"{name}, coherent gain", COSINE_SUM, gain, "", 1e-6, 1e-6, partial(taper_gain, name)),
            Check(f"{name}, noise bandwidth", COSINE_SUM, bandwidth, "bins", 1e-5, 1e-5, partial(taper_bins, name)),
            Check(f"{name}, scalloping", HALF_WAY, scallop, "dB", 1e-3, 1e-3, partial(taper_scalloping, name)),
        ]
    for name, (bandwidth, scallop) in PRINTED.items():
        printed = f"{name} as printed"
        checks += [
            Check(f"{printed}, noise bandwidth", SURVEY, bandwidth, "bins", 0.02, 0.02, partial(taper_bins, name)),
            Check(f"{printed}, scalloping", SURVEY, scallop, "dB", 0.05, 0.05, partial(taper_scalloping, name)),
        ]
    return checks


def _sines() -> list[Check]:
    checks = []
    for rate_hz in RATES_HZ:
        khz = f"at {rate_hz / 1000:g} kHz"
        for frequency_hz in (20.0, 41.0, 55.0, 110.0, 240.0):
            name = f"full-scale sine of {frequency_hz:g} Hz in the fine view {khz}"
            checks.append(Check(name, AES17, 0.0, "dBFS", 0.02, 0.02, partial(fine_dbfs, rate_hz, frequency_hz)))
        for index in (0, 4, 10, 11, 17, 27, 29):
            name = f"full-scale sine in the third octave {THIRD_OCTAVES[index].nominal_hz:g} Hz {khz}"
            checks.append(Check(name, AES17, 0.0, "dBFS", 0.3, 0.3, partial(band_dbfs, rate_hz, index)))
        for kind in ("white", "pink"):
            name = f"{kind} noise, third octave that differs most from the filters {khz}"
            checks.append(
                Check(name, CLASS_1_BANK, 0.0, "dB", 0.5, 0.5, partial(worst_noise_error_db, rate_hz, kind))
            )
    for index in (0, 1, 2, 5, 8, 10, 11, 14, 20, 26, 30):
        name = f"sines within the third octave {THIRD_OCTAVES[index].nominal_hz:g} Hz, worst against the filter"
        checks.append(Check(name, CLASS_1_BANK, 0.0, "dB", 0.5, 0.5, partial(worst_tone_error_db, index)))
    return checks


CHECKS: list[Check] = [*_tapers(), *_sines()]

"""Spectrum: the low end at every hertz, the rest in third octaves, and a hold of each."""

from __future__ import annotations

import numpy as np

from dsp.core.units import power_to_db
from dsp.spectrum.spectrum import FINE_HZ, THIRD_OCTAVES, TIME_CONSTANTS_SECONDS, LiveSpectrum
from meter.plugin.api import FloatArray, Readout, Settings, Spec

DEFAULT_SPEED = "steady"


class Spectrum:
    """Processor of the manifest beside it, for any number of channels: powers are means over them.

    Averaging is exponential: quick 0.125 s, steady 1 s, slow 3 s. The hold falls by 1 dB per second.
    """

    def __init__(self) -> None:
        self._seconds = TIME_CONSTANTS_SECONDS[DEFAULT_SPEED]
        self._prepared = False
        self._values: dict[str, FloatArray] = {}
        self._third_octave_hz = np.array([item.mid_hz for item in THIRD_OCTAVES])

    def configure(self, settings: Settings) -> None:
        """Set the averaging time; the present spectrum is kept."""
        self._seconds = TIME_CONSTANTS_SECONDS[str(settings.get("speed", DEFAULT_SPEED))]
        if self._prepared:
            self._spectrum.set_time_constant(self._seconds)

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._spectrum = LiveSpectrum(spec.rate_hz, spec.channels)
        self._prepared = True
        self._spectrum.set_time_constant(self._seconds)
        self._values = {}

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        if self._spectrum.process(block):
            self._values = {}

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        if self._spectrum.skip(frames):
            self._values = {}

    def read(self, out: Readout) -> None:
        """Write all fields."""
        out["third_octave_hz"] = self._third_octave_hz
        out["fine_hz"] = FINE_HZ
        for key, value in (self._values or self._evaluate()).items():
            out[key] = value

    def reset(self) -> None:
        """Forget the signal."""
        self._spectrum.reset()
        self._values = {}

    def _evaluate(self) -> dict[str, FloatArray]:
        """Levels in decibels, cached until the next hop."""
        self._values = {
            "third_octave": power_to_db(self._spectrum.third_octave),
            "third_octave_hold": power_to_db(self._spectrum.third_octave_hold),
            "fine": power_to_db(self._spectrum.fine),
            "fine_hold": power_to_db(self._spectrum.fine_hold),
        }
        return self._values

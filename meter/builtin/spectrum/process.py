"""Spectrum: the low end at every hertz, the rest in third octaves, and a hold of each."""

from __future__ import annotations

import numpy as np

from dsp.core.units import power_to_db
from dsp.spectrum.spectrum import FINE_HZ, THIRD_OCTAVES, TIME_CONSTANTS_SECONDS, LiveSpectrum
from dsp.stereo.correlation import pair_columns
from meter.plugin.api import FloatArray, Readout, Settings, Spec

DEFAULT_SPEED = "steady"
ALL, SIDE = "all", "side"


class Spectrum:
    """Processor of the manifest beside it, for any number of channels: powers are means over them.

    Mid is (L + R) / 2 and side (L - R) / 2, so that a full-scale sine in both channels reads 0 dBFS in mid. A feed
    of one channel has no side, and its mid is itself.
    Averaging is exponential: quick 0.125 s, steady 1 s, slow 3 s. The hold falls by 1 dB per second.
    """

    def __init__(self) -> None:
        self._seconds = TIME_CONSTANTS_SECONDS[DEFAULT_SPEED]
        self._of = ALL
        self._spec: Spec | None = None
        self._prepared = False
        self._values: dict[str, FloatArray] = {}
        self._third_octave_hz = np.array([item.mid_hz for item in THIRD_OCTAVES])

    def configure(self, settings: Settings) -> None:
        """Set the averaging time; the present spectrum is kept unless it is of something else from now on."""
        self._seconds = TIME_CONSTANTS_SECONDS[str(settings.get("speed", DEFAULT_SPEED))]
        of = str(settings.get("of", ALL))
        if of != self._of:
            self._of = of
            if self._spec is not None:
                self.prepare(self._spec)
        if self._prepared:
            self._spectrum.set_time_constant(self._seconds)

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        self._spec, columns = spec, pair_columns(spec)
        self._pair = None if self._of == ALL else columns
        self._spectrum = LiveSpectrum(spec.rate_hz, spec.channels if self._pair is None else 1)
        self._prepared = True
        self._spectrum.set_time_constant(self._seconds)
        self._values = {}

    def process(self, block: FloatArray) -> None:
        """Feed ``(frames, channels)``."""
        if self._spectrum.process(block if self._pair is None else self._one_of(block, self._pair)):
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

    def mark(self) -> None:
        """The mean since the mark begins here."""
        self._spectrum.mark()
        self._values = {}

    def _evaluate(self) -> dict[str, FloatArray]:
        """Levels in decibels, cached until the next hop."""
        self._values = {
            "third_octave": power_to_db(self._spectrum.third_octave),
            "third_octave_mark": power_to_db(self._spectrum.third_octave_mark),
            "third_octave_hold": power_to_db(self._spectrum.third_octave_hold),
            "fine": power_to_db(self._spectrum.fine),
            "fine_hold": power_to_db(self._spectrum.fine_hold),
        }
        return self._values

    def _one_of(self, block: FloatArray, pair: list[int]) -> FloatArray:
        """Mid or side of ``(frames, channels)``, ``(frames, 1)``."""
        left, right = (block[:, column : column + 1] for column in pair)
        return np.asarray(0.5 * (left - right if self._of == SIDE else left + right))

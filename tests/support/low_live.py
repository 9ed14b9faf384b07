"""The live low end with its study: a processor that is fed, and findings taken when they are asked for."""

from __future__ import annotations

from typing import Any

import numpy as np

from dsp.core.types import FloatArray
from dsp.lowend.low_stretch import LowStretch
from meter.lowend.findings import LowEndFindings, PartFindings
from meter.lowend.study import low_end
from tests.support.low_session import CHANNELS, FEEDS
from tests.support.processors import Processor

RATE_HZ = 48_000


class LiveLowEnd(Processor):
    """``feed`` sound, then ``study``; ``found`` are the newest findings."""

    def __init__(
        self,
        feeds: dict[str, tuple[int, ...]] = FEEDS,
        channels: int = CHANNELS,
        rate_hz: int = RATE_HZ,
        **settings: Any,
    ) -> None:
        super().__init__("low_end", rate_hz, channels, feeds, **settings)
        self.before: LowEndFindings | None = None

    @property
    def found(self) -> LowEndFindings:
        assert self.before is not None, "no study was due"
        return self.before

    def part(self, name: str) -> PartFindings:
        return self.found.part(name)

    def stretch(self) -> LowStretch | None:
        found = self.meter.stretch("account")
        assert found is None or isinstance(found, LowStretch)
        return found

    def study(self, times: int = 1) -> LowEndFindings | None:
        """Run the study if it is due, and again on the same sound until ``times``: the parts take turns."""
        stretch = self.stretch()
        for _ in range(times if stretch is not None else 0):
            assert stretch is not None
            self.before = low_end(stretch, self.settings, self.before)
        return self.before

    def feed_and_study(self, signal: FloatArray, seconds: float = 1.0) -> None:
        """Feed with a study after every so many seconds."""
        frames = round(seconds * self.rate_hz)
        for start in range(0, len(signal), frames):
            self.feed(signal[start : start + frames])
            self.study()

    @property
    def settings(self) -> dict[str, Any]:
        return dict(self.manifest.settings(self._settings))

    def settle(self, channels: int = CHANNELS) -> None:
        """A second and a half of silence, in which the parts' last second is worked through."""
        self.feed(np.zeros((round(1.5 * self.rate_hz), channels)))

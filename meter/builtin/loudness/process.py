"""Loudness by ITU-R BS.1770-5 and EBU Tech 3341, range by Tech 3342: the numbers of the loudness meter."""

from __future__ import annotations

from dsp.loudness.loudness import LoudnessMeter
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec


class Loudness:
    """One feed's loudness; the setting ``running`` pauses and resumes integrated loudness, range and maxima."""

    def __init__(self) -> None:
        self._running = True
        self._meter: LoudnessMeter | None = None

    def configure(self, settings: Settings) -> None:
        """Take the settings of the manifest. [dsp]"""
        self._running = bool(settings.get("running", True))
        if self._meter is not None:
            self._follow(self._meter)

    def prepare(self, spec: Spec) -> None:
        """Size everything for ``spec``. [dsp]"""
        self._meter = LoudnessMeter(spec)
        self._follow(self._meter)

    def process(self, block: FloatArray) -> None:
        """Measure ``(frames, channels)``. [dsp]"""
        self._prepared.push(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames. [dsp]"""
        self._prepared.skip(frames)

    def read(self, out: Readout) -> None:
        """Write every field of the manifest. [dsp]"""
        meter = self._prepared
        out["momentary"] = meter.momentary
        out["short_term"] = meter.short_term
        out["integrated"] = meter.integrated
        out["momentary_max"] = meter.momentary_max
        out["short_term_max"] = meter.short_term_max
        out["range"] = meter.loudness_range
        out["measured"] = meter.measured_seconds
        out["incomplete"] = float(meter.incomplete)
        out["history"] = meter.history
        out["blocks"], out["blocks_counted"] = meter.newest_blocks, float(meter.blocks_counted)
        marked = meter.since_mark
        out["integrated_mark"] = marked.integrated
        out["range_mark"] = marked.loudness_range
        out["momentary_max_mark"] = marked.momentary_max
        out["short_term_max_mark"] = marked.short_term_max
        out["measured_mark"] = meter.measured_seconds_since_mark
        out["lost_mark"] = meter.lost_seconds_since_mark

    def reset(self) -> None:
        """Forget the signal, keep the settings. [dsp]"""
        self._prepared.reset()

    def mark(self) -> None:
        """Restart the figures since the mark. [dsp]"""
        self._prepared.mark()

    def save_state(self) -> SavedState:
        """Sums and maxima since reset and since the mark. [dsp]"""
        return self._prepared.save_state()

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave. [dsp]"""
        self._prepared.restore_state(kept)

    @property
    def _prepared(self) -> LoudnessMeter:
        if self._meter is None:
            raise RuntimeError("The loudness meter was used before prepare().")
        return self._meter

    def _follow(self, meter: LoudnessMeter) -> None:
        if self._running:
            meter.resume()
        else:
            meter.pause()

"""Sample peak and true peak (ITU-R BS.1770-5 Annex 2): the numbers of the peak meter."""

from __future__ import annotations

from dsp.peak.peak_meter import PeakMeter
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

DEFAULT_HOLD_SECONDS = 3.0


class Peaks:
    """One feed's peaks; the setting ``hold_seconds`` is how long a true peak is held."""

    def __init__(self) -> None:
        self._hold_seconds = DEFAULT_HOLD_SECONDS
        self._meter: PeakMeter | None = None

    def configure(self, settings: Settings) -> None:
        """Take the settings of the manifest. [dsp]"""
        self._hold_seconds = float(settings.get("hold_seconds", DEFAULT_HOLD_SECONDS))
        if self._meter is not None:
            self._meter.hold(self._hold_seconds)

    def prepare(self, spec: Spec) -> None:
        """Size everything for ``spec``. [dsp]"""
        self._meter = PeakMeter(spec, self._hold_seconds)

    def process(self, block: FloatArray) -> None:
        """Measure ``(frames, channels)``. [dsp]"""
        self._prepared.push(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames. [dsp]"""
        self._prepared.skip(frames)

    def read(self, out: Readout) -> None:
        """Write every field of the manifest but those that the chain works out from two meters. [dsp]"""
        levels = self._prepared.levels()
        out["sample"], out["true"], out["true_hold"], out["true_max_each"], highest = levels
        out["true_recent"] = self._prepared.true_recent
        out["true_10s"] = self._prepared.true_10s
        out["sample_latest"], out["true_latest"] = self._prepared.latest
        out["true_max"] = levels[3].max()
        out["sample_max"] = highest.max()
        out["overs"] = float(self._prepared.overs)
        out["clipped"] = float(self._prepared.clipped)
        sample, true, overs, clipped = self._prepared.since_mark
        out["sample_max_mark"], out["true_max_mark"] = sample, true
        out["overs_mark"], out["clipped_mark"] = float(overs), float(clipped)
        out["over_at"], out["over_channel"], out["over_peak"], out["over_count"] = self._prepared.over_places.table.T
        out["clip_at"], out["clip_channel"], _, out["clip_count"] = self._prepared.clip_places.table.T

    def reset(self) -> None:
        """Forget the signal, keep the settings. [dsp]"""
        self._prepared.reset()

    def mark(self) -> None:
        """Restart the figures since the mark. [dsp]"""
        self._prepared.mark()

    def save_state(self) -> SavedState:
        """Maxima and counts since reset and since the mark. [dsp]"""
        return self._prepared.save_state()

    def restore_state(self, kept: SavedState) -> None:
        """Go on from what ``save_state`` gave. [dsp]"""
        self._prepared.restore_state(kept)

    @property
    def _prepared(self) -> PeakMeter:
        if self._meter is None:
            raise RuntimeError("The peak meter was used before prepare().")
        return self._meter

"""The low end of several parts, fast lane: shares and mono losses as they move, and the stretch to look back at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.lowend.bar_lanes import BARS, bar_seconds
from dsp.lowend.low_band import SUB_BANDS_HZ
from dsp.lowend.low_stream import KEPT_SECONDS, LAST, LAST_SECONDS, LowStream
from dsp.lowend.low_stretch import LowStretch
from meter.plugin.api import Readout, SavedState, Settings, Spec

NAN = float("nan")
MIX, PART_PREFIX = "mix", "part "
MOST_LOOKS, MOST_TRIALS = 3, 1
"""Parts that one study looks at, and of those the parts whose high-passes it tries: about 0.3 s of work."""

Values = dict[str, Any]


class LowEnd:
    """Processor of the manifest beside it; without a part in the feed map everything reads "not yet"."""

    def __init__(self) -> None:
        self._settings: Mapping[str, Any] = {}
        self._stream: LowStream | None = None
        self._names: tuple[str, ...] = ()
        self._values: Values = {}
        self._is_changed = True
        self._values_at = (0, 0, 0.0)
        self._studied_seconds = 0.0

    def configure(self, settings: Settings) -> None:
        """Span and tempo; a changed tempo restarts the sums of the last bars."""
        self._settings = dict(settings)
        self._is_changed = True
        self._values = {}
        if self._stream is not None:
            self._look_back(self._stream)

    def prepare(self, spec: Spec) -> None:
        """Size all state; also means reset."""
        parts = {name.removeprefix(PART_PREFIX): taken for name, taken in spec.feeds.items() if is_part(name)}
        mix = spec.feeds.get(MIX)
        mix = mix if mix is not None and len(mix) <= 2 else None  # a wider mix is not compared
        self._names = tuple(parts)
        self._stream = LowStream(spec.rate_hz, spec.channels, list(parts.values()), mix) if parts else None
        self._forget()
        if self._stream is not None:
            self._look_back(self._stream)

    def process(self, block: Any) -> None:
        """Feed ``(frames, channels)`` of the whole source."""
        if self._stream is not None:
            self._stream.process(block)

    def skip(self, frames: int) -> None:
        """Account for lost frames."""
        self._values = {}
        if self._stream is not None:
            self._stream.skip(frames)

    def reset(self) -> None:
        """Forget the signal."""
        self._forget()
        if self._stream is not None:
            self._stream.reset()

    def mark(self) -> None:
        """Restart the sums since the mark."""
        self._values = {}
        if self._stream is not None:
            self._stream.mark()

    def save_state(self) -> SavedState:
        """The sums since reset and since the mark."""
        return self._stream.save_state() if self._stream is not None else {}

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self._values = {}
        if self._stream is not None:
            self._stream.restore_state(kept)

    def read(self, out: Readout) -> None:
        """Write all fields."""
        if self._stream is None:
            out.blank()
            return
        stream = self._stream
        if not self._values or stream.moment != self._values_at:
            self._values, self._values_at = self._figures(stream), stream.moment
        for key, value in self._values.items():
            out[key] = value
        out["heard"] = stream.heard_seconds(self._span)
        out["age"] = stream.age_seconds

    def stretch(self, key: str) -> LowStretch | None:
        """What the study looks back at; None while nothing is new."""
        stream = self._stream
        if stream is None or not (self._is_changed or stream.kept_seconds > self._studied_seconds):
            return None
        self._is_changed, self._studied_seconds = False, stream.kept_seconds
        tempo = self._tempo_bpm
        pair_seconds = BARS * bar_seconds(tempo) if tempo > 0.0 else KEPT_SECONDS
        return stream.stretch(self._names, self._span, MOST_LOOKS, MOST_TRIALS, pair_seconds)

    @property
    def _span(self) -> str:
        return str(self._settings.get("span", LAST))

    @property
    def _tempo_bpm(self) -> float:
        return float(self._settings.get("tempo_bpm", 0.0))

    def _forget(self) -> None:
        self._values = {}
        self._values_at = (0, 0, 0.0)
        self._studied_seconds = 0.0
        self._is_changed = False

    def _look_back(self, stream: LowStream) -> None:
        """Over eight bars of four beats, or ten seconds without a tempo."""
        seconds = BARS * bar_seconds(self._tempo_bpm) if self._tempo_bpm > 0.0 else LAST_SECONDS
        if seconds != stream.last_seconds:
            stream.look_back(seconds)

    def _figures(self, stream: LowStream) -> Values:
        span = self._span
        sums = stream.sums(span)
        edges, shares, bus, loss = np.array(SUB_BANDS_HZ), sums.share_percent, sums.mix_over_sum_db, sums.loss_db
        return {
            "span_seconds": stream.last_seconds if span == LAST else NAN,
            "band_low_edge": edges[:, 0],
            "band_high_edge": edges[:, 1],
            "share": shares[0],
            "band_share": shares[1:].T.ravel(),
            "mix_bus_difference": bus[0],
            "mix_bus_bands": bus[1:],
            "mono_loss": loss[0],
            "mono_loss_bands": loss[1:],
            "part_mono_loss": sums.part_loss_db[0],
            "part_mono_loss_bands": np.concatenate(stream.mono_loss_db),
        }


def is_part(feed: str) -> bool:
    """Whether a feed of the map is a part."""
    return feed.startswith(PART_PREFIX)

"""What is gathered of several parts and a mix as the sound comes, hop by hop, for a live low-end ledger.

The stages are those of the offline ledger, so that the same stretch gives the same figures. Work on a hop is split
into ``STEPS`` of about equal cost, to be done one per tick. While nothing plays, what is kept for looking back stays
as it is: the last music can still be asked about.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from dsp.core.captured_stretch import Capture
from dsp.core.energy_gate import LEAST_POWER
from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray
from dsp.lowend.likeness import LowLikeness
from dsp.lowend.low_band import LowBand
from dsp.lowend.low_part import LowPart
from dsp.lowend.shares import LowShares
from dsp.stereo.mono_bands import FRAME, MonoBands

KEPT_SECONDS = 30.0
CAPTURED_SECONDS = 12.0
MOST_CAPTURED = 24_000_000
"""Samples captured of all channels together, 96 MB: 32 channels keep 12 s at 48 kHz, and 4 s at 192 kHz."""
QUIET_SECONDS = 1.0
ACTIVE_SECONDS = 10.0
LONGEST_GAP_SECONDS = 60.0
"""A longer gap has the same effect as this one, except on ages."""
LONGEST_HOLE_SECONDS = 1.0
"""No analysis of the kept sound spans a gap, so a short hole there is enough to mark a long one."""
LIKENESS_SECONDS = 10.0
STEPS = 3


class LowStream:
    """Columns of ``parts`` and ``mix`` (one or two each) are those of the hops given to ``take``, in that order.

    ``take`` a hop of ``hop_frames``, then do its ``step`` 0, 1 and 2. ``capture`` holds the same columns and then the
    sum of the parts in ``sum_columns``. ``loud_seconds`` is how much was heard, ``heard_seconds`` that since the span
    was set, ``kept_seconds`` a clock that stands while nothing plays. Raises ValueError without a part.
    """

    def __init__(self, rate_hz: int, parts: Sequence[int], mix: int = 0) -> None:
        widths = [*parts, *([mix] if mix else [])]
        edges = np.concatenate([[0], np.cumsum(widths)]).astype(int)
        columns = [tuple(range(first, end)) for first, end in pairwise(edges)]
        self.rate_hz = rate_hz
        self.channels = int(edges[-1])
        self.part_columns = columns[: len(parts)]
        self._lefts = np.array([taken[0] for taken in self.part_columns])
        self._rights = np.array([taken[-1] for taken in self.part_columns])
        self.mix_columns = columns[len(parts)] if mix else None
        self._splitter = LowBand(rate_hz, self.channels)
        self.hop_frames = self._splitter.hop_frames
        self.hop_seconds = self._splitter.hop_seconds
        captured_seconds = min(CAPTURED_SECONDS, MOST_CAPTURED / ((self.channels + 2) * rate_hz))
        self.capture = Capture(round(captured_seconds * rate_hz), self.channels + 2)
        self.sum_columns = (self.channels, self.channels + 1)
        self._to_sum = np.zeros((self.channels, 2))
        for taken in self.part_columns:
            self._to_sum[taken[0], 0] = self._to_sum[taken[-1], 1] = 1.0
        self.parts = [
            LowPart(rate_hz, len(taken), KEPT_SECONDS, turn=number / len(parts))
            for number, taken in enumerate(self.part_columns)
        ]
        self.sum = LowPart(rate_hz, 2, KEPT_SECONDS, with_notes=False)
        self.mix = LowPart(rate_hz, 2, KEPT_SECONDS, with_notes=False) if mix else None
        self.mono = [MonoBands(rate_hz) if len(taken) == 2 else None for taken in self.part_columns]
        self.sitting = self._make_shares(10.0)
        self.likeness = LowLikeness(self.hop_seconds, self.part_columns, LIKENESS_SECONDS)
        self.span(10.0)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        counted = (self._splitter, self.capture, self.last, self.sitting, self.likeness)
        for stage in (*counted, self.sum, *self.parts, *self.mono):
            if stage is not None:
                stage.reset()
        if self.mix is not None:
            self.mix.reset()
        self._hop: FloatArray | None = None
        self._together = np.empty((0, 2))
        self._hops = 0
        self._loud_hop = np.full(len(self.parts), -np.inf)
        self._late_seconds = 0.0
        self.heard_seconds = self.loud_seconds = 0.0
        self.kept_seconds = 0.0

    def span(self, seconds: float) -> None:
        """Set the span of ``last``."""
        self.last = self._make_shares(seconds)
        self.span_seconds = seconds
        self.heard_seconds = 0.0

    @property
    def playing(self) -> bool:
        """Whether any part was over the audibility threshold within the last second."""
        return bool(self._hops - self._loud_hop.max() <= QUIET_SECONDS / self.hop_seconds)

    def active(self, part: int) -> bool:
        """Whether a part was over the audibility threshold within the last ten seconds of hops."""
        return bool(self._hops - self._loud_hop[part] <= ACTIVE_SECONDS / self.hop_seconds)

    @property
    def age_seconds(self) -> float:
        """Since ``last`` was renewed; NaN before the first time."""
        return self.last.age_seconds + self._late_seconds

    def take(self, hop: FloatArray) -> None:
        """The next hop, ``(hop_frames, channels)``; borrowed until its last step."""
        self._hop = hop
        self._hops += 1
        power = np.einsum("fc,fc->c", hop, hop) / max(1, len(hop))
        # Twice the mean square of the channels is 1 for a full-scale sine (AES17).
        self._loud_hop[power[self._lefts] + power[self._rights] >= LEAST_POWER] = self._hops
        if self.playing:
            self.heard_seconds += self.hop_seconds
            self.loud_seconds += self.hop_seconds

    def step(self, number: int) -> None:
        """Do one of the ``STEPS`` for the hop that was taken; nothing without one."""
        hop = self._hop
        if hop is None:
            return
        if number == 0:
            self._share(self._splitter.process(hop))
            if self.playing:
                self._together = self._sum_of(hop)
                self.capture.push(hop, self._together)
        elif self.playing:
            self._push_parts(hop, number - 1)
        if number == STEPS - 1:
            if self.playing:
                self.kept_seconds += len(hop) / self.rate_hz
            self._hop = None

    def skip(self, frames: int) -> None:
        """Account for lost frames; hops taken before must have had their steps."""
        longest = round(LONGEST_GAP_SECONDS * self.rate_hz)
        if frames > longest:
            self._late_seconds += (frames - longest) / self.rate_hz
            frames = longest + (frames - longest) % self.hop_frames
        self._share(self._splitter.skip(frames))
        self._hops += frames // self.hop_frames
        self.capture.cut()
        hole = min(frames, round(LONGEST_HOLE_SECONDS * self.rate_hz))
        for part in (*self.parts, self.sum, *([self.mix] if self.mix is not None else [])):
            part.skip(hole)
        for mono in self.mono:
            if mono is not None:
                mono.process(np.full((min(frames, FRAME), 2), np.nan))
        self.kept_seconds += hole / self.rate_hz

    def save_state(self) -> SavedState:
        """The sums since reset and since the mark, without the sound kept for the look back."""
        kept = {"loud_seconds": self.loud_seconds, **inside("sitting", self.sitting.save_state())}
        for number, mono in enumerate(self.mono):
            kept |= inside(f"mono {number}", mono.save_state()) if mono is not None else {}
        return kept

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self.loud_seconds = float(kept["loud_seconds"])
        self.sitting.restore_state(of("sitting", kept))
        for number, mono in enumerate(self.mono):
            if mono is not None:
                mono.restore_state(of(f"mono {number}", kept))

    def _make_shares(self, seconds: float) -> LowShares:
        return LowShares(self.hop_seconds, self.part_columns, self.mix_columns, seconds)

    def _share(self, hops: FloatArray) -> None:
        before = self.last.age_seconds
        sums = self.last.sums(hops)
        self.last.push_sums(sums, hops.shape[2])
        self.sitting.push_sums(sums, hops.shape[2])
        self.likeness.push(hops)
        if not self.last.age_seconds >= before:
            self._late_seconds = 0.0

    def _push_parts(self, hop: FloatArray, turn: int) -> None:
        """Every second part at a time; the sum goes with the first, the mix with the others."""
        for number in range(turn, len(self.parts), STEPS - 1):
            columns = self.part_columns[number]
            own = hop[:, columns[0] : columns[-1] + 1]
            self.parts[number].push(own)
            mono = self.mono[number]
            if mono is not None:
                mono.process(own)
        if turn == 0:
            self.sum.push(self._together)
        elif self.mix is not None and self.mix_columns is not None:
            self.mix.push(hop[:, [self.mix_columns[0], self.mix_columns[-1]]])

    def _sum_of(self, hop: FloatArray) -> FloatArray:
        """The sum of all parts, a mono part in both channels, ``(frames, 2)``."""
        return np.asarray(hop @ self._to_sum)

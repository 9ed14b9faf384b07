"""What is gathered of several parts and a mix as the sound comes, for a live low-end account.

Sound is taken in hops of about 50 ms. Sums and captured sound follow each hop. The parts' low audio is worked through
a second at a time, one part or a few at four moments of each hop, so that no tick has to do all of it. Everything is
counted in frames: any block size gives the same. While nothing plays, what is kept for looking back stays as it is.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from dsp.core.captured_stretch import Block, Capture
from dsp.core.energy_gate import LEAST_POWER
from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import FloatArray, check_block
from dsp.lowend.likeness import LowLikeness
from dsp.lowend.low_band import LowBand
from dsp.lowend.low_part import LowPart
from dsp.lowend.low_stretch import CapturedBlocks, LowStretch
from dsp.lowend.part_sound import PartSound
from dsp.lowend.shares import LowShares, LowSums
from dsp.stereo.mono_bands import FRAME, MonoBands

LAST, MARKED, SITTING = "last", "marked", "sitting"
SPANS = (LAST, MARKED, SITTING)
LAST_SECONDS = 10.0
KEPT_SECONDS = 30.0
CAPTURED_SECONDS = 12.0
MOST_CAPTURED = 24_000_000
"""Samples captured of all channels together, 96 MB: 32 channels keep 12 s at 48 kHz, and 4 s at 192 kHz."""
TRIED_SECONDS = 10.0
QUIET_SECONDS = 1.0
ACTIVE_SECONDS = 10.0
LONGEST_GAP_SECONDS = 60.0
"""A longer gap has the same effect as this one, except on ages."""
LONGEST_HOLE_SECONDS = 1.0
"""No analysis of the kept sound spans a gap, so a short hole there is enough to mark a long one."""
LIKENESS_SECONDS = 10.0
LOT_SECONDS = 1.0
"""The parts' low audio worked through in one go: blocks of 10 ms would cost seven times as much."""
MOMENTS = 4
"""How often in a hop the parts are worked through: no tick has more than one of 32 parts."""

Kept = tuple[tuple[PartSound, ...], PartSound, PartSound | None]
"""Of the parts, of their sum, and of the mix."""


@dataclass(frozen=True)
class _Lot:
    """Hops that wait for the parts, and the frames lost after them."""

    blocks: tuple[Block, ...]
    lost_frames: int
    kept_seconds: float


class LowStream:
    """Follow ``parts`` and ``mix``, columns of blocks ``(frames, channels)``, one or two columns each.

    ``loud_seconds`` were heard since reset. The sound kept for looking back ends at ``kept_seconds``, a clock that
    stands still while nothing plays; ``mono_loss_db`` is what each part loses in mono in six bands, up to there.
    Raises ValueError without a part, or for one of no or more than two columns, or of columns that are not there.
    """

    def __init__(
        self, rate_hz: int, channels: int, parts: Sequence[Sequence[int]], mix: Sequence[int] | None = None
    ) -> None:
        feeds = [*parts, *([mix] if mix is not None else [])]
        if not parts or any(len(columns) not in (1, 2) for columns in feeds):
            raise ValueError("A low-end part has one channel or two; there must be at least one part.")
        if not all(0 <= column < channels for columns in feeds for column in columns):
            raise ValueError(f"A low-end part or mix lies on a channel outside the {channels} there are.")
        self.rate_hz, self._channels = rate_hz, channels
        self._taken = np.array([column for columns in feeds for column in columns], dtype=np.intp)
        edges = np.concatenate([[0], np.cumsum([len(columns) for columns in feeds])]).astype(int)
        columns = [tuple(range(first, end)) for first, end in pairwise(edges)]
        self._part_columns = columns[: len(parts)]
        self._mix_columns = columns[-1] if mix is not None else None
        width = int(edges[-1])
        self._together_columns = (width, width + 1)
        self._lefts = np.array([taken[0] for taken in self._part_columns])
        self._rights = np.array([taken[-1] for taken in self._part_columns])
        self._splitter = LowBand(rate_hz, width)
        self.hop_frames, self.hop_seconds = self._splitter.hop_frames, self._splitter.hop_seconds
        self._lot_hops = max(1, round(LOT_SECONDS / self.hop_seconds))
        self._to_sum = np.zeros((width, 2))
        for taken in self._part_columns:
            self._to_sum[taken[0], 0] = self._to_sum[taken[-1], 1] = 1.0
        captured_seconds = min(CAPTURED_SECONDS, MOST_CAPTURED / ((width + 2) * rate_hz))
        self._capture = Capture(round(captured_seconds * rate_hz))
        self._parts = [LowPart(rate_hz, len(taken), KEPT_SECONDS) for taken in self._part_columns]
        self._buses = [
            LowPart(rate_hz, 2, KEPT_SECONDS, with_notes=False) for _ in ("sum", *(["mix"] if mix else []))
        ]
        self._mono = [MonoBands(rate_hz) if len(taken) == 2 else None for taken in self._part_columns]
        self._sitting = self._make_shares(LAST_SECONDS)
        self._likeness = LowLikeness(self.hop_seconds, self._part_columns, LIKENESS_SECONDS)
        self._hop = np.zeros((self.hop_frames, width))
        self.look_back(LAST_SECONDS)
        self.reset()

    def reset(self) -> None:
        """Forget the signal."""
        counted = (self._splitter, self._capture, self._last, self._sitting, self._likeness)
        for stage in (*counted, *self._buses, *self._parts, *self._mono):
            if stage is not None:
                stage.reset()
        self._filled = 0
        self._moment = 0
        self._lot: list[Block] = []
        self._due: deque[_Lot] = deque()
        self._next_feed = self._credit = 0
        self.hops = 0
        self._loud_hop = np.full(len(self._parts), -np.inf)
        self._late_seconds = 0.0
        self._heard_seconds = self.loud_seconds = self._marked_at_seconds = 0.0
        self._pushed_seconds = 0.0
        self._keep(0.0)

    def look_back(self, seconds: float) -> None:
        """Set the span of ``LAST``; it restarts."""
        self._last = self._make_shares(seconds)
        self.last_seconds = seconds
        self._heard_seconds = 0.0

    def mark(self) -> None:
        """Restart the sums since the mark."""
        self._sitting.mark()
        self._marked_at_seconds = self.loud_seconds

    def save_state(self) -> SavedState:
        """The sums since reset and since the mark, without the sound kept for the look back."""
        kept: dict[str, Any] = {
            "marked_at_seconds": self._marked_at_seconds,
            "loud_seconds": self.loud_seconds,
            **inside("sitting", self._sitting.save_state()),
        }
        for number, mono in enumerate(self._mono):
            kept |= inside(f"mono {number}", mono.save_state()) if mono is not None else {}
        return kept

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; the look back starts empty."""
        self._marked_at_seconds = float(kept["marked_at_seconds"])
        self.loud_seconds = float(kept["loud_seconds"])
        self._sitting.restore_state(of("sitting", kept))
        for number, mono in enumerate(self._mono):
            if mono is not None:
                mono.restore_state(of(f"mono {number}", kept))
        self._keep_mono()

    # What is read

    @property
    def playing(self) -> bool:
        """Whether any part was over the audibility threshold within the last second."""
        return bool(self.hops - self._loud_hop.max() <= QUIET_SECONDS / self.hop_seconds)

    @property
    def age_seconds(self) -> float:
        """Since the sums of ``LAST`` were renewed; NaN before the first time."""
        return self._last.age_seconds + self._late_seconds

    def sums(self, span: str) -> LowSums:
        """The sums of one of ``SPANS``."""
        if span == LAST:
            return self._last.last()
        return self._sitting.since_mark() if span == MARKED else self._sitting.whole()

    def heard_seconds(self, span: str) -> float:
        """Sound that has gone into one of ``SPANS`` so far, pauses of more than a second left out."""
        if span == LAST:
            return self._heard_seconds
        return self.loud_seconds - (self._marked_at_seconds if span == MARKED else 0.0)

    @property
    def moment(self) -> tuple[int, int, float]:
        """Changes when the sums, or what is kept of the parts, changed."""
        return self._last.closed, self._sitting.closed, self.kept_seconds

    def stretch(
        self, names: Sequence[str], span: str, most_looks: int | None, most_trials: int | None, pair_seconds: float
    ) -> LowStretch:
        """What a study looks back at now: the sums of ``span`` and all that is kept. Copies next to nothing."""
        parts, together, mix = self._kept
        least = self.hops - ACTIVE_SECONDS / self.hop_seconds
        captured = CapturedBlocks(
            self._capture.held(), round(TRIED_SECONDS * self.rate_hz), self._part_columns, self._together_columns,
            (self._mix_columns[0], self._mix_columns[-1]) if self._mix_columns is not None else None,
        )  # fmt: skip
        return LowStretch(
            rate_hz=self.rate_hz, names=tuple(names), seconds=self.heard_seconds(span), sums=self.sums(span),
            alike=self._likeness.alike(), parts=parts, together=together, mix=mix,
            mono_loss_db=self.mono_loss_db, captured=captured, kept_seconds=self.kept_seconds,
            active=tuple(bool(hop >= least) for hop in self._loud_hop),
            most_looks=most_looks, most_trials=most_trials, pair_seconds=pair_seconds,
        )  # fmt: skip

    # What comes

    def process(self, block: FloatArray) -> None:
        """Take ``(frames, channels)`` of any length."""
        check_block(block, self._channels)
        done = 0
        while done < len(block):
            count = min(len(block) - done, self.hop_frames - self._filled)
            place = self._hop[self._filled : self._filled + count]
            # Faster than an assignment; "clip" only spares a copy, all columns are there.
            np.take(block[done : done + count], self._taken, axis=1, out=place, mode="clip")
            self._filled += count
            done += count
            while self._moment * self.hop_frames < MOMENTS * self._filled and self._moment < MOMENTS:
                self._moment += 1
                self._work()
            if self._filled == self.hop_frames:
                self._take_hop(self._hop)
                self._filled = self._moment = 0

    def skip(self, frames: int) -> None:
        """Account for lost frames. An unfinished hop before them is counted in the sums only."""
        if self._filled:
            self._share(self._splitter.process(self._hop[: self._filled]))
            self._filled = 0
        longest = round(LONGEST_GAP_SECONDS * self.rate_hz)
        if frames > longest:
            self._late_seconds += (frames - longest) / self.rate_hz
            frames = longest + (frames - longest) % self.hop_frames
        self._share(self._splitter.skip(frames))
        self.hops += frames // self.hop_frames
        self._capture.cut()
        hole = min(frames, round(LONGEST_HOLE_SECONDS * self.rate_hz))
        self._pushed_seconds += hole / self.rate_hz
        self._close_lot(hole)

    def _take_hop(self, hop: FloatArray) -> None:
        self.hops += 1
        power = np.einsum("fc,fc->c", hop, hop) / len(hop)
        # Twice the mean square of the channels is 1 for a full-scale sine (AES17).
        self._loud_hop[power[self._lefts] + power[self._rights] >= LEAST_POWER] = self.hops
        self._share(self._splitter.process(hop))
        if not self.playing:
            return
        self._heard_seconds += self.hop_seconds
        self.loud_seconds += self.hop_seconds
        self._pushed_seconds += self.hop_seconds
        block = np.empty((hop.shape[1] + 2, len(hop)), dtype=np.float32)
        block[:-2] = hop.T
        block[-2:] = (hop @ self._to_sum).T
        self._capture.push(block)
        self._lot.append(block)
        if len(self._lot) == self._lot_hops:
            self._close_lot(0)

    def _share(self, hops: FloatArray) -> None:
        before = self._last.age_seconds
        sums = self._last.sums(hops)
        self._last.push_sums(sums, hops.shape[2])
        self._sitting.push_sums(sums, hops.shape[2])
        self._likeness.push(hops)
        if not self._last.age_seconds >= before:
            self._late_seconds = 0.0

    def _close_lot(self, lost_frames: int) -> None:
        self._due.append(_Lot(tuple(self._lot), lost_frames, self._pushed_seconds))
        self._lot = []

    def _work(self) -> None:
        """Work through the oldest lot that waits: a part every other moment, or all in 3/4 of a lot."""
        feeds, moments = len(self._parts) + len(self._buses), MOMENTS * self._lot_hops
        # Several lots wait after several gaps; they are short.
        credit = max(moments // 2, -(-4 * feeds // 3)) * len(self._due)
        self._credit = self._credit + credit if credit else 0
        while self._credit >= moments:
            self._credit -= moments
            self._push(self._due[0], self._next_feed)
            self._next_feed += 1
            if self._next_feed == feeds:
                self._next_feed = 0
                self._keep(self._due.popleft().kept_seconds)
            if not self._due:
                return

    def settle(self) -> None:
        """Work through all hops that wait: the end of the sound."""
        self._close_lot(0)
        while self._due:
            self._work()

    def _push(self, lot: _Lot, feed: int) -> None:
        """One lot of one part, or of the sum or the mix, which stand behind the parts."""
        if feed < len(self._parts):
            part, mono, columns = self._parts[feed], self._mono[feed], self._part_columns[feed]
        else:
            part, mono = self._buses[feed - len(self._parts)], None
            columns = self._together_columns if feed == len(self._parts) else self._mix_columns or ()
            columns = (columns[0], columns[-1])
        if lot.blocks:
            sound = np.concatenate([block[columns[0] : columns[-1] + 1] for block in lot.blocks], axis=1).T
            sound = sound if sound.shape[1] == len(columns) else sound[:, [0, 0]]
            part.push(np.ascontiguousarray(sound, dtype=np.float64))
            if mono is not None:
                mono.process(sound)
        if lot.lost_frames:
            part.skip(lot.lost_frames)
            if mono is not None:
                mono.process(np.full((min(lot.lost_frames, FRAME), 2), np.nan))

    def _keep(self, kept_seconds: float) -> None:
        """Hold on to what all parts have of the same frames."""
        together, *mix = (bus.sound() for bus in self._buses)
        parts = tuple(part.sound() for part in self._parts)
        self._kept: tuple[tuple[PartSound, ...], PartSound, PartSound | None] = (
            parts,
            together,
            mix[0] if mix else None,
        )
        self.kept_seconds = kept_seconds
        self._keep_mono()

    def _keep_mono(self) -> None:
        """Work out what each part loses in mono in the bands of ``mono_bands``, ``(6,)`` each, since reset."""
        self.mono_loss_db = tuple(np.zeros(6) if mono is None else mono.loss_db() for mono in self._mono)

    def _make_shares(self, seconds: float) -> LowShares:
        return LowShares(self.hop_seconds, self._part_columns, self._mix_columns, seconds)

"""The newest seconds of a pair at full rate, read at a lag; and the phrase made of what was read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from dsp.core.units import power_to_db
from dsp.stage.stage_stream import StagePart, StageStream, StageStretch, joined

Sound = NDArray[np.float32]

PHRASE_SECONDS = 20.0
SHORT_SECONDS = 3.0


class PairBuffer:
    """Keeps at least the newest ``frames`` frames of ``(2 * channels, frames)`` sound, those before first."""

    def __init__(self, channels: int, frames: int) -> None:
        self._channels, self._kept = channels, frames
        self._sound: Sound = np.empty((2 * channels, 2 * frames), dtype=np.float32)
        self.restart(0)

    def restart(self, frame: int) -> None:
        """Forget all; what comes next is at this frame of the stream."""
        self.first, self._held = frame, 0

    @property
    def end(self) -> int:
        """The frame after the newest."""
        return self.first + self._held

    def push(self, block: Sound) -> None:
        """Add a block of at most as many frames as are kept."""
        if self._held + block.shape[1] > self._sound.shape[1]:
            kept = min(self._kept, self._held)
            self._sound[:, :kept] = self._sound[:, self._held - kept : self._held].copy()
            self.first += self._held - kept
            self._held = kept
        self._sound[:, self._held : self._held + block.shape[1]] = block
        self._held += block.shape[1]

    def covers(self, start: int, frames: int, lag: int) -> bool:
        """Whether both sides are there, the one after read so many frames later."""
        return self.first <= min(start, start + lag) and max(start, start + lag) + frames <= self.end

    def sides(self, start: int, frames: int, lag: int) -> tuple[Sound, Sound]:
        """Both sides ``(channels, frames)`` from a frame on; views."""
        at = start - self.first
        before = self._sound[: self._channels, at : at + frames]
        return before, self._sound[self._channels :, at + lag : at + lag + frames]


@dataclass(frozen=True)
class Changes:
    """Change of loudness in LU and of power in 20 to 120 Hz in dB, after less before; NaN without sound."""

    loud_lu: float
    low_db: float


class Phrase:
    """The newest lined-up sound of a pair, about 20 s, and what changed over the last 3 s and since the mark."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        self._mark = 0
        self._marked = np.zeros((2, 2))
        self._open_from: tuple[int, int] | None = (0, 0)
        self._stream = self._made()
        self.frames = 0

    def _made(self) -> StageStream:
        return StageStream(self._rate_hz, self._channels, PHRASE_SECONDS, self._count)

    def restart(self) -> None:
        """Forget the sound; what was counted since the mark stays."""
        self._count(self._stream.parts()[-1])
        if self._open_from is not None:
            self._open_from = (0, 0)
        self._stream = self._made()
        self.frames = 0

    def cut(self) -> None:
        """What comes next does not follow on."""
        if self.frames:
            self._stream.cut()

    def mark(self, frame: int) -> None:
        """Figures since the mark begin at this frame of the source, nothing of which was pushed yet."""
        if frame != self._mark:
            self._mark, self._open_from = frame, None
            self._marked[:] = 0.0

    def push(self, frame: int, before: Sound, after: Sound) -> None:
        """Add both sides ``(channels, frames)``; ``frame`` is the place in the source."""
        frames = before.shape[1]
        if self._open_from is None and frame + frames > self._mark:
            late = max(0, self._mark - frame)
            ticks = -(-late // self._stream.tick_frames)
            self._open_from = (self._stream.next_tick + ticks, self._stream.pushed_frames + late)
        self._stream.push(before.T.astype(np.float64), after.T.astype(np.float64))
        self.frames += frames

    def _count(self, part: StagePart) -> None:
        """Add what of a part is since the mark."""
        self._marked += self._since_mark(part)

    def _since_mark(self, part: StagePart) -> FloatArray:
        """Sums ``(2, 2)``: loudness and lows, before and after."""
        if self._open_from is None:
            return np.zeros((2, 2))
        tick, frame = self._open_from
        loud = np.nansum(part.k_ticks[:, max(0, tick - part.tick) :], axis=1)
        return np.stack([loud, part.spectra.lows[part.spectra.starts >= frame].sum(axis=0)])

    def changes(self, parts: list[StagePart]) -> tuple[Changes, Changes]:
        """Over the last 3 s, and since the mark; of the ``parts`` of now."""
        newest = parts[-3:]
        ticks = np.concatenate([part.k_ticks for part in newest], axis=1)
        ticks = ticks[:, np.isfinite(ticks[0])][:, -round(SHORT_SECONDS * self._rate_hz / self._stream.tick_frames) :]
        starts = np.concatenate([part.spectra.starts for part in newest])
        recent = starts >= self._stream.pushed_frames - SHORT_SECONDS * self._rate_hz
        lows = np.concatenate([part.spectra.lows for part in newest])[recent]
        short = np.stack([ticks.sum(axis=1), lows.sum(axis=0)])
        return _changes(short), _changes(self._marked + self._since_mark(parts[-1]))

    def parts(self) -> list[StagePart]:
        """What the phrase is made of, oldest first."""
        return self._stream.parts()

    def stretch(self, parts: list[StagePart]) -> StageStretch:
        """The whole phrase."""
        return joined(parts, self._rate_hz, self._stream.step_ms)

    @property
    def seconds(self) -> float:
        """How much sound is in it."""
        return self._stream.kept_frames / self._rate_hz


def _changes(sums: FloatArray) -> Changes:
    return Changes(_ratio_db(sums[0]), _ratio_db(sums[1]))


def _ratio_db(sides: FloatArray) -> float:
    return power_to_db(float(sides[1] / sides[0])) if sides[0] > 0.0 else float("nan")

"""Ring buffer of audio frames with two ends, each for one thread. Never overwrites: it refuses and counts.

``make_ring(frames, channels)`` returns a ``Producer`` (for the callback) and a ``Consumer`` (for the DSP loop).
A block that does not fit is dropped whole, and its place is stored, so the consumer finds the gap there. The write
and read counts have one writer each. That the other thread reads an int whole relies on the lock of CPython; builds
without it (PEP 703) need a new proof.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

GAP_SLOTS = 256


class _Shared:
    def __init__(self, frames: int, channels: int) -> None:
        self.samples = np.zeros((frames, channels), dtype=np.float32)
        self.written = 0
        self.read = 0
        self.lost = 0
        self.gap_at = np.zeros(GAP_SLOTS, dtype=np.int64)
        self.gap_frames = np.zeros(GAP_SLOTS, dtype=np.int64)
        self.gaps_written = 0
        self.gaps_read = 0


class Producer:
    """The writing end. [audio]"""

    def __init__(self, shared: _Shared) -> None:
        self._shared = shared
        self._pending_gap = 0

    @property
    def channels(self) -> int:
        """Columns of the ring buffer."""
        return int(self._shared.samples.shape[1])

    @property
    def capacity(self) -> int:
        """Frames the ring buffer holds when full."""
        return len(self._shared.samples)

    @property
    def space(self) -> int:
        """Frames that fit now; does not shrink until the next ``write``."""
        shared = self._shared
        if shared.gaps_written - shared.gaps_read >= GAP_SLOTS:
            return 0
        return len(shared.samples) - (shared.written - shared.read)

    def write(self, block: NDArray[np.float32]) -> bool:
        """Copy ``(frames, channels)`` in; returns False for a block that does not fit, which counts as lost.

        Also refused while all ``GAP_SLOTS`` stored gaps are unread. Raises ValueError for another shape (numpy would
        broadcast a single column to all, and a wrong level would look right).
        """
        shared = self._shared
        if block.ndim != 2 or block.shape[1] != shared.samples.shape[1]:
            raise ValueError(f"A block of shape (frames, {self.channels}) was expected, not {block.shape}.")
        frames = len(block)
        capacity = len(shared.samples)
        if frames > capacity - (shared.written - shared.read):
            self.lose(frames)
            return False
        if self._pending_gap and not self._note_gap():
            self.lose(frames)
            return False
        start = shared.written % capacity
        first = min(frames, capacity - start)
        shared.samples[start : start + first] = block[:first]
        if first < frames:
            shared.samples[: frames - first] = block[first:]
        shared.written += frames
        return True

    def lose(self, frames: int) -> None:
        """Count ``frames`` as lost at this point of the stream."""
        self._shared.lost += frames
        self._pending_gap += frames

    def _note_gap(self) -> bool:
        shared = self._shared
        if shared.gaps_written - shared.gaps_read >= GAP_SLOTS:
            return False
        slot = shared.gaps_written % GAP_SLOTS
        shared.gap_at[slot] = shared.written
        shared.gap_frames[slot] = self._pending_gap
        self._pending_gap = 0
        shared.gaps_written += 1
        return True


class Consumer:
    """The reading end. [dsp]"""

    def __init__(self, shared: _Shared) -> None:
        self._shared = shared

    @property
    def available(self) -> int:
        """Unread frames, those after a gap included; does not shrink until the next ``read``."""
        return self._shared.written - self._shared.read

    @property
    def lost(self) -> int:
        """Frames lost so far, those not yet returned by ``gap`` included."""
        return self._shared.lost

    def gap(self) -> int:
        """Take the frames lost at the read position; the next call returns 0."""
        shared = self._shared
        total = 0
        while shared.gaps_read < shared.gaps_written:
            slot = shared.gaps_read % GAP_SLOTS
            if shared.gap_at[slot] > shared.read:
                break
            total += int(shared.gap_frames[slot])
            shared.gaps_read += 1
        return total

    def read(self, most: int) -> NDArray[np.float32]:
        """Copy up to ``most`` frames, never across a gap; an empty array when there are none.

        A gap at the read position stops reading until ``gap`` takes it.
        """
        shared = self._shared
        frames = min(most, shared.written - shared.read)
        if shared.gaps_read < shared.gaps_written:
            slot = shared.gaps_read % GAP_SLOTS
            frames = min(frames, max(0, int(shared.gap_at[slot]) - shared.read))
        capacity = len(shared.samples)
        start = shared.read % capacity
        first = min(frames, capacity - start)
        block = np.concatenate([shared.samples[start : start + first], shared.samples[: frames - first]])
        shared.read += frames
        return block

    def drop_to(self, most: int) -> None:
        """Discard the oldest frames, and gaps among them, until at most ``most`` frames wait."""
        while (excess := self.available - most) > 0:
            self.gap()
            self.read(excess)


def make_ring(frames: int, channels: int) -> tuple[Producer, Consumer]:
    """Make a ring buffer of ``frames`` frames and return both ends; raises ValueError below 1 frame or channel."""
    if frames < 1 or channels < 1:
        raise ValueError(f"A ring of {frames} frames and {channels} channels cannot hold sound.")
    shared = _Shared(frames, channels)
    return Producer(shared), Consumer(shared)

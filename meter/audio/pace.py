"""A thread that writes blocks into the ring buffer in real time, or as fast as there is room.

For sources without a clock: a file, the demo, a script. Such a source waits at a full ring buffer, so it loses no
frames.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from meter.audio.ring_buffer import Producer

Block = NDArray[np.float32]
LATE_SECONDS = 0.5
"""Further behind than this, the pace restarts from now instead of catching up."""
WAIT_SECONDS = 0.002
JOIN_SECONDS = 2.0


class Pacer:
    """Calls ``next_block`` in its own thread and writes the blocks into the ring buffer, until it returns None.

    ``next_block`` returns ``(frames, channels)`` float32 blocks no longer than the ring buffer. ``fast`` ignores the
    clock. An exception of ``next_block`` ends the thread and is kept in ``error``.
    """

    def __init__(self, next_block: Callable[[], Block | None], rate_hz: int, *, fast: bool = False) -> None:
        self._next_block = next_block
        self._rate_hz = rate_hz
        self._fast = fast
        self._halt = threading.Event()
        self._thread: threading.Thread | None = None
        self._done = False
        self.error: Exception | None = None
        self.blocks = 0
        self.frames = 0
        self.last_ns = 0
        self.restarts = 0

    def start(self, producer: Producer) -> None:
        """Start the thread; once only."""
        self._thread = threading.Thread(target=self._run, args=(producer,), name="sound pacer", daemon=True)
        self._thread.start()

    def stop(self) -> bool:
        """Stop the thread and wait for it; may be called twice. False if it hangs (a dead network drive)."""
        self._halt.set()
        if self._thread is None:
            return True
        self._thread.join(JOIN_SECONDS)
        return not self._thread.is_alive()

    def done(self) -> bool:
        """True after the last block is in the ring buffer, or the thread failed."""
        return self._done

    def statistics(self) -> dict[str, float]:
        """Counters with the names of a device's, so that one feed line serves all sources."""
        return {
            "callbacks": self.blocks,
            "frames": self.frames,
            "last_callback_ns": self.last_ns,
            "clock_restarts": self.restarts,
        }

    def _run(self, producer: Producer) -> None:
        try:
            self._pump(producer)
        except Exception as error:  # reported by fault(): an exception of a thread is lost
            self.error = error
        finally:
            self._done = True

    def _pump(self, producer: Producer) -> None:
        origin = time.monotonic()
        while not self._halt.is_set():
            block = self._next_block()
            if block is None:
                return
            if not self._fast:
                origin = self._await_due(origin, len(block))
            while producer.space < len(block):
                if self._halt.wait(WAIT_SECONDS):
                    return
            producer.write(block)
            self.blocks += 1
            self.frames += len(block)
            self.last_ns = time.monotonic_ns()

    def _await_due(self, origin: float, frames: int) -> float:
        """Wait until the time of the block's last frame; returns the origin, moved when too late."""
        due = origin + (self.frames + frames) / self._rate_hz
        wait = due - time.monotonic()
        if wait < -LATE_SECONDS:
            self.restarts += 1
            return origin - wait
        if wait > 0:
            self._halt.wait(wait)
        return origin

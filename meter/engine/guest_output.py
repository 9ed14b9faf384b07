"""What meters by others print: the first lines of each go through, the rest is dropped, and a flood is noted."""

from __future__ import annotations

import io
import os
import select
import sys
import time
from collections.abc import Callable
from typing import TextIO

from meter.engine.guests import Guests

MOST_SHOWN = 20_000
"""Characters of one meter that are passed on to the terminal."""
MOST_AT_ONCE = 2_000
"""A line longer than this is dropped: a pipe takes so much without keeping the writer waiting."""
FLOOD = 2_000_000
FLOOD_SECONDS = 10.0
"""So many characters within this time set a meter aside."""
MORE = "\n[Meter “{}” printed more; the rest is not shown.]\n"


class GuestOutput(io.TextIOBase):
    """Stands in the place of ``sys.stdout`` or ``sys.stderr``. What is not printed by a guest goes through. [any]

    What guests print goes to ``apart``, the standard error: the standard output may be read by a program.
    """

    def __init__(
        self, stream: TextIO, guests: Guests, apart: TextIO, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream = stream
        self._apart = apart
        self._guests = guests
        self._clock = clock
        self._shown: dict[str, int] = {}
        self._printed: dict[str, tuple[float, int]] = {}

    def write(self, text: str) -> int:
        """Print, unless this is a guest that has printed too much."""
        meter = self._guests.at(sys._getframe(1))
        if not meter:
            return self._stream.write(text)
        if not isinstance(text, str):
            raise TypeError(f"write takes a str, not {type(text).__name__}")
        self._count(meter, len(text))
        shown = self._shown.get(meter, 0)
        self._shown[meter] = shown + len(text)
        if shown + len(text) <= MOST_SHOWN and len(text) <= MOST_AT_ONCE:
            self._pass_on(text)
        elif shown <= MOST_SHOWN:
            self._shown[meter] = MOST_SHOWN + 1
            self._pass_on(MORE.format(meter))
        return len(text)

    def flush(self) -> None:
        """Nothing of a guest is kept back; what is ours is flushed."""
        if not self._guests.at(sys._getframe(1)):
            self._stream.flush()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """That of the stream."""
        return self._stream.encoding

    def fileno(self) -> int:
        """The handle of the stream."""
        return self._stream.fileno()

    def isatty(self) -> bool:
        """Whether the stream is a terminal."""
        return self._stream.isatty()

    def _count(self, meter: str, length: int) -> None:
        now = self._clock()
        began, total = self._printed.get(meter, (now, 0))
        began, total = (now, length) if now - began > FLOOD_SECONDS else (began, total + length)
        self._printed[meter] = began, total
        if total > FLOOD:
            self._printed[meter] = now, 0
            self._guests.note(meter, f"it printed over {FLOOD / 1e6:.0f} MB within {FLOOD_SECONDS:.0f} s")

    def _pass_on(self, text: str) -> None:
        """Write what does not keep the writer waiting; a full pipe loses it."""
        try:
            if os.name != "posix" or select.select([], [self._apart.fileno()], [], 0.0)[1]:
                self._apart.write(text)
                self._apart.flush()
        except (OSError, ValueError):
            return

"""The engine in this process, for commands without a window: the same class, no second process, no Qt."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from dsp.core.types import FloatArray
from meter.audio.source import SourceRequest
from meter.engine.engine import Engine
from meter.engine.messages import ToWindow
from meter.engine.received import Received, findings_types
from meter.plugin.host import Plugin
from meter.readings import Frame

PAUSE_SECONDS = 0.004
FRAMES_PER_SECOND = 20


class Mailbox:
    """An output with one slot: the newest readings, and what the messages say."""

    def __init__(self, plugins: Sequence[Plugin] = ()) -> None:
        self._received = Received(findings_types(lambda: plugins))
        self._newest: tuple[int, FloatArray, FloatArray] | None = None

    def publish(self, generation: int, status: FloatArray, values: FloatArray) -> None:
        """Replace the newest readings."""
        self._newest = (generation, status, values.copy())

    def send(self, message: ToWindow) -> None:
        """Keep what the message says."""
        self._received.apply(message)

    def take(self) -> Frame | None:
        """The newest readings, None before the first."""
        return None if self._newest is None else self._received.frame(*self._newest)


def listen(
    plugins: Sequence[Plugin], request: SourceRequest, seconds: float, settings: Mapping[str, Mapping[str, Any]]
) -> Iterator[Frame]:
    """Listen for ``seconds`` on the wall and yield about 20 frames a second, the last one always.

    Ends early when the source ends or cannot be opened; the last frame's status says which.
    """
    mailbox = Mailbox(plugins)
    engine = Engine(plugins, mailbox)
    for meter_id, chosen in settings.items():
        engine.configure(meter_id, chosen)
    engine.open(request)
    end = time.monotonic() + seconds
    due = 0.0
    try:
        while (now := time.monotonic()) < end and engine.state not in ("ended", "failed"):
            if not engine.step():
                time.sleep(PAUSE_SECONDS)
            if now >= due and (frame := mailbox.take()) is not None:
                due = now + 1 / FRAMES_PER_SECOND
                yield frame
        engine.step()
        if (frame := mailbox.take()) is not None:
            yield frame
    finally:
        engine.close()

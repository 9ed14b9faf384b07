"""What the engine hands its readings and messages to: a shared block and a pipe, or a mailbox in the same process."""

from __future__ import annotations

from typing import Protocol

from dsp.core.types import FloatArray
from meter.engine.messages import ToWindow


class EngineOutput(Protocol):
    """Where readings and messages go."""

    def publish(self, generation: int, status: FloatArray, values: FloatArray) -> None:
        """The newest readings, replacing the last."""
        ...

    def send(self, message: ToWindow) -> None:
        """A message; must not block."""
        ...

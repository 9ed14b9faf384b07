"""What the engine hands its readings and words to: a shared block and a pipe, or a mailbox in the same process."""

from __future__ import annotations

from typing import Any, Protocol

from dsp.core.types import FloatArray


class EngineOutput(Protocol):
    """Where readings and words go."""

    def publish(self, generation: int, status: FloatArray, values: FloatArray) -> None:
        """The newest readings, replacing the last."""
        ...

    def tell(self, message: dict[str, Any]) -> None:
        """A message of plain values; must not block."""
        ...

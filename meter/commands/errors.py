"""The exception of a command: one sentence and an exit code."""

from __future__ import annotations

FAILED = 1
WRONG_INPUT = 2
MISSING_PART = 3


class CommandError(Exception):
    """One sentence with the thing and the fix, and the exit code."""

    def __init__(self, sentence: str, exit_code: int = WRONG_INPUT) -> None:
        super().__init__(sentence)
        self.exit_code = exit_code

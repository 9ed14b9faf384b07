"""What is looked at around each call of a meter by others: memory, copies of the process, what it changed. [dsp]"""

from __future__ import annotations

import os
from collections.abc import Callable

from meter.engine.changed_code import ChangedCode, ProcessState
from meter.engine.forbidden_calls import END_PROCESS

MOST_NAMED = 3


class GuestCall:
    """The calls of one meter. ``code`` and ``memory`` are looked at where the watch of the guests has set them."""

    def __init__(self) -> None:
        self.code: ChangedCode | None = None
        self.memory: Callable[[], int] | None = None
        self.grown_bytes = 0
        """How much memory this process took during the calls since ``memory`` was set."""
        self.changed = ""
        """What the last call changed, in words for "it …"; it is undone."""
        self._pid = os.getpid()

    def weigh(self, memory: Callable[[], int] | None) -> None:
        """Add up in ``grown_bytes`` what the process takes during the calls; None ends that."""
        self.grown_bytes = self.grown_bytes if memory is not None else 0
        self.memory = memory

    def run(self, called: Callable[[], str], *, thorough: bool) -> str:
        """Call what returns why it failed, or an empty string; ``thorough`` for those that load or prepare."""
        state = ProcessState.now()
        code = self.code if thorough else None
        if code is not None:
            code.keep()
        before = self.memory() if self.memory is not None else 0
        reason = called()
        if os.getpid() != self._pid:
            END_PROCESS(0)  # it copied the process past Python; this is the copy
        if self.memory is not None:
            self.grown_bytes += self.memory() - before
        words = state.undo()
        self.changed = f"changed {words}" if words else ""
        if code is not None and (replaced := code.undo()):
            self.changed = replaced_words([name for name, _ in replaced])
        return reason


def replaced_words(names: list[str]) -> str:
    """``replaced dsp.core.units.power_to_db``; of many names the first few."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"replaced {', '.join(names[:MOST_NAMED])}{more}"

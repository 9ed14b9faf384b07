"""What each state of a source means: one sentence for the record, and what the feed line adds to its own words."""

from __future__ import annotations

import time
from collections.abc import Callable

from meter.engine.messages import RecordEvent
from meter.engine.sanitise import ONLY_INVALID
from meter.figures import duration
from meter.logbook.day_record import STATE

ON_THE_LINE = {"late": "It is opened again if none comes.", "invalid": ONLY_INVALID}
"""What the feed line says beside the words of a state, where neither the source nor what went wrong says more."""


def state_sentence(state: str, source: str, reason: str = "") -> str:
    """One sentence for a word of ``meter.readings.STATES``; ``reason`` is what is known beside the state."""
    name = f"'{source}'" if source else "the source"
    usual = {
        "starting": f"Opened {name}; no sound has come yet.",
        "running": f"Sound comes from {name}.",
        "idle": f"Nothing plays on {name}; that is no dropout.",
        "late": f"No sound comes from {name} any more; it is opened again if none comes.",
        "lost": f"No sound comes from {name}; waiting for it.",
        "reopening": f"Opening {name} again.",
        "waiting": f"Waiting for {name}: {reason or 'it is not there.'}",
        "ended": f"The end of {name} was reached.",
        "failed": f"{name[0].upper()}{name[1:]} cannot be measured; choose a source (S).",
        "invalid": ONLY_INVALID,
    }
    return reason if reason and state in ("lost", "failed") else usual.get(state, "")


class StateEvents:
    """Tells each change of state as one event. [dsp]"""

    def __init__(self, tell: Callable[[RecordEvent], None], wall: Callable[[], float] = time.time) -> None:
        self._tell = tell
        self._wall = wall
        self._told = ("", "")

    def follow(self, state: str, source: str, reason: str) -> None:
        """The state of ``source``; nothing is told while neither changes."""
        if source and (state, source) != self._told:
            self._told = (state, source)
            self._tell(RecordEvent(STATE, state_sentence(state, source, reason), self._wall()))

    def sleep(self, seconds: float, source: str) -> None:
        """The machine slept for so long."""
        words = f"The computer slept for {duration(seconds)}; '{source}' is opened again."
        self._tell(RecordEvent(STATE, words, self._wall()))

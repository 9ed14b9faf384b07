"""Which meters by others are set aside when an engine ended or hung: those at work, at once, so that one costs one
replacement."""

from __future__ import annotations

import signal
from collections.abc import Iterable, Set
from dataclasses import dataclass, field

DEATHS_IN_OURS = 3
"""So many in a row, with the same meter of ours at work, are its doing."""
UNNAMED_DEATHS = 3
UNNAMED_SECONDS = 60.0
"""So many deaths within this time, each of a kind that comes from outside, set all meters by others aside."""
OUTSIDE = (0, *(-int(getattr(signal, name, 0)) for name in ("SIGKILL", "SIGTERM", "SIGHUP", "SIGINT")))
"""Exit codes of an engine that the system or the user ended, or that ended with its window."""

HUNG = "it hung and the engine had to be replaced"
ENDED = "the engine ended while it was at work"
ENDED_IN_THREAD = "the engine ended while a thread of it was running"
ENDED_SOMEHOW = "the engine ended and no other cause was found"
ENDED_OFTEN = f"the engine ended {UNNAMED_DEATHS} times within {UNNAMED_SECONDS:.0f} s and no cause was found"
ENDED_IN_OURS = "the engine ended in it again and again"


@dataclass(frozen=True)
class AtWork:
    """What an engine was doing when it ended or hung: ids of meters, empty for none.

    ``guests`` are the meters by others that were running, ``threaded`` those of them with threads of their own.
    ``exit_code`` is that of the process, None while it lives.
    """

    meter: str = ""
    study: str = ""
    guests: Set[str] = frozenset()
    threaded: Set[str] = frozenset()
    opening: bool = False
    exit_code: int | None = None

    @property
    def named(self) -> tuple[str, ...]:
        """The meter by others that the loop was in, otherwise the one whose study was running."""
        return tuple(name for name in (self.meter, self.study) if name in self.guests)


@dataclass
class Blame:
    """Keeps the deaths of engines; ``of_death`` and ``of_hang`` return meters to set aside with the reason."""

    _deaths: list[tuple[float, str]] = field(default_factory=list)

    def of_hang(self, at: AtWork) -> dict[str, str]:
        """After an engine that did not answer. A loop that stands still in one of our meters, or in none, may be kept
        from running by a study or a thread of a meter by others."""
        if at.named:
            return _because(HUNG, at.named[:1])
        if at.threaded and not at.opening:
            return _because(HUNG, at.threaded & at.guests)
        return _because(HUNG, [at.meter] if at.meter else [])

    def of_death(self, at: AtWork, now: float, in_a_row: int) -> dict[str, str]:
        """After an engine that ended; ``now`` in seconds, ``in_a_row`` engines ended without a reading in between."""
        self._deaths.append((now, at.meter))
        if at.named:
            return _because(ENDED, at.named)
        if at.guests and at.exit_code not in OUTSIDE:
            threaded = at.threaded & at.guests
            return _because(ENDED_IN_THREAD, threaded) if threaded else _because(ENDED_SOMEHOW, at.guests)
        last = [name for _, name in self._deaths[-DEATHS_IN_OURS:]]
        if at.meter and in_a_row >= DEATHS_IN_OURS and last == [at.meter] * DEATHS_IN_OURS:
            return _because(ENDED_IN_OURS, [at.meter])
        recent = sum(when >= now - UNNAMED_SECONDS for when, _ in self._deaths)
        return _because(ENDED_OFTEN, at.guests) if recent >= UNNAMED_DEATHS else {}


def _because(why: str, meters: Iterable[str]) -> dict[str, str]:
    return dict.fromkeys(meters, why)

"""The engine's place among other programs: ahead of those that may wait, where the system permits it."""

from __future__ import annotations

import contextlib
import os

WANTED_NICE = -11
"""What sound servers commonly take for their own threads (common practice, no source)."""


def raise_priority() -> int:
    """Take the nearest permitted nice value to ``WANTED_NICE`` for this process; returns the value in force.

    Linux permits it to members of a group with a ``nice`` limit (``limits.conf``, RLIMIT_NICE), and to root. Threads
    that start later have the same. Elsewhere, and without permission, nothing changes.
    """
    if not hasattr(os, "setpriority"):
        return 0
    now = os.getpriority(os.PRIO_PROCESS, 0)
    wanted = min(now, max(WANTED_NICE, _lowest_permitted()))
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, wanted)
    return os.getpriority(os.PRIO_PROCESS, 0)


def _lowest_permitted() -> int:
    """RLIMIT_NICE counts from 20 downwards: a limit of 31 permits -11."""
    import resource

    if os.geteuid() == 0 or not hasattr(resource, "RLIMIT_NICE"):
        return WANTED_NICE
    limit = resource.getrlimit(resource.RLIMIT_NICE)[0]
    return WANTED_NICE if limit == resource.RLIM_INFINITY else 20 - limit

"""Long runs of the whole program, each with what it must hold: ``python -m tests.soak`` and one of

``--accelerated HOURS``  hours of scripted sound as fast as the machine allows: memory, loudness, gaps
``--real SECONDS``       sound through a private audio server as time goes, with faults on a schedule
``--restarts NUMBER``    engines started and ended: processes, file handles, shared memory

Prints figures as it goes and one line for each requirement that does not hold; ends with 0 when all hold.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; see the module."""
    asked = _parser().parse_args(arguments)
    form = next(name for name in ("accelerated", "real", "restarts") if getattr(asked, name) is not None)
    # Each form brings libraries of its own, so only the one that was asked for is imported.
    failures: list[str] = import_module(f"tests.support.soak_{form}").run(getattr(asked, form))
    print(*failures or ["Every requirement holds."], sep="\n")
    return 1 if failures else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    form = parser.add_mutually_exclusive_group(required=True)
    form.add_argument("--accelerated", type=float, metavar="HOURS", help="hours of sound, as fast as it goes")
    form.add_argument("--real", type=float, metavar="SECONDS", help="seconds of time, with a schedule of faults")
    form.add_argument("--restarts", type=int, metavar="NUMBER", help="engines to start and end")
    return parser


if __name__ == "__main__":
    sys.exit(main())

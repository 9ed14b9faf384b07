"""Give 10,000 damaged files to the readers of the program: no traceback, no hang, no growth, one sentence each.

Ends with 0 when there was no fault, otherwise with 1. A file that shows a fault is kept in the folder of ``--keep``.
"""

from __future__ import annotations

import argparse
import faulthandler
import math
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.fuzz.readers import readers
from tests.fuzz.runner import try_reader

MOST_SHOWN = 10


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; see the module."""
    asked = _parser().parse_args(arguments)
    faulthandler.enable()
    faults = cases = 0
    for reader in readers():
        if asked.only and asked.only not in reader.name:
            continue
        with tempfile.TemporaryDirectory() as name:
            account = try_reader(
                reader, math.ceil(reader.cases * asked.share), asked.seed, Path(name) / "fuzz", keep=asked.keep
            )
        cases, faults = cases + account.cases, faults + len(account.faults)
        print(f"{account.name}: {account.cases} files, {account.sentences} sentences", flush=True)
        for fault in account.faults[:MOST_SHOWN]:
            print(fault, flush=True)
    print(f"{cases} damaged files, {faults} faults.")
    return 1 if faults else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--only", default="", metavar="TEXT", help="readers with this in their name")
    parser.add_argument("--share", type=float, default=1.0, metavar="PART", help="of the cases, 1 for all")
    parser.add_argument("--seed", type=int, default=1, help="of the damage")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep files that show a fault here")
    return parser


if __name__ == "__main__":
    sys.exit(main())

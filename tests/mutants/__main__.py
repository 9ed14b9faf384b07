"""Put each fault of the list into a copy of the tree and say which the tests notice.

Ends with 0 when at least 95 % (57 of 60) are noticed, with 1 when fewer are or an entry no longer applies, with 2
when a test fails without any fault.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence

from tests.mutants.faults import Mutant, NotApplicable, Tree, read_faults
from tests.mutants.random_faults import random_mutants
from tests.mutants.runner import Copies, failing_without_a_fault, try_all

NOTICED_SHARE = 57 / 60


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; see the module."""
    asked = _parser().parse_args(arguments)
    try:
        mutants = _chosen(asked)
    except NotApplicable as error:
        print(error, file=sys.stderr)
        return 1
    if asked.list:
        for mutant in mutants:
            print(f"{mutant.path}: {mutant.fault.name}: {mutant.fault.means}")
        return 0
    copies = Copies(asked.jobs)
    try:
        if not asked.unchecked:
            tests = sorted({test for mutant in mutants for test in mutant.tests})
            failing = failing_without_a_fault(copies, tests, asked.jobs)
            if failing:
                print("These fail without any fault:", *failing, sep="\n", file=sys.stderr)
                return 2
        return _report(copies, mutants, asked.jobs)
    finally:
        copies.close()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--only", action="append", default=[], metavar="TEXT", help="faults with this in their name")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="so many at once")
    parser.add_argument("--list", action="store_true", help="list the faults and end")
    parser.add_argument("--unchecked", action="store_true", help="do not run the tests without a fault first")
    parser.add_argument("--random", type=int, default=0, metavar="N", help="N faults at random places instead")
    parser.add_argument(
        "--under", default="dsp", metavar="TEXT", help="random places of files with this in their path"
    )
    parser.add_argument("--seed", type=int, default=1, help="of the random places")
    return parser


def _chosen(asked: argparse.Namespace) -> list[Mutant]:
    tree = Tree()
    if asked.random:
        mutants = random_mutants(tree, asked.random, asked.seed, asked.under)
    else:
        mutants = [tree.place(fault) for fault in read_faults()]
    return [mutant for mutant in mutants if not asked.only or any(text in mutant.fault.name for text in asked.only)]


def _report(copies: Copies, mutants: Sequence[Mutant], jobs: int) -> int:
    lived = []
    for number, outcome in enumerate(try_all(copies, mutants, jobs), start=1):
        fault = outcome.mutant.fault
        word = "noticed" if outcome.killed else "LIVED"
        print(f"{number:3}/{len(mutants)} {word:8}{outcome.mutant.path}: {fault.name}  [{outcome.said}]", flush=True)
        if not outcome.killed:
            lived.append(outcome)
    noticed = len(mutants) - len(lived)
    print(f"{noticed} of {len(mutants)} faults were noticed.")
    for outcome in lived:
        print(f"lived: {outcome.mutant.path}: {outcome.mutant.fault.name}: {outcome.mutant.fault.means}")
    return 0 if noticed >= math.floor(NOTICED_SHARE * len(mutants)) else 1


if __name__ == "__main__":
    sys.exit(main())

"""Gives damaged files to a reader and says what was wrong with its answers."""

from __future__ import annotations

import contextlib
import gc
import os
import shutil
import signal
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import psutil

from tests.fuzz.readers import Reader

MOST_SECONDS = 20.0
"""Of one file, on a machine with more to do; the slowest takes a tenth of a second."""
MOST_GROWTH_BYTES = 10_000_000
LONGEST_SENTENCE = 600


class Hung(BaseException):
    """A reader did not return. No Exception, so that none takes it for its own."""


@dataclass
class Account:
    """What came of one reader: cases, sentences that were said, and each fault with the seed that shows it."""

    name: str
    cases: int = 0
    sentences: int = 0
    faults: list[str] = field(default_factory=list)


def try_reader(reader: Reader, cases: int, seed: int, folder: Path, *, keep: Path | None = None) -> Account:
    """Read ``cases`` damaged files, the same for the same ``seed``; ``keep`` is where files that show a fault go."""
    made = folder / "good"
    made.mkdir(parents=True)
    good = reader.good(made)
    account = Account(reader.name, cases)

    def read(number: int) -> None:
        place = folder / "case"
        place.mkdir()
        path = place / reader.file
        reader.write(Random(f"{seed} {reader.name} {number}"), good, path)
        content = path.read_bytes()
        if keep is not None:  # also one that ends the process
            (keep / "last").write_bytes(content)
        fault = _fault_of(reader, path, account)
        if fault:
            account.faults.append(f"{reader.name}, seed {seed}, case {number}: {fault}")
            if keep is not None:
                (keep / f"{reader.name} {seed} {number}").write_bytes(content)
        shutil.rmtree(place)

    half = cases // 2
    for number in range(half):
        read(number)
    account.faults += _growth(reader.name, lambda: [read(number) for number in range(half, cases)])
    return account


def _growth(name: str, read_all: Callable[[], object]) -> list[str]:
    """Faults of memory and handles that reading leaves behind.

    Memory is judged by the same files once more: the largest file makes a process grow once, a leak every time.
    """
    process = psutil.Process()
    handles = process.num_fds()
    grown = _grown_by(process, read_all)
    if grown > MOST_GROWTH_BYTES:
        grown = min(grown, _grown_by(process, read_all))
    found = [f"{name}: memory grew by {grown / 1e6:.1f} MB"] if grown > MOST_GROWTH_BYTES else []
    left = process.num_fds() - handles
    return found + ([f"{name}: {left} handles are left open"] if left > 0 else [])


def _grown_by(process: psutil.Process, read_all: Callable[[], object]) -> int:
    gc.collect()
    before = process.memory_info().rss
    read_all()
    gc.collect()
    return int(process.memory_info().rss - before)


def _fault_of(reader: Reader, path: Path, account: Account) -> str:
    """What is wrong with the answer to one file, or an empty string."""
    try:
        with _limited(MOST_SECONDS):
            sentences = [sentence for sentence in reader.read(path) if sentence]
    except Hung:
        return f"no answer within {MOST_SECONDS:.0f} s"
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"{type(error).__name__}: {str(error)[:200]} ({where.filename}:{where.lineno})"
    account.sentences += len(sentences)
    return next((fault for sentence in sentences if (fault := wrong_with(sentence))), "")


def wrong_with(sentence: str) -> str:
    """What makes a text no sentence for a user, or an empty string."""
    if len(sentence) > LONGEST_SENTENCE:
        return f"{len(sentence):,} letters: {sentence[:200]!r}"
    if not all(letter.isprintable() for letter in sentence):
        return f"letters that cannot be shown: {sentence!r}"
    with contextlib.suppress(UnicodeEncodeError):
        sentence.encode()
        return ""
    return f"half of a letter: {sentence!r}"


@contextlib.contextmanager
def _limited(seconds: float) -> Iterator[None]:
    def hung(_signal: int, _frame: object) -> None:
        raise Hung

    before = signal.signal(signal.SIGALRM, hung)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def work_folder(folder: Path) -> Path:
    """An empty folder for this process."""
    place = folder / f"fuzz {os.getpid()}"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    return place

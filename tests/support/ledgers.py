"""Exposure ledgers on a disk, on clocks that a test sets; and people without rights, for files they may not write."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dsp.exposure.exposure import Rule
from meter.engine.recorder_thread import Heard, Message, Rest
from meter.exposure_rules import load_rules
from meter.logbook.clock import SittingClock
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_recorder import Account, Context, ExposureRecorder
from meter.logbook.exposure_summary import Summary, summarise
from meter.logbook.store import open_store

NOON = int(datetime(2026, 3, 4, 12, 0, tzinfo=UTC).timestamp())
"""A Wednesday."""
HOUR, DAY = 3600, 86_400
ME = "me"
NOBODY = 65_534

RULES = {name.partition(":")[0]: entry.rule for name, entry in load_rules().items()}
WEEKLY = RULES["WHO-ITU H.870, adults"]
SENSITIVE = RULES["WHO-ITU H.870, sensitive"]
NIOSH = RULES["NIOSH 98-126"]
OSHA = RULES["OSHA 1910.95, hearing conservation"]
EU_UPPER = RULES["Directive 2003/10/EC, upper action value"]
OSHA_COMPLIANCE = Rule("1910.95, compliance", 90.0, 8.0, "day", 5.0, 90.0)
"""The dose that counts from 90 dB(A) only (29 CFR 1910.95, Table G-16)."""


class FakeTime:
    """A wall clock that can be set and a steady clock that cannot; local time is ``offset`` minutes ahead.

    ``boot`` names the run of the machine; without one the steady clock tells nothing from one start to the next.
    """

    def __init__(self, at: float = NOON, offset: int = 0, boot: str = "") -> None:
        self.boot = boot
        self.wall = float(at)
        self.steady = 1000.0
        self.offset = offset

    def go(self, seconds: float) -> None:
        self.wall += seconds
        self.steady += seconds

    def clock(self) -> SittingClock:
        return SittingClock(lambda: self.wall, lambda: self.steady, lambda _at: self.offset, self.boot)


class Desk:
    """A program with a ledger in ``folder``: a new one each time, as after a start."""

    def __init__(self, folder: Path, time: FakeTime | None = None, person: str = ME, *, begin: bool = True) -> None:
        self.path = folder / "data" / "logbook.sqlite3"
        self.time = time or FakeTime()
        self.clock = self.time.clock()
        self.person = person
        self.ledger = ExposureRecord(open_store(self.path), self.clock)
        if begin:
            self.ledger.begin_sitting(person)

    def listen(self, level_dba: float, seconds: float, peak_dbc: float = float("nan")) -> None:
        """Sound of one level; the clocks go on."""
        first = int(self.clock.now())
        for second in range(first, first + round(seconds)):
            self.ledger.add_second(second, level_dba, peak_dbc)
        self.time.go(round(seconds))
        self.ledger.flush()

    def listen_to(self, stretches: Iterable[tuple[float, float]]) -> None:
        """Several levels, each for its hours."""
        for level_dba, hours in stretches:
            self.listen(level_dba, hours * HOUR)

    def pause(self, seconds: float) -> None:
        """The program is closed in good order, and started again later."""
        self.ledger.end_sitting()
        self.ledger.flush()
        self.time.go(seconds)
        self.ledger.begin_sitting(self.person)

    def killed(self) -> None:
        """The program ends without another word: what was not flushed is lost."""
        self.ledger._connection.close()

    def summary(self, rule: Rule = NIOSH, person: str | None = None, *, count_gaps: bool = False) -> Summary:
        now = self.clock.now()
        # The second that is going on is not part of what was heard.
        return summarise(
            self.ledger, person or self.person, rule, now - 1, self.clock.offset_minutes(now), count_gaps=count_gaps
        )

    def heard(self, since: float = 0.0) -> dict[int, float]:
        """Every second noted and its level in dB(A), by a reader of its own."""
        reader = ExposureRecord(open_store(self.path), self.time.clock())
        found = seconds_of(reader, self.person, since)
        reader.close()
        return found


def seconds_of(ledger: ExposureRecord, person: str = ME, since: float = 0.0) -> dict[int, float]:
    """Every second (since 1970) that was noted, with its level in dB(A)."""
    history = ledger.history(person, since)
    return {
        int(minute) * 60 + place: codes[place] / 100.0
        for minute, codes in zip(history.minutes, history.codes, strict=True)
        for place in codes.nonzero()[0].tolist()
    }


def as_somebody_else(work: Callable[[Path], Any], prepare: Callable[[Path], None] = lambda _folder: None) -> str:
    """What ``work`` says, run as a user without special rights in a folder that ``prepare`` made ready.

    The administrator may write everywhere, so a test of a folder without rights must not be one.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        prepare(folder)
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                if os.getuid() == 0:
                    os.setgroups([])
                    os.setgid(NOBODY)
                    os.setuid(NOBODY)
                said = str(work(folder))
            except BaseException as error:  # else the child would go on as a second test run
                said = f"raised {error!r}"
            os.write(into, said.encode())
            os._exit(0)
        os.close(into)
        with os.fdopen(out, "rb") as answer:
            said = answer.read().decode()
        os.waitpid(child, 0)
        for path in folder.rglob("*"):
            path.chmod(0o777)
        folder.chmod(0o777)
        return said


class DirectLine:
    """What the ledger's thread does, at once and in the thread that asks."""

    def __init__(self, recorder: ExposureRecorder) -> None:
        self.recorder = recorder
        self.messages: list[Message] = []

    @property
    def account(self) -> Account | None:
        return self.recorder.account

    @property
    def sentence(self) -> str:
        return self.recorder.sentence

    def post(self, message: Message) -> bool:
        self.messages.append(message)
        match message:
            case Heard():
                self.recorder.add_second(message.second, message.level_dba, message.peak_dbc, message.doubt_db)
            case Context():
                self.recorder.set_context(message)
            case Rest():
                self.recorder.end_sitting()
        self.recorder.update()
        return True

    def close(self) -> None:
        self.recorder.close()

    def heard(self) -> list[Heard]:
        return [message for message in self.messages if isinstance(message, Heard)]

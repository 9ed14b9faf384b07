"""Write the exposure record during a sitting and compute the readings of the exposure meter from it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from dsp.exposure.exposure import Rule
from meter.logbook.breaks import Breaks, notice, passed
from meter.logbook.clock import SittingClock
from meter.logbook.creep import Creep
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_summary import WEEK_MINUTES, local_day, shares_of
from meter.logbook.history import MINUTES_PER_DAY
from meter.logbook.store import Store
from meter.logbook.stored_levels import NOT_HEARD, SECONDS_PER_MINUTE, decode

FLUSH_SECONDS = 2.0
ACCOUNT_SECONDS = 5.0
REMEMBERED_SECONDS = 12 * 3600
"""How far back the last break and the start of the day's work are searched."""


@dataclass(frozen=True)
class Context:
    """Listener and rule of an account; with ``count_gaps``, gaps count at the level before them."""

    person: str
    rule: Rule
    count_gaps: bool = False


@dataclass(frozen=True)
class Account:
    """Readings for one context. Shares in per cent, ``since_break`` in minutes, ``creep`` in dB, NaN where
    not known; ``notice`` is a code of ``meter.logbook.breaks``. All of it is an estimate.
    """

    context: Context
    share: float
    share_today: float
    share_week: float
    since_break: float
    creep: float
    notice: int


class ExposureRecorder:
    """Exposure recorder for one thread. ``open_logbook`` is called at the first level, not before."""

    def __init__(self, open_logbook: Callable[[], Store], clock: SittingClock) -> None:
        self._open_logbook = open_logbook
        self._clock = clock
        self._ledger: ExposureRecord | None = None
        self._context: Context | None = None
        self._person = ""
        self._sitting = False
        self._flushed_at = self._accounted_at = -math.inf
        self.account: Account | None = None

    @property
    def sentence(self) -> str:
        """One sentence about a fault of the logbook, or an empty string."""
        return self._ledger.sentence if self._ledger is not None else ""

    def set_context(self, context: Context) -> None:
        """Set the person and the rule, from now on."""
        if self._context is not None and context.person != self._context.person:
            self.end_sitting()
        self._context = context
        self._accounted_at = -math.inf

    def add_second(self, second: int, level_dba: float, peak_dbc: float, doubt_db: float) -> None:
        """Record one second (since 1970) and the uncertainty of its level; the first one begins a sitting."""
        if self._context is None:
            return
        ledger = self._begun(self._context.person)
        ledger.add_second(second, level_dba, peak_dbc, doubt_db)
        self._breaks.add_second(second, level_dba)
        self._creep.add_second(second, level_dba)

    def end_sitting(self) -> None:
        """End the sitting: no sound counts now."""
        if self._ledger is not None and self._sitting:
            self._ledger.end_sitting()
            self._ledger.flush()
        self._sitting = False

    def update(self) -> None:
        """Write and compute the account when due; call it about once a second."""
        if self._ledger is None:
            return
        steady = self._clock.steady()
        if steady - self._flushed_at >= FLUSH_SECONDS:
            self._flushed_at = steady
            self._ledger.flush()
        if steady - self._accounted_at >= ACCOUNT_SECONDS:
            self._accounted_at = steady
            self.account = self._make_account()

    def close(self) -> None:
        """End the sitting and close the logbook."""
        self.end_sitting()
        if self._ledger is not None:
            self._ledger.close()
            self._ledger = None

    def _begun(self, person: str) -> ExposureRecord:
        """The record with an open sitting."""
        if self._ledger is None:
            self._ledger = ExposureRecord(self._open_logbook(), self._clock)
        if not self._sitting:
            self._ledger.begin_sitting(person)
            self._sitting = True
            self._remember(self._ledger, person)
            self._accounted_at = -math.inf
        return self._ledger

    def _remember(self, ledger: ExposureRecord, person: str) -> None:
        """Continue breaks and creep from the record before the program started."""
        self._breaks, self._creep = Breaks(), Creep()
        now = self._clock.now()
        history = ledger.history(person, now - REMEMBERED_SECONDS, with_gaps=False)
        for minute, codes in zip(history.at, history.codes, strict=True):
            levels = decode(codes)
            for place in (codes != NOT_HEARD).nonzero()[0]:
                second = int(minute) * SECONDS_PER_MINUTE + int(place)
                self._breaks.add_second(second, float(levels[place]))
                self._creep.add_second(second, float(levels[place]))

    def _make_account(self) -> Account | None:
        if self._ledger is None or self._context is None or not self._sitting:
            return None
        now = self._clock.now()
        today = local_day(now, self._clock.offset_minutes(now))
        context = self._context
        history = self._ledger.history(
            context.person, now - (WEEK_MINUTES + MINUTES_PER_DAY) * SECONDS_PER_MINUTE, with_gaps=context.count_gaps
        )
        shares = shares_of(history, context.rule, now, today, count_gaps=context.count_gaps)
        since_break = self._breaks.seconds_since(now)
        return Account(
            context,
            shares.period,
            shares.today,
            shares.week,
            since_break / SECONDS_PER_MINUTE,
            self._creep.decibels(),
            self._notice(self._ledger, shares.period, since_break, now, today),
        )

    def _notice(self, ledger: ExposureRecord, share: float, since_break: float, now: float, today: int) -> int:
        """The code to show now. A code shown for the first time today is stored, with the lower ones it replaces."""
        assert self._context is not None
        said = ledger.notices_shown(self._context.person, today)
        news = [code for code in passed(share) if code not in said]
        for code in news:
            # Of several new codes only the highest is shown; the lower ones count as already shown.
            said[code] = math.floor(now) if code == news[-1] else 0
            ledger.note_shown(self._context.person, today, code, said[code])
        return notice(share, said, since_break, now)

"""Between the meter with the service "recorder" and the exposure record: hands on each whole second, and fills in
what the record holds.

Only what sounds in the room counts: a device or an output, under a calibration. A file, the demo or a script is not
counted as exposure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Protocol

from dsp.exposure.exposure import Rule, hours_left_range
from meter.engine.catch_up import APART_SECONDS, ASLEEP_SECONDS, CatchUp
from meter.engine.recorder_thread import Heard, Message, RecorderThread, Rest
from meter.logbook.clock import SittingClock, machine_clock
from meter.logbook.exposure_recorder import Account, Context, ExposureRecorder
from meter.logbook.store import open_store
from meter.plugin.api import FloatArray, Setting
from meter.plugin.services import RECORDER_FILLS, RECORDER_READS
from meter.readings import Layout

NAMELESS = "me"
HEARD_KINDS = frozenset({"device", "monitor"})


def context_of(settings: Mapping[str, Setting]) -> Context:
    """Who listens, by which rule, and whether gaps count, from the settings of the meter.

    Raises ValueError for a rule that means nothing.
    """
    rule = Rule(
        str(settings["rule"]),
        float(settings["criterion_db"]),
        float(settings["criterion_hours"]),
        str(settings["period"]),
        float(settings["exchange_db"]),
        float(settings["threshold_db"]),
    )
    return Context(str(settings["person"]).strip() or NAMELESS, rule, bool(settings["count_gaps"]))


def open_recorder(path: Path) -> Recorder:
    """A recorder to this file, which is opened, or made, when there is something to write."""
    clock = machine_clock()
    return Recorder(RecorderThread(ExposureRecorder(partial(open_store, path), clock)), clock)


class Line(Protocol):
    """What leads to the exposure record; see ``RecorderThread``."""

    account: Account | None

    @property
    def sentence(self) -> str: ...
    def post(self, message: Message) -> bool: ...
    def close(self) -> None: ...


class Recorder:
    """Called from the engine's loop with each new set of readings; never waits. [dsp]"""

    def __init__(self, line: Line, clock: SittingClock) -> None:
        self._line = line
        self._clock = clock
        self._context: Context | None = None
        self._sent: Context | None = None
        self._layout: Layout | None = None
        self._meter_id = self._refusal = ""
        self._offsets: dict[str, int] = {}
        self._count = 0
        self._second: int | None = None
        self._asked_at = -math.inf
        self._catch_up = CatchUp()
        """Least distance to the clock in seconds while the sound is behind it, and when that was."""
        self._left: tuple[tuple[float, ...], tuple[float, float]] = ((), (math.nan, math.nan))

    @property
    def sentence(self) -> str:
        """What is wrong with the rule or the exposure record, or an empty string."""
        return self._refusal or self._line.sentence

    def configure(self, meter_id: str, settings: Mapping[str, Setting]) -> None:
        """Take the settings of the meter that is recorded: who listens, by which rule, and whether gaps count.

        Nothing is recorded under a rule that means nothing; ``sentence`` says so.
        """
        if meter_id != self._meter_id:
            self._meter_id, self._layout = meter_id, None
        try:
            self._context, self._refusal = context_of(settings), ""
        except ValueError as error:
            self._context, self._refusal = None, f"{error} Nothing is recorded; choose another rule."
            self.rest()

    def attend(self, layout: Layout, values: FloatArray, kind: str, state: str) -> None:
        """Record what is new in the readings, and write into them what the record holds."""
        if layout is not self._layout:
            self._lay_out(layout)
        if self._context is None or not self._offsets:
            return
        now = self._clock.now()
        if self._second is None:
            self._clock.restart()
            now = self._clock.now()
        if now - self._asked_at > ASLEEP_SECONDS and state == "idle":
            self.rest()
        self._asked_at = now
        if kind not in HEARD_KINDS or values[self._offsets["calibrated"]] != 1.0:
            self.rest()
            return
        self._tell_context()
        self._note(values, state, now)
        self._fill(values)

    def rest(self) -> None:
        """Nothing that counts is heard any more: another source, no calibration, the end."""
        if self._second is not None and self._line.post(Rest()):
            self._second = None

    def sleep(self, seconds: float) -> None:
        """The machine slept for so long."""
        if seconds > ASLEEP_SECONDS:
            self.rest()

    def close(self) -> None:
        """End the sitting and close the record."""
        self.rest()
        self._line.close()

    def _lay_out(self, layout: Layout) -> None:
        """A chain without the meter has nothing to record."""
        self._layout = layout
        slots = {key: layout.by_key.get(f"{self._meter_id}.{key}") for key in (*RECORDER_READS, *RECORDER_FILLS)}
        self._offsets = {key: slot.offset for key, slot in slots.items() if slot is not None}
        if len(self._offsets) < len(slots):
            self._offsets = {}
        self._count = 0

    def _tell_context(self) -> None:
        if self._context != self._sent and self._context is not None and self._line.post(self._context):
            self._sent = self._context

    def _note(self, values: FloatArray, state: str, now: float) -> None:
        if not math.isfinite(values[self._offsets["seconds"]]):
            return
        count = int(values[self._offsets["seconds"]])
        ended = math.floor(now) - 1
        if count != self._count:
            second = self._place(count, ended, now)
            self._count = count
            level = float(values[self._offsets["seat_second"]])
            if not math.isnan(level):
                self._send(second, level, float(values[self._offsets["peak_second"]]), values)
            elif self._second is not None:
                self._second = second
        elif state == "idle" and self._second is not None and ended > self._second:
            # Nothing plays, and that is known: quiet, not a gap.
            for second in range(self._second + 1, ended + 1):
                self._send(second, -math.inf, math.nan, values)

    def _place(self, count: int, ended: int, now: float) -> int:
        """The second since 1970 that a whole second of sound stands for."""
        if self._second is None:
            return ended
        if count < self._count:
            return max(ended, self._second + 1)  # the meter was restarted
        counted = self._second + count - self._count
        behind = ended - counted
        if abs(behind) <= APART_SECONDS or self._catch_up.goes_on(behind, now):
            return counted
        if behind > ASLEEP_SECONDS:
            self.rest()
        self._catch_up.forget()
        return ended

    def _send(self, second: int, level_dba: float, peak_dbc: float, values: FloatArray) -> None:
        self._line.post(Heard(second, level_dba, peak_dbc, float(values[self._offsets["doubt"]])))
        self._second = second

    def _fill(self, values: FloatArray) -> None:
        """Until there is an account for this person and rule, what it would say is not known."""
        account = self._line.account
        known = account is not None and account.context == self._context
        numbers = (
            self._numbers(account, values)
            if known and account is not None
            else dict.fromkeys(RECORDER_FILLS, math.nan)
        )
        for key, number in numbers.items():
            values[self._offsets[key]] = number

    def _numbers(self, account: Account, values: FloatArray) -> dict[str, float]:
        minute, doubt = (float(values[self._offsets[key]]) for key in ("seat_minute", "doubt"))
        low, high = self._time_left(account, minute, doubt)
        return {
            "share": account.share,
            "share_today": account.share_today,
            "share_week": account.share_week,
            "time_left_low": low,
            "time_left_high": high,
            "since_break": account.since_break,
            "creep": account.creep,
            "notice": float(account.notice),
        }

    def _time_left(self, account: Account, minute_dba: float, doubt_db: float) -> tuple[float, float]:
        """Least and most time left at the level of the last minute; cached until an input changes."""
        behind = (account.share, minute_dba, doubt_db)
        if behind != self._left[0]:
            self._left = (behind, hours_left_range(*behind, account.context.rule))
        return self._left[1]

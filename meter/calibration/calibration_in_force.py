"""Which calibration is in force: that of the source that is heard, once the user confirmed it. No Qt."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date
from typing import Protocol

import msgspec

from meter.calibration.monitor_control import Seat, seat_at, state_words
from meter.plugin.api import Setting
from meter.readings import FeedStatus
from meter.settings import HEADPHONES, HEARD_ON, Calibration, MonitorSetting, MonitorState, Settings

HEARD_ON_SPEAKERS = frozenset({"device", "monitor"})
"""Kinds of source that stand for what is heard in the room; a file or the demo does not."""

OLDER_WORDS = "What is playing on "
"""Earlier versions put this before the name of an output."""

NOT_ESTIMATED = "Headphones are not estimated unless you ask for it: more, calibrate the listening level…"


class Asker(Protocol):
    """The feed line, as far as it is needed here."""

    def ask(self, sentence: str, answers: Sequence[tuple[str, Callable[[], None]]]) -> None: ...
    def withdraw(self, sentence: str) -> None: ...


class CalibrationInForce:
    """Puts a calibration in force or out of it. No calibration, no exposure figure.

    A calibration belongs to one source by the system's own name of it, one way of listening and one setting of the
    monitor control. It is out of force until the user confirms, at each start and after each change of source, that
    the control is where it was, or says where it is. ``configure`` takes settings of the calibrated meter,
    ``calibrate`` and ``turn`` open what the question's answers lead to, ``changed`` asks for a save.
    """

    def __init__(
        self,
        settings: Settings,
        asker: Asker,
        configure: Callable[[dict[str, Setting]], None],
        calibrate: Callable[[], None],
        turn: Callable[[], None],
        changed: Callable[[], None] = lambda: None,
    ) -> None:
        self._changed = changed
        self._settings = settings
        self._asker = asker
        self._configure = configure
        self._calibrate = calibrate
        self._turn = turn
        self._question = ""
        self._place = ("", 0)
        self.source = ""
        """``kind:identity`` of the source that is heard; empty while there is none a calibration may belong to."""
        self.seat: Seat | None = None
        """What is in force, None when nothing is."""

    @property
    def state(self) -> MonitorState:
        """What the user last said of the source that is heard."""
        return self._settings.state_of(self.source)

    @property
    def known(self) -> frozenset[str]:
        """The ways of listening to this source that have a calibration, confirmed or not."""
        return frozenset(way for way in HEARD_ON if self._settings.calibrations_for(self.source, way))

    def names(self) -> dict[str, tuple[str, ...]]:
        """The monitor settings of this source for each way of listening."""
        return {way: tuple(self._settings.changes_of(self.source, way)) for way in HEARD_ON}

    def watch(self, kind: str, status: FeedStatus) -> None:
        """Look at the feed; acts only when another source is heard than before."""
        if kind not in HEARD_ON_SPEAKERS:
            self._leave()
            return
        heard = f"{kind}:{status.identity}" if status.identity else ""
        place = (heard, status.output_changes)
        if place == self._place or status.state != "running":
            return
        self._withdraw()
        self._place, self.source = place, heard
        self._out_of_force()
        older = [key for key in older_keys(kind, status.source) if key != heard and self._has(key)]
        if self.known:
            self._ask()
        elif older:
            self._ask_about_older(older[0], status.source)

    def use(self, kept: Calibration) -> None:
        """Keep a new calibration and put it in force at once if its source is the one that is heard."""
        self._settings.keep_calibration(kept)
        self._settings.keep_state(MonitorState(kept.source, kept.heard_on, kept.setting))
        if kept.source == self.source:
            self._withdraw()
            self._put_in_force()

    def forget(self, heard_on: str) -> None:
        """Drop what is known of the source that is heard, for one way of listening."""
        self._settings.forget_calibrations(self.source, heard_on)
        self._withdraw()
        self._put_in_force() if self.seat is not None else self._out_of_force()

    def turned_to(self, setting: str) -> str:
        """The user turned the control to this setting, which also confirms it; one sentence if that helps nothing."""
        return self._said(msgspec.structs.replace(self.state, setting=setting))

    def listens_on(self, heard_on: str) -> str:
        """The user listens on loudspeakers or headphones now; one sentence if that is not estimated."""
        return self._said(msgspec.structs.replace(self.state, heard_on=heard_on))

    def name_setting(self, name: str, change_db: float) -> str:
        """The user turned the control to a place of a new name, so far from full."""
        state = self.state
        self._settings.keep_monitor_setting(MonitorSetting(state.source, state.heard_on, name, change_db))
        return self.turned_to(name)

    def elsewhere(self) -> None:
        """The user does not know where the control stands: nothing is estimated until they say."""
        self._withdraw()
        self._out_of_force()

    def _said(self, state: MonitorState) -> str:
        if not self.source:
            return ""
        self._settings.keep_state(state)
        self._withdraw()
        self._put_in_force()
        if self.seat is not None or not self.known:
            return ""
        if state.heard_on == HEADPHONES and HEADPHONES not in self.known:
            return NOT_ESTIMATED
        return f"Nothing was calibrated that “{state.setting}” could be reckoned from; nothing is estimated there."

    def _leave(self) -> None:
        if self.source:
            self._withdraw()
            self._place, self.source = ("", 0), ""
            self._out_of_force()

    def _has(self, source: str) -> bool:
        return any(self._settings.calibrations_for(source, way) for way in HEARD_ON)

    def _ask_about_older(self, key: str, name: str) -> None:
        """A calibration kept under a description is used only once the user says that it is of this output."""
        self._question = (
            f"A calibration was kept for “{key.partition(':')[2]}”. Was it made on this output, “{name}”?"
        )
        answers = [("yes, on this output", lambda: self._take_over(key)), ("no", self._withdraw)]
        self._asker.ask(self._question, answers)

    def _take_over(self, key: str) -> None:
        self._settings.rename_source(key, self.source)
        self._changed()
        self._ask()

    def _ask(self) -> None:
        seat = seat_at(self._settings, self.state)
        self._question = _question(seat, self.state)
        answers = [("yes", self._put_in_force), ("I moved it…", self._turn)]
        if seat is not None:
            answers.append(("calibrate again…", self._calibrate))
        self._asker.ask(self._question, answers)

    def _withdraw(self) -> None:
        if self._question:
            self._asker.withdraw(self._question)
            self._question = ""

    def _put_in_force(self) -> None:
        seat = seat_at(self._settings, self.state)
        if seat is None:
            self._out_of_force()
            return
        self.seat = seat
        self._configure(
            {
                "calibrated": True,
                "calibrated_for": self.source,
                "offset_db": round(seat.offset_db, 2),
                "doubt_db": seat.doubt_db,
                "monitor_setting": seat.words,
            }
        )

    def _out_of_force(self) -> None:
        self.seat = None
        self._configure({"calibrated": False, "monitor_setting": state_words(self.state) if self.source else ""})


def older_keys(kind: str, name: str) -> tuple[str, ...]:
    """What a calibration of this source may be kept under: earlier versions used the description after
    ``OLDER_WORDS``, "(null)" for one that is not ASCII, and the same for two outputs of one description.
    """
    if kind != "monitor":
        return ()
    plain = re.sub(r" \([^()]*\)$", "", name)
    names = (name, plain) if name.isascii() else (name, plain, "(null)")
    older = (f"{before}{each}" for each in names for before in (OLDER_WORDS, ""))
    return tuple(f"{kind}:{each}" for each in dict.fromkeys(older))


def _question(seat: Seat | None, state: MonitorState) -> str:
    words = state_words(state)
    if seat is None:
        return f"You last listened on {words}, which is not estimated. Still so?"
    day = _date_words(seat.made_from.measured_on)
    if state.heard_on == HEADPHONES:
        return f"Calculated on {day} for {words}. Do you listen on these, and is the volume where it was?"
    at = "where it was" if words == state.heard_on else f"at {state.setting}, where it was"
    return f"Calibrated on {day}. Is the monitor knob {at}?"


def _date_words(text: str) -> str:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return "an unknown day"
    return f"{day.day} {day:%B %Y}"

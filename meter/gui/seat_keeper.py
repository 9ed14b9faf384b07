"""Which calibration is in force: that of the source that is heard, once the user confirmed it. No Qt."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from typing import Protocol

from meter.gui.link import Setting
from meter.readings import FeedStatus
from meter.settings import Calibration, Settings

METER_ID = "listening"
HEARD_ON_SPEAKERS = frozenset({"device", "monitor"})
"""Kinds of source that stand for what is heard in the room; a file or the demo does not."""


class Asker(Protocol):
    """The feed line, as far as it is needed here."""

    def ask(self, sentence: str, answers: Sequence[tuple[str, Callable[[], None]]]) -> None: ...
    def withdraw(self, sentence: str) -> None: ...


class SeatKeeper:
    """Puts a calibration in force or out of it. No calibration, no exposure figure.

    A calibration belongs to one source. It is out of force until the user confirms, at each start and after each
    change of source, that the monitor control is where it was.
    """

    def __init__(
        self,
        settings: Settings,
        asker: Asker,
        configure: Callable[[str, dict[str, Setting]], None],
        calibrate: Callable[[], None],
    ) -> None:
        self._settings = settings
        self._asker = asker
        self._configure = configure
        self._calibrate = calibrate
        self._question = ""
        self.source = ""
        """``kind:name`` of the source that is heard; empty while there is none a calibration may belong to."""

    def watch(self, kind: str, status: FeedStatus) -> None:
        """Look at the feed; acts only when another source is heard than before."""
        if kind not in HEARD_ON_SPEAKERS:
            self._leave()
            return
        heard = f"{kind}:{status.source}" if status.source else ""
        if heard == self.source or status.state != "running":
            return
        self._withdraw()
        self.source = heard
        self._out_of_force()
        kept = self._settings.calibration_for(heard)
        if kept is not None:
            self._ask(kept)

    def use(self, kept: Calibration) -> None:
        """Keep a new calibration and put it in force at once if its source is the one that is heard."""
        self._settings.keep_calibration(kept)
        self._withdraw()
        if kept.source == self.source:
            self._in_force(kept)

    def forget(self) -> None:
        """Drop the calibration of the source that is heard."""
        self._settings.forget_calibration(self.source)
        self._withdraw()
        self._out_of_force()

    @property
    def known(self) -> bool:
        """True when the source that is heard has a calibration, confirmed or not."""
        return self._settings.calibration_for(self.source) is not None

    def _leave(self) -> None:
        if self.source:
            self._withdraw()
            self.source = ""
            self._out_of_force()

    def _ask(self, kept: Calibration) -> None:
        self._question = f"Calibrated on {_date_words(kept.measured_on)}. Is the monitor control where it was?"
        self._asker.ask(
            self._question,
            [
                ("yes", lambda: self._in_force(kept)),
                ("no", lambda: None),
                ("calibrate again…", self._calibrate),
            ],
        )

    def _withdraw(self) -> None:
        if self._question:
            self._asker.withdraw(self._question)
            self._question = ""

    def _in_force(self, kept: Calibration) -> None:
        self._configure(METER_ID, {"calibrated": True, "offset_db": kept.offset_db})

    def _out_of_force(self) -> None:
        self._configure(METER_ID, {"calibrated": False})


def _date_words(text: str) -> str:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return "an unknown day"
    return f"{day.day} {day:%B %Y}"

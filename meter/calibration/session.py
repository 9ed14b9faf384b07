"""One calibration in the making: its steps, what was read in each, and the record that comes of it. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from meter.calibration.headphones import HEADPHONE_DOUBT_DB, HeadphoneSheet
from meter.calibration.level_at_seat import BothReading, SeatResult, SideReading, typed_level
from meter.calibration.noise_check import BOTH, LEFT, RIGHT, SeatFeed
from meter.calibration.result_words import dead_sentence
from meter.figures import figure
from meter.settings import HEADPHONES, Calibration

START, RESULT, SHEET, ONE = "before", "result", "sheet", "one"
TWO_SIDES = (START, LEFT, RIGHT, BOTH, RESULT)
ONE_SIDE = (START, ONE, RESULT)
BY_SHEET = (START, SHEET)


@dataclass(frozen=True)
class Terms:
    """What was chosen before the first step."""

    source: str
    setting: str
    noise: str
    weighting: str
    meter: str
    position: str = ""


class SeatSession:
    """Readings by step; ``feed`` collects what the feed carries."""

    def __init__(self) -> None:
        self.feed = SeatFeed()
        self.typed: dict[str, str] = {}
        self._readings: dict[str, SideReading | BothReading] = {}
        self._steps: tuple[str, ...] = TWO_SIDES

    def clear(self) -> None:
        """Begin anew."""
        self.feed.clear()
        self.forget_readings()

    def forget_readings(self) -> None:
        """Other terms were chosen, so what was read is worth nothing."""
        self.typed.clear()
        self._readings.clear()

    def steps(self, at: str) -> tuple[str, ...]:
        """The steps for this feed; settled once the first one is left."""
        if at == START:
            self._steps = ONE_SIDE if self.feed.channels == 1 else TWO_SIDES
        return self._steps

    def take(self, step: str, text: str, weighting: str) -> None:
        """Keep what was typed in a step with what the feed carries. Raises ValueError with one sentence."""
        self._readings[step] = self._read(step, text, weighting)
        self.typed[step] = figure(typed_level(text))

    def leave_out(self, step: str) -> None:
        """Go without a step."""
        self._readings.pop(step, None)
        self.typed.pop(step, None)

    def objection(self, step: str, text: str, weighting: str) -> str:
        """One sentence if what is typed cannot be right beside what was read before, else empty."""
        if step != RIGHT:
            return ""
        return dead_sentence(_result_of({**self._readings, step: self._read(step, text, weighting)}))

    @property
    def result(self) -> SeatResult:
        """What came of the steps so far; the first loudspeaker must have been read."""
        return _result_of(self._readings)

    def calibration(self, terms: Terms, today: date) -> Calibration:
        """The record of what was measured."""
        found = self.result
        typed = ", ".join(f"{name} {text}" for name, text in self.typed.items())
        return Calibration(
            source=terms.source,
            offset_db=round(found.offset_db, 2),
            measured_on=today.isoformat(),
            typed_db=found.left.typed_db,
            weighting=terms.weighting,
            noise=terms.noise,
            setting=terms.setting,
            meter=terms.meter,
            position=" ".join(terms.position.split()),
            doubt_db=found.doubt_db(terms.meter),
            details=f"{typed} dB({terms.weighting})",
        )

    def _read(self, step: str, text: str, weighting: str) -> SideReading | BothReading:
        typed = typed_level(text)
        levels = self.feed.levels(side_of(step), weighting)
        return BothReading(typed, (levels[0], levels[-1])) if step == BOTH else SideReading(typed, levels[0])


def side_of(step: str) -> str:
    """The channels that a step is about."""
    return LEFT if step == ONE else step


def sheet_calibration(sheet: HeadphoneSheet, source: str, setting: str, today: date) -> Calibration:
    """The record of headphones reckoned from a data sheet."""
    return Calibration(
        source=source,
        offset_db=round(sheet.offset_db, 2),
        measured_on=today.isoformat(),
        typed_db=round(sheet.full_scale_db_spl, 2),
        weighting="",
        noise="",
        heard_on=HEADPHONES,
        setting=setting,
        meter="data sheet",
        doubt_db=HEADPHONE_DOUBT_DB,
        details=sheet.words,
    )


def _result_of(readings: dict[str, SideReading | BothReading]) -> SeatResult:
    left, right, both = readings.get(LEFT, readings.get(ONE)), readings.get(RIGHT), readings.get(BOTH)
    assert isinstance(left, SideReading)
    return SeatResult(
        left,
        right if isinstance(right, SideReading) else None,
        both if isinstance(both, BothReading) else None,
    )

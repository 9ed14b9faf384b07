"""What headphones give for a full-scale sine, reckoned from their data sheet. No Qt.

A guess, and told as one: the sheet is off by some decibels from one pair to the next, the seal on the ear and the
output's own resistance shift the level, and the level at the eardrum is not that in a free field, of which the rules
speak. Headphones are not estimated unless the user asks for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HEADPHONE_DOUBT_DB = 8.0
"""At least this, either way (common practice, no source)."""
PER_MILLIWATT, PER_VOLT = "dB SPL at 1 mW", "dB SPL at 1 V"
REFERENCE_WATTS = 0.001

LEAST_SENSITIVITY_DB, MOST_SENSITIVITY_DB = 60.0, 140.0
LEAST_OHM, MOST_OHM = 4.0, 2000.0
LEAST_VOLT, MOST_VOLT = 0.01, 20.0
LEAST_LEVEL_DB, MOST_LEVEL_DB = 70.0, 150.0
"""A full-scale sine outside of this is a slip of the typing."""

BOTH_SIDES_DB = 10.0 * math.log10(2.0)
"""The feed's level adds both sides up; an ear hears one. A sound on one side alone reads this much low."""


@dataclass(frozen=True)
class HeadphoneSheet:
    """``sensitivity_db`` per ``unit``; ``volts`` is the rms voltage of a full-scale sine at the output, unloaded,
    ``output_ohm`` what stands between it and the headphones of ``ohm``."""

    sensitivity_db: float
    unit: str
    ohm: float
    volts: float
    output_ohm: float = 0.0

    def check(self) -> None:
        """Raises ValueError with one sentence for what no headphones have."""
        limits = (
            ("sensitivity", self.sensitivity_db, LEAST_SENSITIVITY_DB, MOST_SENSITIVITY_DB, "dB SPL"),
            ("impedance", self.ohm, LEAST_OHM, MOST_OHM, "ohm"),
            ("voltage at full scale", self.volts, LEAST_VOLT, MOST_VOLT, "V"),
            ("resistance of the output", self.output_ohm, 0.0, MOST_OHM, "ohm"),
        )
        for name, value, least, most, unit in limits:
            if not least <= value <= most:
                raise ValueError(f"Type the {name} as a number from {least:g} to {most:g} {unit}.")
        if not LEAST_LEVEL_DB <= self.full_scale_db_spl <= MOST_LEVEL_DB:
            raise ValueError(
                f"These figures give {self.full_scale_db_spl:.0f} dB SPL at full scale, which no headphones do; "
                "check unit and voltage."
            )

    @property
    def full_scale_db_spl(self) -> float:
        """Level of a full-scale sine in one ear: the sheet's plus 10 lg of the power in mW or 20 lg of the volts."""
        volts = self.volts * self.ohm / (self.ohm + self.output_ohm)
        if self.unit == PER_VOLT:
            return self.sensitivity_db + 20.0 * math.log10(volts)
        return self.sensitivity_db + 10.0 * math.log10(volts**2 / self.ohm / REFERENCE_WATTS)

    @property
    def offset_db(self) -> float:
        """Level in an ear minus level of the feed, both sides carrying alike; see ``BOTH_SIDES_DB``."""
        return self.full_scale_db_spl - BOTH_SIDES_DB

    @property
    def words(self) -> str:
        """What was typed, in one line."""
        behind = f", {self.output_ohm:g} ohm before them" if self.output_ohm else ""
        return f"{self.sensitivity_db:g} {self.unit}, {self.ohm:g} ohm, {self.volts:g} V at full scale{behind}"


def typed_number(text: str) -> float:
    """A number as typed, comma or point; NaN for anything else."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return math.nan

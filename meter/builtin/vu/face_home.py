"""Home range of a stage: the usual loud level at its input at which it sounds right, learned by a key."""

from __future__ import annotations

import math
from collections.abc import Mapping

from meter import figures
from meter.plugin.api import Setting

HOME_KEY = "U"
HALF_RANGE_DB = 1.5
"""Either side of what was learned (common practice, no source)."""
STAYS_DB = 0.2
"""How far outside the range a level has to be before "there" is withdrawn, and inside before it returns."""
NO_HOME_DBFS = -200.0
HOT, THERE, SHY = "hot", "there", "shy"
AT_HOME = "at home"


class Home:
    """What was learned for one feed with one kind of ballistics; ``level_dbfs`` is NaN without it."""

    def __init__(self) -> None:
        self.level_dbfs = math.nan
        self._word = ""

    def follow(self, settings: Mapping[str, Setting], feed: str, movement: str) -> bool:
        """Take the settings; True when another level, or none, counts now."""
        kept = settings.get("home_dbfs", NO_HOME_DBFS)
        known = isinstance(kept, float) and kept > NO_HOME_DBFS
        known = known and (settings.get("home_feed"), settings.get("home_movement")) == (feed, movement)
        level = float(kept) if known else math.nan
        changed = level != self.level_dbfs and not (math.isnan(level) and math.isnan(self.level_dbfs))
        self.level_dbfs = level
        if changed:
            self._word = ""
        return changed

    @property
    def known(self) -> bool:
        """Whether a level was learned."""
        return not math.isnan(self.level_dbfs)

    def range(self, alignment_dbfs: float) -> tuple[float, float]:
        """Both ends re the alignment; NaN without a home."""
        middle = self.level_dbfs - alignment_dbfs
        return middle - HALF_RANGE_DB, middle + HALF_RANGE_DB

    def word(self, usual_dbfs: float) -> str:
        """Hot, there or shy; empty where there is nothing to compare."""
        if not self.known or not math.isfinite(usual_dbfs):
            self._word = ""
            return ""
        over = usual_dbfs - self.level_dbfs
        reach = HALF_RANGE_DB + (STAYS_DB if self._word == THERE else -STAYS_DB if self._word else 0.0)
        self._word = THERE if abs(over) <= reach else HOT if over > 0.0 else SHY
        return self._word

    def note(self, usual_dbfs: float, gap_db: float, true_peaks: bool) -> tuple[str, str]:
        """How far from home, and the headroom gap; in full and in short."""
        over = usual_dbfs - self.level_dbfs
        far, side = figures.figure(abs(over)), "above" if over > 0.0 else "below"
        place, brief = (AT_HOME, AT_HOME) if far == "0.0" else (f"{far} dB {side} home", f"{far} dB {side}")
        if not math.isfinite(gap_db):
            return place, brief
        kind = "true" if true_peaks else "sample"
        gap = figures.figure(gap_db)
        return f"{place}, headroom gap {gap} dB, {kind} peaks", f"{brief}, gap {figures.figure(gap_db, 0)} dB"


def learned(usual_dbfs: float, feed: str, movement: str) -> dict[str, Setting]:
    """The settings that keep a level as home."""
    return {"home_dbfs": round(usual_dbfs, 2), "home_feed": feed, "home_movement": movement}


FORGOTTEN: dict[str, Setting] = {"home_dbfs": NO_HOME_DBFS}

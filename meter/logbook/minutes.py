"""One minute of one person as it is stored, and minutes as a history."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meter.logbook.eras import Placed
from meter.logbook.history import MINUTES_PER_DAY, History
from meter.logbook.stored_levels import SECONDS_PER_MINUTE, CodeArray, from_blob

COLUMNS = "minute, utc_offset, levels, peak, doubt"


@dataclass
class Minute:
    """One minute: codes of its levels, highest peak in dB(C), and uncertainty in dB."""

    offset: int
    codes: CodeArray
    peak_dbc: float = math.nan
    doubt_db: float = 0.0

    def over(self, other: Minute) -> Minute:
        """Merge one minute written by two programs: the higher of each value, the offset of ``other``."""
        codes = np.maximum(self.codes, other.codes)
        peak_dbc = float(np.fmax(self.peak_dbc, other.peak_dbc))
        return Minute(other.offset, codes, peak_dbc, max(self.doubt_db, other.doubt_db))


def from_row(row: tuple[int, int, bytes, float | None, float]) -> tuple[int, Minute]:
    """The minute since 1970 and its content, from a row of ``COLUMNS``; raises ValueError or TypeError."""
    minute, offset, blob, peak, doubt = row  # a damaged file may hold anything in any column
    peak_dbc = math.nan if peak is None else float(peak)
    return int(minute), Minute(int(offset), from_blob(blob), peak_dbc, float(doubt))


def history_of(rows: dict[int, Minute], era: Placed | None = None) -> History:
    """A history of the minutes of one era, in order of time; ``era`` gives their place on the present clock."""
    ordered = sorted(rows)
    minutes = np.array(ordered, dtype=np.int64)
    offsets = np.array([rows[minute].offset for minute in ordered], dtype=np.int64)
    codes = np.array([rows[minute].codes for minute in ordered], dtype=np.uint16).reshape(-1, SECONDS_PER_MINUTE)
    peaks = np.array([rows[minute].peak_dbc for minute in ordered], dtype=np.float64)
    doubts = np.array([rows[minute].doubt_db for minute in ordered], dtype=np.float64)
    at = minutes if era is None else era.at(minutes)
    return History(minutes, at, (at + offsets) // MINUTES_PER_DAY, offsets, codes, peaks, doubts)


def joined(parts: list[History]) -> History:
    """The histories of several eras as one, in order of the minutes they count for."""
    if not parts:
        return history_of({})
    order = np.argsort(np.concatenate([part.at for part in parts]), kind="stable")
    return History(
        np.concatenate([part.minutes for part in parts])[order],
        np.concatenate([part.at for part in parts])[order],
        np.concatenate([part.days for part in parts])[order],
        np.concatenate([part.offsets for part in parts])[order],
        np.concatenate([part.codes for part in parts])[order],
        np.concatenate([part.peaks_dbc for part in parts])[order],
        np.concatenate([part.doubts_db for part in parts])[order],
        tuple(sorted((gap for part in parts for gap in part.gaps), key=lambda gap: gap.at)),
    )

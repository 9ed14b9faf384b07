"""Readings as text, rounded to what their span supports.

"Not yet" (NaN) reads "–", silence (minus infinity) "−∞". Rounding: whole numbers for exposure,
0.5 dB for spans under 3 s, 0.1 dB above.
"""

from __future__ import annotations

import math

MINUS = "−"
NOT_YET = "–"
MOST = 9999
"""Largest figure shown; no reading exceeds it."""
LISTENING = "listening…"
NO_SOUND = "no sound now"


def figure(value: float, decimals: int = 1, *, plus: bool = False) -> str:
    """A number with a true minus sign; ``plus`` writes the sign of a gain as well."""
    if math.isnan(value):
        return NOT_YET
    if math.isinf(value):
        return "∞" if value > 0 else f"{MINUS}∞"
    if abs(value) > MOST:
        return f">{MOST}" if value > 0 else f"<{MINUS}{MOST}"
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0.0:
        return text
    sign = MINUS if value < 0 else ("+" if plus else "")
    return f"{sign}{text}"


def halves(value: float) -> float:
    """Rounded to 0.5, for readings of less than 3 s."""
    return round(value * 2.0) / 2.0 if math.isfinite(value) else value


def settled(value: float, shown: float, step: float) -> float:
    """``shown`` as long as ``value`` is within 0.7 steps of it, so that a last digit does not flutter."""
    if math.isfinite(value) and math.isfinite(shown) and abs(value - shown) < 0.7 * step:
        return shown
    return round(value / step) * step if math.isfinite(value) else value


def with_unit(value: float, unit: str, decimals: int = 1, *, plus: bool = False) -> str:
    """``−14.8 LUFS``; without the unit when there is no number."""
    text = figure(value, decimals, plus=plus)
    return text if math.isnan(value) or not unit else f"{text} {unit}"


def side(balance_db: float) -> str:
    """Where a balance (left over right, dB) leans: ``leans 1.2 dB to the right``, ``centred``."""
    if math.isnan(balance_db):
        return NOT_YET
    if math.isinf(balance_db):
        return "all on the left" if balance_db > 0 else "all on the right"
    if abs(balance_db) < 0.05:
        return "centred"
    return f"leans {figure(abs(balance_db))} dB to the {'left' if balance_db > 0 else 'right'}"


def waiting(live: bool) -> str:
    """Text in place of a reading: listening, or no sound."""
    return LISTENING if live else NO_SOUND


def side_short(balance_db: float) -> str:
    """``side`` in few words: ``1.2 dB right``; the same where it is short already."""
    if not math.isfinite(balance_db) or abs(balance_db) < 0.05:
        return side(balance_db)
    return f"{figure(abs(balance_db))} dB {'left' if balance_db > 0 else 'right'}"


def age(seconds: float) -> str:
    """``12 s ago``, ``3 min ago``, ``2 h ago``; "just now" below 2 s, empty where there is no age."""
    if not math.isfinite(seconds):
        return ""
    if seconds < 2.0:
        return "just now"
    if seconds < 60.0:
        return f"{seconds:.0f} s ago"
    if seconds < 3600.0:
        return f"{seconds / 60.0:.0f} min ago"
    return f"{seconds / 3600.0:.0f} h ago"


def change_of(part: str, change_db: float) -> str:
    """``top +1.5 dB``; "not compared" where there is no figure."""
    return f"{part} not compared" if math.isnan(change_db) else f"{part} {with_unit(change_db, 'dB', plus=True)}"


def hours_range(low: float, high: float) -> str:
    """``5 to 40 h``, ``20 to 40 min``, ``40 min to 3 h``; one figure where both are the same; NaN is "not yet".

    Infinity is more than a week, 0 is less than a minute.
    """
    if math.isnan(low) or math.isnan(high):
        return NOT_YET
    if low == high:
        return "no time" if high <= 0.0 else _hours(high)
    if low <= 0.0:
        return f"0 to {_hours(high)}"
    first, second = _hours(low), _hours(high)
    same_unit = first.rpartition(" ")[2] == second.rpartition(" ")[2]
    return f"{first.rpartition(' ')[0] if same_unit else first} to {second}"


def _hours(hours: float) -> str:
    """``40 min``, ``1.5 h``, ``over 7 days``."""
    if math.isinf(hours):
        return "over 7 days"
    return f"{hours * 60.0:.0f} min" if hours < 1.0 else f"{hours:g} h"


def hours_and_minutes(hours: float) -> str:
    """``3 h 20``, ``45 min``; rounded down: to whole hours above 10 h, to 5 min above 1 h, otherwise to minutes."""
    if not math.isfinite(hours):
        return NOT_YET if math.isnan(hours) or hours < 0 else "99+ h"
    minutes = max(0, math.floor(hours * 60.0 + 1e-6))
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 99 * 60:
        return "99+ h"
    if minutes >= 600:
        return f"{minutes // 60} h"
    minutes -= minutes % 5
    return f"{minutes // 60} h {minutes % 60:02d}"


def duration(seconds: float) -> str:
    """A span at the fineness that is of use: ``26 ms``, ``42 s``, ``14 min``, ``2 h 14 min``; empty for none."""
    if not math.isfinite(seconds):
        return ""
    if seconds < 1.0:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 60.0:
        return f"{int(seconds)} s"
    hours, minutes = divmod(int(seconds) // 60, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"

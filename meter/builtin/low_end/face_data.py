"""What the faces of the low end have in common: readings and findings by part, words for spans, notes and age."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PySide6.QtGui import QColor

from meter import figures as words
from meter.gui.kit import scale
from meter.gui.kit.label import Label, shortened
from meter.lowend import words as sentences
from meter.lowend.findings import SILENT, LowEndFindings, PartFindings
from meter.plugin.face import LIVE_STATES
from meter.readings import Frame

Floats = NDArray[np.float64]
METER = "low_end"
STUDY = f"{METER}.account"
LAST, MARKED, SITTING = "last", "marked", "sitting"
SLOPES = (6, 12, 18, 24)
STALE_SECONDS = 2.0
MOST_NAMED = 3


@dataclass(frozen=True)
class Part:
    """One part in the low end; ``number`` is its place in the readings."""

    number: int
    name: str
    share: float
    role: str


def number(frame: Frame, key: str) -> float:
    """A scalar reading of this meter."""
    return frame.number(f"{METER}.{key}")


def each(frame: Frame, key: str) -> Floats:
    """A reading with one value for each part, or some other vector."""
    return frame.vector(f"{METER}.{key}")


def table(frame: Frame, key: str) -> Floats:
    """A reading with several values for each part, ``(parts, each)``."""
    return frame.table(f"{METER}.{key}")


def findings(frame: Frame) -> LowEndFindings | None:
    """The newest findings of the parts in the frame, None before the first."""
    found = frame.findings.get(STUDY)
    if not isinstance(found, LowEndFindings) or tuple(part.name for part in found.parts) != frame.parts:
        return None
    return found


def part_found(frame: Frame, part: int) -> PartFindings | None:
    """Findings of one part by its number, None before the first and for a number that is none."""
    found = findings(frame)
    return found.parts[part] if found is not None and 0 <= part < len(found.parts) else None


def parts_of(frame: Frame) -> list[Part]:
    """All parts in the order of the feeds: no part changes its place when shares cross."""
    shares, found = each(frame, "share"), findings(frame)
    if len(shares) != len(frame.parts):
        return []
    roles = [part.role for part in found.parts] if found is not None else [SILENT] * len(shares)
    return [Part(place, name, float(shares[place]), roles[place]) for place, name in enumerate(frame.parts)]


def shown_part(frame: Frame, settings: Mapping[str, object]) -> int:
    """The number of the part that is shown: the chosen one, otherwise the one with most to show; -1 for none."""
    chosen = settings.get("part")
    found = findings(frame)
    name = chosen if chosen in frame.parts else found.shown_part if found is not None else ""
    return frame.parts.index(str(name)) if name in frame.parts else -1


def cancelling(frame: Frame) -> tuple[str, ...]:
    """Two parts that cancel each other, as a sentence and then ever shorter; empty while no two do."""
    found = findings(frame)
    if found is None or not found.cancelling_pairs:
        return ()
    worst, more = found.cancelling_pairs[0], len(found.cancelling_pairs) - 1
    names, (what, how) = f"{worst.first} and {worst.second}", sentences.cancelling_words(worst)
    others = f"; {more} more such" if more else ""
    return f"{names} {what}, {how}{others}", f"{names} {what}, {how}", f"{names} {what}", f"two parts {what}"


def span_words(settings: Mapping[str, object]) -> str:
    """What the shares count: ``last 10 s``, ``last 8 bars at 120 BPM``."""
    span = settings.get("span", LAST)
    if span == MARKED:
        return "since the mark"
    if span == SITTING:
        return "the whole sitting"
    tempo = tempo_words(settings)
    return f"last 8 bars at {tempo}" if tempo else "last 10 s"


def tempo_words(settings: Mapping[str, object]) -> str:
    """``120.5 BPM``; empty without a tempo."""
    tempo = settings.get("tempo_bpm", 0.0)
    return f"{tempo:g} BPM" if isinstance(tempo, float) and tempo > 0.0 else ""


def listening_words(frame: Frame) -> str:
    """``listening… 4 of 10 s`` until the span is filled, else empty."""
    span, heard = number(frame, "span_seconds"), number(frame, "heard")
    if math.isnan(heard):
        return words.LISTENING
    if math.isnan(span):
        return "" if heard >= 1.0 else words.LISTENING
    return "" if heard >= span - 0.5 else f"{words.LISTENING} {heard:.0f} of {span:.0f} s"


def is_stale(frame: Frame) -> bool:
    """Whether the last judgement is old: the music stopped, or no sound comes."""
    return number(frame, "age") >= STALE_SECONDS or frame.status.state not in LIVE_STATES


def with_age(sentence: str, frame: Frame) -> str:
    """The sentence, with its age while the music stands still."""
    if not sentence or not number(frame, "age") >= STALE_SECONDS:
        return sentence
    return f"{sentence.removesuffix('.')}, {words.age(number(frame, 'age'))}"


def note_words(frequency_hz: float) -> str:
    """``C2`` for a frequency in the range of notes; empty for none."""
    if not (math.isfinite(frequency_hz) and 8.0 <= frequency_hz <= 20_000.0):
        return ""
    return scale.note_name(scale.nearest_note(frequency_hz))


def percent(value: float) -> str:
    """``52 %`` with a true minus sign; below one half ``0 %``."""
    return f"{words.figure(value, 0)} %" if math.isfinite(value) else words.NOT_YET


def decibels(value: float, *, plus: bool = True) -> str:
    """``+0.2 dB``; a number that is not there as it is written elsewhere."""
    return f"{words.figure(value, plus=plus)} dB" if not math.isnan(value) else words.NOT_YET


def listed(names: Sequence[str]) -> str:
    """``a, b and c``; beyond three ``a, b and 4 more``."""
    return sentences.listed(names, MOST_NAMED)


def readable(fill: QColor, dark: QColor, light: QColor) -> QColor:
    """Of two inks the one with the higher contrast to a fill, by relative luminance (WCAG 2.2, contrast ratio)."""
    return max((dark, light), key=lambda ink: _contrast(ink, fill))


def _contrast(one: QColor, other: QColor) -> float:
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: QColor) -> float:
    parts = (colour.redF(), colour.greenF(), colour.blueF())
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return float(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])


def first_fitting(label: Label, *sentences: str) -> str:
    """The first of several sentences, the longest first, that stands whole on a label; else the last."""
    return next((text for text in sentences if label.fits(text)), sentences[-1])


def name_and_share(part: Part, label: Label) -> str:
    """A name and what it holds, for a label of one line; the figure always stands, a long name loses its middle."""
    figure = f"  {percent(part.share)}"
    room = label.rect.width() - math.ceil(label.width_of(figure)) - 1
    return f"{shortened(part.name, label.size_px, max(0, room))}{figure}"

"""What the card of a stage says: findings of a pair to figures and sentences, without Qt."""

from __future__ import annotations

import math
from dataclasses import dataclass

from meter import figures
from meter.builtin.stage.findings import FOUND, LINING_UP, SILENT, UNRELATED, PairFindings
from meter.stage import words
from meter.stage.findings import NOT_FAIR, StageFindings

SILENT_WORDS = {
    "before": "Before is silent: no sound goes into the stage.",
    "after": "After is silent: nothing comes back from the stage.",
}
NO_SOUND = "No sound on either side now."
UNRELATED_WORDS = (
    "Before and after do not correlate: these are not the two sides of one stage. Check its channels (F)."
)
LINING_UP_WORDS = "Finding the delay between before and after…"
LEAST_DELAY = 0.2
"""Samples; a lag of less is as sure as none."""


@dataclass(frozen=True)
class Change:
    """One row of changes, after less before, over the phrase, the newest 3 s and since the mark; NaN is "not yet"."""

    name: str
    unit: str
    phrase: float
    newest: float = math.nan
    mark: float = math.nan


def state_sentence(found: PairFindings | None, live: bool) -> str:
    """Why there are no figures now; empty where there are."""
    if found is None or (found.state not in (FOUND, SILENT, UNRELATED, LINING_UP)):
        return figures.waiting(live)
    if found.state == SILENT:
        return SILENT_WORDS.get(found.silent_side, NO_SOUND)
    return {UNRELATED: UNRELATED_WORDS, LINING_UP: LINING_UP_WORDS}.get(found.state, "")


def outlives(found: PairFindings | None) -> bool:
    """Whether the figures of the last phrase may stay on the card while this is found: a pause, or a moved delay."""
    return found is not None and found.state in (SILENT, LINING_UP)


def rests(found: PairFindings | None) -> bool:
    """Whether neither side sounds: the figures of the last phrase are still those of the stage."""
    return found is not None and found.state == SILENT and found.silent_side not in SILENT_WORDS


def big_figure(stage: StageFindings) -> tuple[str, str]:
    """The change of loudness with its unit: ``+2.3``, ``LU louder``."""
    change = figures.figure(stage.loudness_change_lu, plus=True)
    if math.isnan(stage.loudness_change_lu) or change == "0.0":
        return change, "LU"
    return change, "LU louder" if stage.loudness_change_lu > 0.0 else "LU quieter"


def trim_text(stage: StageFindings | None) -> str:
    """The trim in dB to 0.1 as other programs read it, ``-2.3``; empty where nothing is to be trimmed."""
    if stage is None or not math.isfinite(stage.trim_db):
        return ""
    text = f"{stage.trim_db:+.1f}"
    return "" if float(text) == 0.0 else text


def trim_hint(stage: StageFindings | None, *, copied: bool) -> str:
    """What the key C does, or did."""
    if not trim_text(stage) or stage is None:
        return ""
    trim = figures.with_unit(stage.trim_db, "dB", plus=True)
    if copied:
        return f"trim {trim} copied"
    return "C copies the trim" if stage.verdict == NOT_FAIR else f"C copies the trim, {trim}"


def changes(stage: StageFindings, found: PairFindings | None) -> tuple[Change, Change]:
    """Loudness, and the lows unweighted beside it."""
    newest, mark, low_newest, low_mark = (
        (found.change_3s_lu, found.change_mark_lu, found.low_change_3s_db, found.low_change_mark_db)
        if found is not None
        else (math.nan,) * 4
    )
    return (
        Change("loudness", "LU", stage.loudness_change_lu, newest, mark),
        Change("20–120 Hz", "dB", stage.low_change_db, low_newest, low_mark),
    )


def delay_words(stage: StageFindings) -> str:
    """``delay 137.0 samples, 2.85 ms``."""
    if not abs(stage.lag_samples) >= LEAST_DELAY:
        return "no delay"
    return f"delay {figures.figure(stage.lag_samples)} samples, {figures.figure(stage.lag_ms, 2)} ms"


def added_sentences(stage: StageFindings) -> str:
    """The response in figures where it is not flat, and what is added."""
    said = (words.linear_sentence(stage), words.added_sentence(stage))
    whole = " ".join(sentence for sentence in said if sentence)
    return whole or f"No response yet: {stage.why.get('linear', 'not yet')}."


def receipt_sentence(stage: StageFindings) -> str:
    """What was bought and paid."""
    if math.isnan(stage.receipt.loudness_lu):
        return words.cost_sentence(stage)
    return words.receipt_sentence(stage.receipt) or "Bought: nothing. Paid: nothing."


def squeeze_short(stage: StageFindings) -> str:
    """The squeeze in few words; empty where none is found."""
    held = stage.squeeze
    if math.isnan(held.median_db):
        return ""
    return f"squeeze usually {figures.with_unit(held.median_db, 'dB')}, up to {figures.figure(held.max_db)}"


def receipt_short(stage: StageFindings) -> str:
    """What was bought and paid, the first entry of each."""
    halves = (("bought", words.bought(stage.receipt)), ("paid", words.paid(stage.receipt)))
    return "; ".join(f"{name} {entries[0]}" for name, entries in halves if entries)


def added_short(stage: StageFindings) -> str:
    """What is added in few words."""
    return f"added {figures.with_unit(stage.added_db, 'dB')}" if math.isfinite(stage.added_db) else ""


def pair_sentences(stage: StageFindings, found: PairFindings | None, state: str = "") -> tuple[str, bool]:
    """Order, polarity, ``state`` and notes in one line; whether something is wrong with the pair."""
    wrong = [sentence for sentence in (words.order_sentence(stage), words.polarity_sentence(stage)) if sentence]
    notes = [state, *(found.notes if found is not None else ()), *stage.notes]
    return " ".join([*wrong, *(as_sentence(note) for note in dict.fromkeys(notes) if note)]), bool(wrong)


def as_sentence(note: str) -> str:
    """With a capital and a full stop."""
    return f"{note[:1].upper()}{note[1:]}{'' if note.endswith(('.', '…')) else '.'}"

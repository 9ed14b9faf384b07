"""Low-end findings in sentences: what is there and what it would cost, never what to do.

The command and the faces use the same ones; a card takes the longest that fits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from meter import figures
from meter.lowend.findings import (
    CANCELLING,
    CANCELS,
    NOT_YET,
    OTHER,
    OVERLAPPING,
    SWAPPED_OPPOSITE,
    TAKING_TURNS,
    TOGETHER,
    CancellingPair,
    LowEndFindings,
    MonoFindings,
    Offer,
    PairFindings,
    PartFindings,
)

SHOWN_SLOPE = 12
"""The slope in the sentences, in dB per octave; the table has all of them."""
NOTABLE_RUMBLE_DB = -20.0
"""Under-rumble against the mix's lows: 1 % of them (judgement)."""
BUS_DIFFERENCE_DB = 1.0
NOTABLE_LOSS_DB = 0.5
NOTABLE_CHANGE_DB = 0.5
FLOOR_MARGIN = 1.3
"""A ring shorter than this many times the analysis filter's own cannot be told from it."""
NOTHING_LEFT_DB = -40.0
LARGELY_DB = -6.0
MOST_NAMED = 4


def listed(names: Sequence[str], most: int = MOST_NAMED) -> str:
    """``a, b and c``; beyond ``most``, ``a, b, c and 5 more``."""
    shown = list(names)
    if len(shown) > most:
        shown = [*shown[: most - 1], f"{len(shown) - most + 1} more"]
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def decibels(value: float, *, plus: bool = True) -> str:
    """``+1.2 dB`` with a true minus sign; "0.0 dB" for what rounds to zero."""
    return figures.with_unit(value, "dB", plus=plus)


def verdicts(found: LowEndFindings) -> list[str]:
    """All sentences: parts that cancel first, then owners, the bus, mono, each part that matters, and pairs."""
    said = warnings(found)
    said += [owners_sentence(found), cancelling_sentence(found), bus_sentence(found), mono_sentence(found)]
    for part in found.parts:
        said += [rumble_sentence(part) or price_sentence(part), apart_sentence(part)]
        said += [ring_sentence(part, found.half_beat_ms)]
    said += [pair_sentence(pair) for pair in found.pairs] or [no_pair_sentence(found)]
    return [sentence for sentence in said if sentence]


def warnings(found: LowEndFindings) -> list[str]:
    """A sentence for each two parts that cancel each other, the worst first; beyond four they are counted."""
    said = [cancelling_pair_sentence(pair) for pair in found.cancelling_pairs[:MOST_NAMED]]
    more = len(found.cancelling_pairs) - len(said)
    return [*said, f"{more} more pairs of parts cancel."] if more else said


def cancelling_pair_sentence(pair: CancellingPair) -> str:
    """Two parts that hold the same in opposite polarity, what they lose together, and what a flip would bring."""
    what, how = cancelling_words(pair)
    if pair.kind == SWAPPED_OPPOSITE:
        return f"{pair.first} and {pair.second} {what}: {how}."
    flipped = f"with one of them flipped, summing gain {decibels(pair.flipped_db)}"
    return f"{pair.first} and {pair.second} {what}: {how}; {flipped}."


def cancelling_words(pair: CancellingPair) -> tuple[str, str]:
    """What two such parts do, and how: ``cancel completely`` and ``same sound, opposite polarity``."""
    if pair.kind == SWAPPED_OPPOSITE:
        return "vanish in mono", "left and right swapped, opposite polarity"
    if pair.together_db == -math.inf:
        return "cancel completely", "same sound, opposite polarity"
    return "cancel", f"same lows, opposite polarity, summing gain {decibels(pair.together_db)}"


def owners_sentence(found: LowEndFindings) -> str:
    """Who holds the low end, and who else is in it."""
    if not found.owners:
        return "No part owns the low end: it is silent, or the parts cancel each other."
    owners = listed([_share(found.part(name)) for name in found.owners])
    verb = "owns" if len(found.owners) == 1 else "own"
    sentence = f"{owners} {verb} the low end"
    if found.others:
        others = listed([_share(found.part(name)) for name in found.others])
        hold = "holds" if len(found.others) == 1 else "hold"
        return f"{sentence}; {others} {hold} more than 3 % each."
    return f"{sentence}; no other part holds more than 3 %."


def _share(part: PartFindings) -> str:
    return f"{part.name} ({part.share_percent:.0f} %)"


def cancelling_sentence(found: LowEndFindings) -> str:
    """Parts that take lows away from the others; those that cancel one other part are named by ``warnings``."""
    paired = {name for pair in found.cancelling_pairs for name in (pair.first, pair.second)}
    parts = [part for part in found.parts if part.role == CANCELS and part.name not in paired]
    if not parts:
        return ""
    verb = "cancels" if len(parts) == 1 else "cancel"
    shares = listed([f"{part.name} (−{abs(part.share_percent):.0f} %)" for part in parts])
    return f"{shares} {verb} lows of the others."


def bus_sentence(found: LowEndFindings) -> str:
    """What the mix bus adds or takes, when that is more than a decibel."""
    difference = found.mix_bus_difference_db
    if not abs(difference) > BUS_DIFFERENCE_DB:
        return ""
    if math.isinf(difference):
        return "The mix has no lows." if difference < 0.0 else "The mix has lows, its parts have none."
    cause = "the mix bus does that, or a part is missing" if difference > 0 else "the mix bus does that"
    said = bus_words(difference)
    return f"{said[0].upper()}{said[1:]} below 120 Hz against the sum of the parts: {cause}."


def bus_words(difference_db: float) -> str:
    """``mix bus adds 2.1 dB``; empty up to one decibel."""
    if not abs(difference_db) > BUS_DIFFERENCE_DB or math.isinf(difference_db):
        return ""
    return f"mix bus {'adds' if difference_db > 0 else 'takes'} {figures.figure(abs(difference_db))} dB"


def mono_sentence(found: LowEndFindings) -> str:
    """What the lows lose in mono, where most, and through whom."""
    return next(iter(mono_sentences(found.mono)), "")


def mono_sentences(mono: MonoFindings) -> tuple[str, ...]:
    """The same from long to short; none while it is not known."""
    if math.isnan(mono.loss_db):
        return ()
    if not mono.worst_band_loss_db < -NOTABLE_LOSS_DB:
        return f"The lows survive mono (mono loss {decibels(mono.loss_db)}).", "The lows survive mono."
    if mono.loss_db == -math.inf:
        return ("The lows vanish in mono.",)
    low, high = mono.worst_band_hz
    is_whole = mono.worst_band_loss_db >= mono.loss_db
    sentence = f"The lows {_lost(mono.worst_band_loss_db)} in mono"
    where = f"{sentence} below {high:.0f} Hz" if is_whole else f"{sentence} at {low:.0f}–{high:.0f} Hz"
    whole = where if is_whole else f"{where}, {figures.figure(-mono.loss_db)} dB as a whole"
    if not mono.culprit:
        return (f"{whole}.",) if is_whole else (f"{whole}.", f"{where}.")
    restored = f"with {mono.culprit} in mono {decibels(mono.loss_with_culprit_in_mono_db)}"
    return f"{whole}; {restored}.", f"{where}; {restored}.", f"{where}."


def _lost(loss_db: float) -> str:
    return "vanish" if loss_db == -math.inf else f"lose {figures.figure(abs(loss_db))} dB"


def rumble_sentence(part: PartFindings) -> str:
    """Energy under the lowest note, with the price of taking it away."""
    if not part.rumble_against_mix_lows_db > NOTABLE_RUMBLE_DB:
        return ""
    level = decibels(part.rumble_against_mix_lows_db)
    offer = _shown_offer(part)
    price = f": {high_pass_words(offer, spared_note(part))}." if offer is not None else "."
    return f"{part.name} has {level} of the mix's lows under its lowest note {note_of(part)}{price}"


def price_sentence(part: PartFindings) -> str:
    """The price of a high-pass on a part that is in the low end without owning it."""
    offer = _shown_offer(part)
    if part.role != OTHER or offer is None:
        return ""
    return f"{part.name}, lowest note {note_of(part)}: {high_pass_words(offer, spared_note(part))}."


def _shown_offer(part: PartFindings) -> Offer | None:
    return next((offer for offer in part.high_pass if offer.slope_db_per_octave == SHOWN_SLOPE), None)


def note_of(part: PartFindings) -> str:
    """``E1 (41.2 Hz)``, and the lower note where the evidence is too thin to rule it out."""
    note = f"{part.floor_note} ({part.floor_hz:.1f} Hz)"
    if not part.floor_lower_note:
        return note
    return f"{note} or, on thin evidence, {part.floor_lower_note} ({part.floor_lower_hz:.1f} Hz)"


def spared_note(part: PartFindings) -> str:
    """The note that the high-passes are priced at."""
    return part.floor_lower_note or part.floor_note


def apart_sentence(part: PartFindings) -> str:
    """What sounds low in a part and is no note of it."""
    return f"{part.name} also has {part.floor_apart}; that is not counted as a note." if part.floor_apart else ""


def high_pass_words(offer: Offer, note: str, where: str = "at") -> str:
    """``high-pass at 77 Hz, 12 dB per octave: rumble cut 82 %, E1 −0.5 dB, peak +0.2 dB``.

    ``where`` is "at" or "up to". A figure that is not known is left out.
    """
    said = [rumble_cut(offer), f"{note} {decibels(-offer.loss_at_floor_db)}"]
    if math.isfinite(offer.true_peak_change_db):
        said.append(f"peak {decibels(offer.true_peak_change_db)}")
    effect = ", ".join(text for text in said if text)
    return f"high-pass {where} {offer.cutoff_hz:.0f} Hz, {offer.slope_db_per_octave} dB per octave: {effect}"


def rumble_cut(offer: Offer) -> str:
    """``rumble cut 82 %``; empty where there is no rumble."""
    removed = offer.rumble_removed_percent
    return f"rumble cut {removed:.0f} %" if math.isfinite(removed) else ""


def doubt_of(part: PartFindings) -> str:
    """Why a part has no lowest note: ``silent``, ``too little heard so far`` or ``no pitch``; empty where it has."""
    if math.isfinite(part.floor_hz):
        return ""
    reason = part.why.get("floor_hz", "")
    if reason.startswith("silent"):
        return "silent"
    return "too little heard so far" if reason.startswith(("only", "nothing")) else "no pitch"


def ring_sentence(part: PartFindings, half_beat_ms: float) -> str:
    """How long the part rings, and what is left of it when the next low note begins."""
    if math.isnan(part.ring_ms):
        return ""
    if is_as_fast_as_can_be_shown(part):
        sentence = f"{part.name} is down 20 dB within {part.ring_ms:.0f} ms, as fast as can be shown at its pitch"
    else:
        sentence = f"{part.name} rings {part.ring_ms:.0f} ms to −20 dB (varies {part.ring_spread_ms:.0f} ms)"
    tail = tail_words(part)
    sentence += f"; {tail}" if tail else ""
    if not math.isnan(half_beat_ms):
        sentence += f"; half a beat is {half_beat_ms:.0f} ms"
    return f"{sentence}."


def is_as_fast_as_can_be_shown(part: PartFindings) -> bool:
    """Whether the decay cannot be told from that of the analysis itself."""
    return part.ring_ms < FLOOR_MARGIN * part.ring_filter_floor_ms


def tail_words(part: PartFindings) -> str:
    """``next low note at 250 ms, tail still −9.0 dB``; empty where that is not known."""
    if math.isnan(part.overhang_db) or not math.isfinite(part.overhang_after_ms):
        return ""
    gone = part.overhang_db < NOTHING_LEFT_DB
    left = "none of it left" if gone else f"tail still {decibels(part.overhang_db)}"
    return f"next low note at {part.overhang_after_ms:,.0f} ms, {left}"


def no_pair_sentence(found: LowEndFindings) -> str:
    """Why no kick and bass are compared, where there are two parts that could have been."""
    reason = found.why.get("pairs", "")
    return f"No kick and bass are compared: {reason}." if reason and len(found.parts) > 1 else ""


def pair_sentence(pair: PairFindings) -> str:
    """Whether two low parts hit together, overlap, take turns or cancel, and what a flip or a nudge would change."""
    names = f"{pair.first} and {pair.second}"
    if pair.verdict == NOT_YET:
        return f"{names} cannot be compared: {pair.why.get('gap_median_ms', 'too few notes')}."
    if pair.verdict == TAKING_TURNS:
        return f"{names} {turns_words(pair)}."
    fewest = min(pair.first_notes, pair.second_notes)
    if pair.notes_in_step and math.isnan(pair.sum_gain_db):
        return f"{names} overlap; {pair.notes_in_step} of {fewest} notes in step are too few to judge."
    if math.isnan(pair.sum_gain_db):
        often = f"{pair.coincidences} of {fewest}, about {pair.coincidences_by_chance:.0f} by chance"
        return f"{names} overlap, but their notes hit together no more often than by chance ({often})."
    sentence = f"{names} {pair_verb(pair)} ({pair.notes_in_step} of {fewest} notes in step): {timing_words(pair)}"
    if pair.sum_gain_db == -math.inf:
        return f"{sentence}; with {pair.second} flipped, summing gain {decibels(pair.flipped_gain_db)}."
    changes = []
    if pair.flip_change_db >= NOTABLE_CHANGE_DB:
        changes.append(f"flipping the polarity of {pair.second} would change that by {decibels(pair.flip_change_db)}")
    if pair.nudge_change_db >= NOTABLE_CHANGE_DB:
        changes.append(f"moving it {nudge_words(pair)} by {decibels(pair.nudge_change_db)}")
    sentence += f"; summing gain {decibels(pair.sum_gain_db)}"
    return f"{sentence}; {listed(changes)}." if changes else f"{sentence}."


def pair_verb(pair: PairFindings) -> str:
    """``hit together``, ``take turns``, ``largely cancel``; empty while that is not known."""
    if pair.verdict == CANCELLING:
        return how_much_cancels(pair.sum_gain_db)
    return pair.verdict if pair.verdict in (TOGETHER, TAKING_TURNS, OVERLAPPING) else ""


def turns_words(pair: PairFindings) -> str:
    """``take turns: at once for 4 % of the time``."""
    if math.isnan(pair.time_overlap_percent):
        return "take turns"
    return f"take turns: at once for {pair.time_overlap_percent:.0f} % of the time"


def timing_words(pair: PairFindings) -> str:
    """When the second part begins, where that is steady, and by how much timing varies; empty without hits."""
    if math.isnan(pair.gap_spread_ms):
        return ""
    varies = f"timing varies {pair.gap_spread_ms:.0f} ms"
    gap = gap_words(pair)
    return f"{pair.second} {gap}, {varies}" if gap else varies


def gap_words(pair: PairFindings) -> str:
    """``8 ms later``, of the second part; empty below 1 ms or where it is not steady."""
    gap = abs(pair.gap_median_ms)
    if math.isnan(gap) or gap < 1.0:
        return ""
    return f"{gap:.0f} ms {'later' if pair.gap_median_ms > 0 else 'earlier'}"


def nudge_words(pair: PairFindings) -> str:
    """``4.5 ms earlier``, of the second part."""
    return f"{abs(pair.nudge_ms):.1f} ms {'later' if pair.nudge_ms > 0 else 'earlier'}"


def how_much_cancels(sum_gain_db: float) -> str:
    """``cancel completely``, ``largely cancel`` from 6 dB on, or ``partly cancel``."""
    if sum_gain_db == -math.inf:
        return "cancel completely"
    return "largely cancel" if sum_gain_db <= LARGELY_DB else "partly cancel"

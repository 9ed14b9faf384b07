"""The ledger in sentences: what is there and what it would cost, never what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dsp.lowend.likeness import SWAPPED_OPPOSITE
from dsp.lowend.pair import CANCELLING, NOT_YET, TAKING_TURNS, TOGETHER
from meter.lowend.result import (
    CANCELS,
    OTHER,
    CancellingAccount,
    LowEndAccount,
    Offer,
    PairAccount,
    PartAccount,
)

SHOWN_SLOPE = 12
"""The slope spoken of, in dB per octave; the table has all of them."""
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


def listed(names: Sequence[str]) -> str:
    """``a, b and c``; beyond four, ``a, b, c and 5 more``."""
    shown = list(names)
    if len(shown) > MOST_NAMED:
        shown = [*shown[: MOST_NAMED - 1], f"{len(shown) - MOST_NAMED + 1} more"]
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def decibels(value: float) -> str:
    """``+1.2 dB`` with a real minus sign; nothing but "0.0 dB" is written for what rounds to zero."""
    rounded = round(value, 1)
    sign = "+" if rounded > 0 else "−" if rounded < 0 else ""
    return f"{sign}{abs(rounded):.1f} dB"


def verdicts(account: LowEndAccount) -> list[str]:
    """All sentences: parts that cancel first, then owners, the bus, mono, each part that matters, and pairs."""
    said = warnings(account)
    said += [owners_sentence(account), cancelling_sentence(account), bus_sentence(account), mono_sentence(account)]
    for part in account.parts:
        said += [rumble_sentence(part) or price_sentence(part), apart_sentence(part)]
        said += [ring_sentence(part, account.half_beat_ms)]
    said += [pair_sentence(pair) for pair in account.pairs] or [no_pair_sentence(account)]
    return [sentence for sentence in said if sentence]


def warnings(account: LowEndAccount) -> list[str]:
    """A sentence for each two parts that cancel each other, the worst first; beyond four they are counted."""
    said = [cancelling_pair_sentence(pair) for pair in account.cancelling_pairs[:MOST_NAMED]]
    more = len(account.cancelling_pairs) - len(said)
    return [*said, f"{more} more pairs of parts cancel."] if more else said


def cancelling_pair_sentence(pair: CancellingAccount) -> str:
    """Two parts that hold the same in opposite polarity, what they lose together, and what a flip would bring."""
    names = f"{pair.first} and {pair.second}"
    if pair.kind == SWAPPED_OPPOSITE:
        return (
            f"{names} are the same with left and right swapped and opposite polarity: together they vanish in mono."
        )
    flipped = f"with one of them flipped, summing gain {decibels(pair.flipped_db)}"
    if pair.together_db == -math.inf:
        return f"{names} cancel completely: the same sound in opposite polarity; {flipped}."
    return (
        f"{names} cancel: the same lows in opposite polarity, summing gain {decibels(pair.together_db)}; {flipped}."
    )


def owners_sentence(account: LowEndAccount) -> str:
    """Who holds the low end, and who else is in it."""
    if not account.owners:
        return "Nobody owns the low end: it is silent, or the parts cancel each other."
    owners = listed([_share(account.part(name)) for name in account.owners])
    verb = "owns" if len(account.owners) == 1 else "own"
    sentence = f"{owners} {verb} the low end"
    if account.others:
        others = listed([_share(account.part(name)) for name in account.others])
        hold = "holds" if len(account.others) == 1 else "hold"
        return f"{sentence}; {others} {hold} more than 3 % each."
    return f"{sentence}; no other part holds more than 3 %."


def _share(part: PartAccount) -> str:
    return f"{part.name} ({part.share_percent:.0f} %)"


def cancelling_sentence(account: LowEndAccount) -> str:
    """Parts that take lows away from the others; those that cancel one other part are named by ``warnings``."""
    paired = {name for pair in account.cancelling_pairs for name in (pair.first, pair.second)}
    parts = [part for part in account.parts if part.role == CANCELS and part.name not in paired]
    if not parts:
        return ""
    verb = "cancels" if len(parts) == 1 else "cancel"
    shares = listed([f"{part.name} (−{abs(part.share_percent):.0f} %)" for part in parts])
    return f"{shares} {verb} lows of the others."


def bus_sentence(account: LowEndAccount) -> str:
    """What the mix bus adds or takes, when that is more than a decibel."""
    difference = account.mix_bus_difference_db
    if not abs(difference) > BUS_DIFFERENCE_DB:
        return ""
    if math.isinf(difference):
        return "The mix has no lows." if difference < 0.0 else "The mix has lows, its parts have none."
    deed = "adds" if difference > 0 else "takes"
    cause = "the mix bus does that, or a part is missing" if difference > 0 else "the mix bus does that"
    return f"Mix bus {deed} {abs(difference):.1f} dB below 120 Hz against the sum of the parts: {cause}."


def mono_sentence(account: LowEndAccount) -> str:
    """What the lows lose in mono, where most, and through whom."""
    mono = account.mono
    if math.isnan(mono.loss_db):
        return ""
    if not mono.worst_band_loss_db < -NOTABLE_LOSS_DB:
        return f"The lows survive mono ({decibels(mono.loss_db)})."
    low, high = mono.worst_band_hz
    sentence = f"The lows {_lost(mono.loss_db)} in mono"
    if mono.worst_band_loss_db < mono.loss_db:
        sentence += f", and between {low:.0f} and {high:.0f} Hz they {_lost(mono.worst_band_loss_db)}"
    if mono.culprit:
        sentence += f"; with {mono.culprit} in mono that would be {decibels(mono.loss_with_culprit_in_mono_db)}"
    return f"{sentence}."


def _lost(loss_db: float) -> str:
    return "vanish" if loss_db == -math.inf else f"lose {abs(loss_db):.1f} dB"


def rumble_sentence(part: PartAccount) -> str:
    """Energy under the lowest note, with the price of taking it away."""
    if not part.rumble_against_mix_lows_db > NOTABLE_RUMBLE_DB:
        return ""
    level = decibels(part.rumble_against_mix_lows_db)
    offer = _spoken_offer(part)
    price = f": {high_pass_sentence(offer, spared_note(part))}" if offer is not None else "."
    return f"{part.name} has {level} of the mix's lows under its lowest note {note_of(part)}{price}"


def price_sentence(part: PartAccount) -> str:
    """The price of a high-pass on a part that is in the low end without owning it."""
    offer = _spoken_offer(part)
    if part.role != OTHER or offer is None:
        return ""
    return f"{part.name}, lowest note {note_of(part)}: {high_pass_sentence(offer, spared_note(part))}"


def _spoken_offer(part: PartAccount) -> Offer | None:
    return next((offer for offer in part.high_pass if offer.slope_db_per_octave == SHOWN_SLOPE), None)


def note_of(part: PartAccount) -> str:
    """``E1 (41.2 Hz)``, and the lower note where the evidence is too thin to rule it out."""
    note = f"{part.floor_note} ({part.floor_hz:.1f} Hz)"
    if not part.floor_lower_note:
        return note
    return f"{note} or, on thin evidence, {part.floor_lower_note} ({part.floor_lower_hz:.1f} Hz)"


def spared_note(part: PartAccount) -> str:
    """The note that the high-passes are priced at."""
    return part.floor_lower_note or part.floor_note


def apart_sentence(part: PartAccount) -> str:
    """What sounds low in a part and is no note of it."""
    return f"{part.name} also has {part.floor_apart}; that is not counted as a note." if part.floor_apart else ""


def high_pass_sentence(offer: Offer, note: str) -> str:
    """What one high-pass takes and costs."""
    parts = [f"{offer.loss_at_floor_db:.1f} dB of {note}"]
    if not math.isnan(offer.rumble_removed_percent):
        parts.insert(0, f"{offer.rumble_removed_percent:.0f} % of what lies under it")
    cost = (
        f"a high-pass at {offer.cutoff_hz:.0f} Hz, {offer.slope_db_per_octave} dB per octave, takes {listed(parts)}"
    )
    if not math.isnan(offer.true_peak_change_db):
        cost += f", and its peak changes by {decibels(offer.true_peak_change_db)}"
    return f"{cost}."


def ring_sentence(part: PartAccount, half_beat_ms: float) -> str:
    """How long the part rings, and what is left of it when the next low note begins."""
    if math.isnan(part.ring_ms):
        return ""
    if part.ring_ms < FLOOR_MARGIN * part.ring_filter_floor_ms:
        sentence = f"{part.name} is down 20 dB within {part.ring_ms:.0f} ms, as fast as can be shown at its pitch"
    else:
        sentence = f"{part.name} rings {part.ring_ms:.0f} ms to −20 dB (varies {part.ring_spread_ms:.0f} ms)"
    if math.isfinite(part.overhang_db) and not math.isnan(part.overhang_after_ms):
        left = "nothing of it" if part.overhang_db < NOTHING_LEFT_DB else f"{decibels(part.overhang_db)} of it"
        sentence += f"; the next low note comes after {part.overhang_after_ms:.0f} ms and finds {left}"
    if not math.isnan(half_beat_ms):
        sentence += f"; half a beat is {half_beat_ms:.0f} ms"
    return f"{sentence}."


def no_pair_sentence(account: LowEndAccount) -> str:
    """Why no kick and bass are compared, where there are two parts that could have been."""
    reason = account.why.get("pairs", "")
    return f"No kick and bass are compared: {reason}." if reason and len(account.parts) > 1 else ""


def pair_sentence(pair: PairAccount) -> str:
    """Whether two low parts hit together, overlap, take turns or cancel, and what a flip or a nudge would change."""
    names = f"{pair.first} and {pair.second}"
    if pair.verdict == NOT_YET:
        return f"{names} cannot be compared: {pair.why.get('gap_median_ms', 'too few notes')}."
    if pair.verdict == TAKING_TURNS:
        return f"{names} take turns: both sound at once for {pair.time_overlap_percent:.0f} % of the time."
    fewest = min(pair.first_notes, pair.second_notes)
    if pair.notes_in_step and math.isnan(pair.sum_gain_db):
        return f"{names} overlap; {pair.notes_in_step} of {fewest} notes in step are too few to judge."
    if math.isnan(pair.sum_gain_db):
        often = f"{pair.coincidences} of {fewest}, about {pair.coincidences_by_chance:.0f} by chance"
        return f"{names} overlap, but their notes hit together no more often than by chance ({often})."
    deed = {CANCELLING: how_much_cancels(pair.sum_gain_db), TOGETHER: "hit together"}.get(pair.verdict, "overlap")
    sentence = f"{names} {deed} ({pair.notes_in_step} of {fewest} notes in step): {_timing(pair)}"
    if pair.sum_gain_db == -math.inf:
        return f"{sentence}; with {pair.second} flipped, summing gain {decibels(pair.flipped_gain_db)}."
    changes = []
    if pair.flip_change_db >= NOTABLE_CHANGE_DB:
        changes.append(f"flipping the polarity of {pair.second} would change that by {decibels(pair.flip_change_db)}")
    if pair.nudge_change_db >= NOTABLE_CHANGE_DB:
        way = "later" if pair.nudge_ms > 0 else "earlier"
        changes.append(f"moving it {abs(pair.nudge_ms):.1f} ms {way} by {decibels(pair.nudge_change_db)}")
    sentence += f"; summing gain {decibels(pair.sum_gain_db)}"
    return f"{sentence}; {listed(changes)}." if changes else f"{sentence}."


def _timing(pair: PairAccount) -> str:
    """When the second part begins, where that is steady, and by how much timing varies."""
    varies = f"timing varies {pair.gap_spread_ms:.0f} ms"
    gap = abs(pair.gap_median_ms)
    if math.isnan(gap) or gap < 1.0:
        return varies
    return f"{pair.second} {gap:.0f} ms {'later' if pair.gap_median_ms > 0 else 'earlier'}, {varies}"


def how_much_cancels(sum_gain_db: float) -> str:
    """``cancel completely``, ``largely cancel`` from 6 dB on, or ``partly cancel``."""
    if sum_gain_db == -math.inf:
        return "cancel completely"
    return "largely cancel" if sum_gain_db <= LARGELY_DB else "partly cancel"

"""The referee's findings in sentences: what the stage did and cost, never whether to use it."""

from __future__ import annotations

import math

from meter import figures
from meter.stage.findings import FAIR, INVERTED, NOT_FAIR, ReceiptFindings, StageFindings

NOTABLE_LOWS_DB = 0.5
NOTABLE_RESPONSE_DB = 0.5
RESTING_DB, TOUCHING_DB = 0.5, 2.0
CHANNELS = ("left", "right")
NEXT_TO_NOTHING_DB = -80.0
NOTABLE_KICK_DB, NOTABLE_ATTACK_DB, NOTABLE_SHARE_PERCENT, NOTABLE_NEXT_DB = 1.0, 0.5, 1.0, 0.2
LOW_END_HZ, TOP_END_HZ = 25.0, 16_000.0
"""A boosted band that reaches here has no other edge."""


def verdicts(found: StageFindings) -> list[str]:
    """All sentences: what is wrong with the pair first, then fair or not, squeeze, response, added and cost."""
    said = [order_sentence(found), polarity_sentence(found), fair_sentence(found), squeeze_sentence(found)]
    said += [linear_sentence(found), added_sentence(found), receipt_sentence(found.receipt)]
    return [sentence for sentence in said if sentence]


def order_sentence(found: StageFindings) -> str:
    """When after comes before before."""
    if not found.swapped:
        return ""
    early = f"After comes {abs(found.lag_samples):.1f} samples ({abs(found.lag_ms):.2f} ms) earlier than before"
    return f"{early}: the two are swapped, or before starts late."


def polarity_sentence(found: StageFindings) -> str:
    """Which channels have opposite polarity; empty for none."""
    turned = [number for number, polarity in enumerate(found.polarity) if polarity == INVERTED]
    if not turned:
        return ""
    if len(turned) == len(found.polarity):
        return "Polarity is inverted."
    names = [CHANNELS[number] if len(found.polarity) == 2 else f"channel {number + 1}" for number in turned]
    return f"Polarity is inverted in {' and '.join(names)} only."


def fair_sentence(found: StageFindings) -> str:
    """Fair or not, with the trim; the lows beside it where they differ from the whole."""
    if math.isnan(found.loudness_change_lu):
        return ""
    change = figures.figure(abs(found.loudness_change_lu))
    louder = "louder" if found.loudness_change_lu > 0.0 else "quieter"
    if found.verdict == FAIR and change == "0.0":
        sentence = "Fair: both are equally loud"
    else:
        sentence = f"{found.verdict.capitalize()}: after is {change} LU {louder}"
    if found.verdict == NOT_FAIR:
        sentence += f", trim {figures.with_unit(found.trim_db, 'dB', plus=True)}"
    if abs(found.low_change_db - found.loudness_change_lu) >= NOTABLE_LOWS_DB:
        sentence += f"; 20–120 Hz {figures.with_unit(found.low_change_db, 'dB', plus=True)}"
    return f"{sentence}."


def squeeze_sentence(found: StageFindings) -> str:
    """How hard the stage holds down, as a rule and at most, and its make-up."""
    held = found.squeeze
    if math.isnan(held.median_db):
        return f"No squeeze is reported: {found.why.get('squeeze', 'not yet')}."
    how = f"{squeeze_word(held.median_db, held.p90_db)}: usually {figures.figure(held.median_db)} dB"
    how += f", up to {figures.figure(held.max_db)}, make-up {figures.with_unit(held.make_up_db, 'dB', plus=True)}"
    extras = [
        "at least, it never lets go" if held.at_least else "",
        "it turns quiet moments down" if held.expands else "",
        "different in different bands" if held.band_dependent else "",
        f"kick holds it down {figures.figure(held.kick_dip_db)} dB more"
        if held.kick_dip_db >= NOTABLE_KICK_DB
        else "",
        f"attack {held.attack_ms:.0f} ms" if math.isfinite(held.attack_ms) else "",
        f"recovery {held.recovery_ms:.0f} ms" if math.isfinite(held.recovery_ms) else "",
    ]
    return "; ".join([f"Squeeze, {how}", *(extra for extra in extras if extra)]) + "."


def squeeze_word(median_db: float, p90_db: float) -> str:
    """Resting, touching, leaning or holding down all the time."""
    if p90_db < RESTING_DB:
        return "resting"
    if median_db < RESTING_DB:
        return "touching"
    return "leaning" if median_db < TOUCHING_DB else "holding down"


def linear_sentence(found: StageFindings) -> str:
    """Lows and top re the middle, where the stage changes them."""
    bands = (("lows", found.linear.lows_db), ("top", found.linear.tilt_db))
    told = [
        f"{name} {figures.with_unit(value, 'dB', plus=True)}"
        for name, value in bands
        if math.isfinite(value) and abs(value) >= NOTABLE_RESPONSE_DB
    ]
    return f"Response: {', '.join(told)} re the middle." if told else ""


def added_sentence(found: StageFindings) -> str:
    """What is not a linear copy of before: distortion, noise and gain movement together."""
    if math.isnan(found.added_db):
        return ""
    if found.added_db < NEXT_TO_NOTHING_DB:
        return "Added: nothing."
    return (
        f"Added: {figures.with_unit(found.added_db, 'dB')} re after (distortion, noise and gain movement together)."
    )


def cost_sentence(found: StageFindings) -> str:
    """Change of true peak and of peak to loudness."""
    if math.isnan(found.true_peak_change_db) or math.isnan(found.peak_to_loudness_change_lu):
        return ""
    peak = figures.with_unit(found.true_peak_change_db, "dB", plus=True)
    return (
        f"True peak {peak}, peak to loudness {figures.with_unit(found.peak_to_loudness_change_lu, 'LU', plus=True)}."
    )


def receipt_sentence(paid_for: ReceiptFindings) -> str:
    """What was bought and what was paid; a half without an entry is left out."""
    halves = (("Bought", bought(paid_for)), ("Paid", paid(paid_for)))
    return " ".join(f"{name}: {', '.join(entries)}." for name, entries in halves if entries)


def bought(paid_for: ReceiptFindings) -> list[str]:
    """``+0.4 LU``, ``+5.0 dB at 6.0 kHz`` and so on, what changed enough to be told."""
    entries = _changes(paid_for, 1.0)
    if math.isfinite(paid_for.band_db):
        boost = figures.with_unit(paid_for.band_db, "dB", plus=True)
        entries.insert(1 if paid_for.loudness_lu >= 0.05 else 0, f"{boost} {band_words(paid_for)}")
    return entries


def paid(paid_for: ReceiptFindings) -> list[str]:
    """``2.1 dB of headroom`` and so on; the low end is told whichever way its share goes."""
    entries = _changes(paid_for, -1.0)
    shares = paid_for.low_share_before_percent, paid_for.low_share_after_percent
    if abs(shares[1] - shares[0]) >= NOTABLE_SHARE_PERCENT:
        entries.append(f"low end {shares[0]:.0f} to {shares[1]:.0f} % of the power")
    return entries


def _changes(paid_for: ReceiptFindings, sign: float) -> list[str]:
    """Entries that go one way: up, or down."""
    amount = figures.figure
    entries = (
        (paid_for.loudness_lu, 0.05, f"{amount(paid_for.loudness_lu, plus=True)} LU"),
        (paid_for.attack_db, NOTABLE_ATTACK_DB, f"attack level {amount(paid_for.attack_db, plus=True)} dB"),
        (paid_for.headroom_db, 0.05, f"{amount(abs(paid_for.headroom_db))} dB of headroom"),
        (
            paid_for.peak_to_loudness_lu, 0.05,
            f"peak to loudness {amount(paid_for.peak_to_loudness_lu, plus=True)} LU",
        ),
        (-paid_for.next_squeeze_db, NOTABLE_NEXT_DB, _next(paid_for.next_squeeze_db)),
    )  # fmt: skip
    return [words for change, least, words in entries if sign * change >= least]


def _next(squeeze_db: float) -> str:
    return f"next stage about {figures.figure(abs(squeeze_db))} dB {'harder' if squeeze_db > 0.0 else 'lighter'}"


def band_words(paid_for: ReceiptFindings) -> str:
    """Where the boosted band lies: ``at 6.0 kHz``, ``below 120 Hz``, ``above 4.0 kHz``."""
    low, high = paid_for.band_low_hz, paid_for.band_high_hz
    if low <= LOW_END_HZ:
        return f"below {_hertz(high)}"
    return f"above {_hertz(low)}" if high >= TOP_END_HZ else f"at {_hertz(math.sqrt(low * high))}"


def _hertz(hz: float) -> str:
    return f"{hz / 1000.0:.1f} kHz" if hz >= 1000.0 else f"{hz:.0f} Hz"

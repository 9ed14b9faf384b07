"""Sentences: every case has one, none gives an order."""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

from meter.lowend import words
from meter.lowend.findings import (
    CANCELS,
    OTHER,
    OWNER,
    CancellingPair,
    LowEndFindings,
    MonoFindings,
    Offer,
    PairFindings,
    PartFindings,
)

NAN = math.nan
MONO = MonoFindings(0.0, (0.0,) * 4, (20.0, 120.0), 0.0, "", NAN)
OFFER = Offer(12, 77.2, 0.5, 52.0, 0.16, 82.4, 0.21, 0.0, -0.1, 3.0)


def part(name: str, role: str, share: float, **changes) -> PartFindings:
    plain = PartFindings(
        name, role, share, (share,) * 4, 41.2, "E1", 0.0, "pitched", "", -30.0, -40.0, -60.0, (OFFER,), 0.0,
        (0.0,) * 6, NAN, NAN, 0, NAN, NAN, NAN,
    )  # fmt: skip
    return replace(plain, **changes)


def ledger(*parts: PartFindings, **changes) -> LowEndFindings:
    names = {role: tuple(p.name for p in parts if p.role == role) for role in (OWNER, OTHER, CANCELS)}
    plain = LowEndFindings(
        48_000, 60.0, ((20.0, 40.0), (40.0, 60.0), (60.0, 90.0), (90.0, 120.0)), parts, names[OWNER], names[OTHER],
        names[CANCELS], NAN, (NAN,) * 4, MONO, (), NAN, (),
    )  # fmt: skip
    return replace(plain, **changes)


PAIR = PairFindings(
    "kick", "bass", "hit together", 22, 4.4, 22, 24, 30, 80.0, 8.2, 12.0, 1.24, 3.0, -0.8, -2.0, 0.0, 0.1, 40.0,
    -6.0, (),
)  # fmt: skip


def test_owners() -> None:
    found = words.owners_sentence(
        ledger(part("kick", OWNER, 52.0), part("bass", OWNER, 38.0), part("keys", OTHER, 5.0))
    )
    assert found == "kick (52 %) and bass (38 %) own the low end; keys (5 %) holds more than 3 % each."
    assert (
        words.owners_sentence(ledger(part("kick", OWNER, 99.0)))
        == "kick (99 %) owns the low end; no other part holds more than 3 %."
    )
    assert "No part owns" in words.owners_sentence(ledger())


def test_many_owners_are_counted() -> None:
    found = words.owners_sentence(ledger(*(part(f"part {n}", OWNER, 5.0) for n in range(17))))
    assert found.startswith("part 0 (5 %), part 1 (5 %), part 2 (5 %) and 14 more own the low end")


def test_cancelling() -> None:
    assert words.cancelling_sentence(ledger(part("mic", CANCELS, -33.3))) == "mic (−33 %) cancels lows of the others."
    assert words.cancelling_sentence(ledger()) == ""


def test_pairs_that_cancel_come_first() -> None:
    gone = CancellingPair("a", "b", "opposite polarity", -math.inf, 3.01)
    partly = CancellingPair("c", "d", "opposite polarity", -12.34, 2.9)
    found = ledger(part("kick", OWNER, 99.0), part("d", CANCELS, -5.0), cancelling_pairs=(gone, partly))
    assert words.verdicts(found)[:3] == [
        "a and b cancel completely: same sound, opposite polarity; with one of them flipped, summing gain +3.0 dB.",
        "c and d cancel: same lows, opposite polarity, summing gain −12.3 dB; with one of them flipped, "
        "summing gain +2.9 dB.",
        "kick (99 %) owns the low end; no other part holds more than 3 %.",
    ]
    assert words.cancelling_sentence(found) == ""
    many = ledger(cancelling_pairs=(gone,) * 6)
    assert words.warnings(many)[4:] == ["2 more pairs of parts cancel."]


@pytest.mark.parametrize(
    ("difference", "expected"),
    [
        (NAN, ""),
        (-math.inf, "The mix has no lows."),
        (0.9, ""),
        (
            2.1,
            "Mix bus adds 2.1 dB below 120 Hz against the sum of the parts: "
            "the mix bus does that, or a part is missing.",
        ),
        (-1.5, "Mix bus takes 1.5 dB below 120 Hz against the sum of the parts: the mix bus does that."),
    ],
)
def test_mix_bus(difference: float, expected: str) -> None:
    assert words.bus_sentence(ledger(mix_bus_difference_db=difference)) == expected


def test_mono() -> None:
    assert words.mono_sentence(ledger()) == "The lows survive mono (mono loss 0.0 dB)."
    assert words.mono_sentence(ledger(mono=replace(MONO, loss_db=NAN, worst_band_loss_db=NAN))) == ""
    lost = MonoFindings(-1.26, (-0.1, NAN, -2.0, 0.0), (60.0, 90.0), -2.04, "pad", -0.12)
    assert words.mono_sentence(ledger(mono=lost)) == (
        "The lows lose 2.0 dB in mono at 60–90 Hz, 1.3 dB as a whole; with pad in mono −0.1 dB."
    )
    gone = MonoFindings(-math.inf, (NAN,) * 4, (20.0, 120.0), -math.inf, "", NAN)
    assert words.mono_sentence(ledger(mono=gone)) == "The lows vanish in mono."


def test_rumble_and_price() -> None:
    keys = part("keys", OTHER, 5.0, rumble_against_mix_lows_db=-12.3)
    assert words.rumble_sentence(keys) == (
        "keys has −12.3 dB of the mix's lows under its lowest note E1 (41.2 Hz): "
        "high-pass at 77 Hz, 12 dB per octave: rumble cut 82 %, E1 −0.5 dB, peak +0.2 dB."
    )
    assert words.rumble_sentence(part("keys", OTHER, 5.0)) == ""
    assert words.price_sentence(part("keys", OTHER, 5.0)).startswith(
        "keys, lowest note E1 (41.2 Hz): high-pass at 77 Hz"
    )
    assert words.price_sentence(part("kick", OWNER, 50.0)) == ""
    bare = replace(OFFER, rumble_removed_percent=NAN, true_peak_change_db=NAN)
    assert words.high_pass_words(bare, "E1") == "high-pass at 77 Hz, 12 dB per octave: E1 −0.5 dB"


def test_ring() -> None:
    kick = part(
        "kick",
        OWNER,
        50.0,
        ring_ms=320.0,
        ring_spread_ms=41.0,
        ring_filter_floor_ms=26.0,
        overhang_db=-9.0,
        overhang_after_ms=250.0,
    )
    assert words.ring_sentence(kick, 250.0) == (
        "kick rings 320 ms to −20 dB (varies 41 ms); next low note at 250 ms, tail still −9.0 dB; "
        "half a beat is 250 ms."
    )
    short = replace(kick, ring_ms=30.0, overhang_db=-55.0)
    assert words.ring_sentence(short, NAN) == (
        "kick is down 20 dB within 30 ms, as fast as can be shown at its pitch; "
        "next low note at 250 ms, none of it left."
    )
    assert words.ring_sentence(part("keys", OTHER, 5.0), 250.0) == ""


def test_pairs() -> None:
    assert words.pair_sentence(PAIR) == (
        "kick and bass hit together (22 of 24 notes in step): bass 8 ms later, timing varies 12 ms; "
        "summing gain +1.2 dB."
    )
    late = replace(PAIR, verdict="overlap", gap_median_ms=31.0, gap_spread_ms=2.0)
    assert words.pair_sentence(late) == (
        "kick and bass overlap (22 of 24 notes in step): bass 31 ms later, timing varies 2 ms; summing gain +1.2 dB."
    )
    loose = replace(PAIR, gap_median_ms=NAN, gap_spread_ms=33.0)
    assert "notes in step): timing varies 33 ms; summing" in words.pair_sentence(loose)
    turns = replace(PAIR, verdict="take turns", time_overlap_percent=4.2, gap_median_ms=NAN, sum_gain_db=NAN)
    assert words.pair_sentence(turns) == "kick and bass take turns: at once for 4 % of the time."
    thin = replace(turns, verdict="not yet", why={"gap_median_ms": "too few notes so far"})
    assert words.pair_sentence(thin) == "kick and bass cannot be compared: too few notes so far."


def test_notes_that_hit_together_by_chance_are_no_pair_in_step() -> None:
    apart = replace(
        PAIR,
        verdict="overlap",
        notes_in_step=0,
        gap_median_ms=NAN,
        gap_spread_ms=NAN,
        sum_gain_db=NAN,
        coincidences=5,
    )
    assert words.pair_sentence(apart) == (
        "kick and bass overlap, but their notes hit together no more often than by chance "
        "(5 of 24, about 4 by chance)."
    )


def test_pairs_that_cancel() -> None:
    against = replace(
        PAIR,
        verdict="cancel",
        gap_median_ms=0.3,
        sum_gain_db=-3.0,
        flip_change_db=5.1,
        nudge_ms=-4.5,
        nudge_change_db=4.0,
    )
    assert words.pair_sentence(against) == (
        "kick and bass partly cancel (22 of 24 notes in step): timing varies 12 ms; summing gain −3.0 dB; "
        "flipping the polarity of bass would change that by +5.1 dB and moving it 4.5 ms earlier by +4.0 dB."
    )
    assert "largely cancel" in words.pair_sentence(replace(against, sum_gain_db=-7.0))
    gone = replace(
        against,
        sum_gain_db=-math.inf,
        flipped_gain_db=3.01,
        flip_change_db=math.inf,
        nudge_ms=NAN,
        nudge_change_db=NAN,
    )
    assert words.pair_sentence(gone) == (
        "kick and bass cancel completely (22 of 24 notes in step): timing varies 12 ms; "
        "with bass flipped, summing gain +3.0 dB."
    )


def test_no_sentence_gives_an_order() -> None:
    keys = part("keys", OTHER, 5.0, rumble_against_mix_lows_db=-12.3)
    said = " ".join(words.verdicts(ledger(part("kick", OWNER, 90.0), keys, pairs=(PAIR,), mix_bus_difference_db=3.0)))
    for order in ("should", "must", "need to", "cut it", "please", "lower the", "raise the", "safe"):
        assert order not in said.lower()

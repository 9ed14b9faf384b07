"""Sentences at the edges of their verdicts."""

from __future__ import annotations

import math

import msgspec
import pytest

from meter.stage.findings import LinearFindings, SqueezeFindings, StageFindings
from meter.stage.study import verdict_of
from meter.stage.words import (
    added_sentence,
    cost_sentence,
    fair_sentence,
    linear_sentence,
    order_sentence,
    polarity_sentence,
    squeeze_sentence,
    squeeze_word,
    verdicts,
)

SQUEEZE = SqueezeFindings(5.2, 8.0, 9.1, 6.0, 90.0, 12.0, 180.0)
FOUND = StageFindings(
    20.0, 137.0, 2.854, False, ("same", "same"), "not fair", 0.9, -0.9, 0.7, SQUEEZE, LinearFindings(0.1, -0.2),
    -38.0, -2.1, -1.8,
)  # fmt: skip


def changed(**fields: object) -> StageFindings:
    return msgspec.structs.replace(FOUND, **fields)


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        (0.0, "fair"),
        (0.2, "fair"),
        (-0.24, "fair"),
        (0.26, "nearly fair"),
        (0.54, "nearly fair"),
        (-0.56, "not fair"),
    ],
)
def test_fair_is_judged_on_the_figure_that_is_shown(change: float, verdict: str) -> None:
    assert verdict_of(change) == verdict


def test_fair_or_not_with_the_trim_and_the_lows() -> None:
    assert fair_sentence(FOUND) == "Not fair: after is 0.9 LU louder, trim −0.9 dB."
    lows = changed(low_change_db=2.1)
    assert fair_sentence(lows) == "Not fair: after is 0.9 LU louder, trim −0.9 dB; 20–120 Hz +2.1 dB."
    quiet = changed(verdict="fair", loudness_change_lu=-0.1, low_change_db=-0.1)
    assert fair_sentence(quiet) == "Fair: after is 0.1 LU quieter."
    assert fair_sentence(changed(verdict="fair", loudness_change_lu=0.01, low_change_db=0.0)).startswith("Fair: both")
    assert fair_sentence(changed(loudness_change_lu=math.nan)) == ""


@pytest.mark.parametrize(
    ("median", "p90", "word"),
    [(0.0, 0.4, "resting"), (0.4, 3.0, "touching"), (1.9, 4.0, "leaning"), (2.0, 2.0, "holding down")],
)
def test_how_hard_it_works(median: float, p90: float, word: str) -> None:
    assert squeeze_word(median, p90) == word


def test_squeeze_in_words() -> None:
    assert squeeze_sentence(FOUND) == (
        "Squeeze, holding down: usually 5.2 dB, up to 9.1, make-up +6.0 dB; attack 12 ms; recovery 180 ms."
    )
    held = msgspec.structs.replace(SQUEEZE, at_least=True, expands=True, band_dependent=True, attack_ms=math.nan)
    told = squeeze_sentence(changed(squeeze=held))
    assert "at least, it never lets go; it turns quiet moments down; different in different bands; recovery" in told
    none = changed(squeeze=SqueezeFindings(), why={"squeeze": "too quiet"})
    assert squeeze_sentence(none) == "No squeeze is reported: too quiet."


def test_what_is_wrong_with_the_pair_comes_first() -> None:
    turned = changed(swapped=True, lag_samples=-137.0, lag_ms=-2.854, polarity=("same", "inverted"))
    said = verdicts(turned)
    assert said[0].startswith("After comes 137.0 samples (2.85 ms) earlier")
    assert said[1] == "Polarity is inverted in right only."
    assert polarity_sentence(changed(polarity=("inverted", "inverted"))) == "Polarity is inverted."
    assert polarity_sentence(changed(polarity=("same", "same", "inverted"))).endswith("in channel 3 only.")
    assert order_sentence(FOUND) == polarity_sentence(FOUND) == ""


def test_response_added_and_cost() -> None:
    assert linear_sentence(FOUND) == ""
    assert linear_sentence(changed(linear=LinearFindings(2.0, math.nan))) == "Response: lows +2.0 dB re the middle."
    assert added_sentence(FOUND).startswith("Added: −38.0 dB re after")
    assert added_sentence(changed(added_db=-math.inf)) == "Added: nothing."
    assert cost_sentence(FOUND) == "True peak −2.1 dB, peak to loudness −1.8 LU."
    assert added_sentence(changed(added_db=math.nan)) == cost_sentence(changed(true_peak_change_db=math.nan)) == ""


def test_json_has_numbers_or_null_with_a_reason() -> None:
    told = changed(added_db=-math.inf, squeeze=SqueezeFindings(), why={"squeeze": "too quiet"}).to_json()
    assert told["added_db"] is None
    assert told["squeeze"]["median_db"] is None
    assert told["lag_samples"] == 137.0
    assert told["why"] == {"squeeze": "too quiet"}

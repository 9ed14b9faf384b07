"""How much the kick steers a stage, and what the attack gains, against gains that are planted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.core.signals import stepped_tone
from dsp.core.types import FloatArray
from dsp.stage.onset_gain import kick_dip_db
from dsp.stage.stage_stream import BAND_EDGES_HZ
from meter.stage.findings import StageFindings
from tests.support.stages import RATE_HZ, phrases, static_gain_db, studied, with_gain

EVERY = RATE_HZ // 2
KICK, BED = -6.0, -30.0
PLACE = np.arange(6 * RATE_HZ) % EVERY
SOUNDING = (PLACE >= 3 * RATE_HZ // 10) & (PLACE < 4 * RATE_HZ // 10)
BED_TONE = stepped_tone(1000.0, [(BED, 6.0)], RATE_HZ, 1)
KICKS = stepped_tone(60.0, [(KICK, 6.0)], RATE_HZ, 1) * SOUNDING[:, None]


def stage_of(gain_db: FloatArray, sound: FloatArray = BED_TONE + KICKS) -> StageFindings:
    return studied(sound, with_gain(sound, gain_db))


def test_a_compressor_that_the_kick_drives_is_steered_by_what_its_curve_says() -> None:
    """Threshold -20 dB, 4:1 (``test_squeeze``): 10.5 dB at the kick's -6, nothing at the bed's -30."""
    gain_db = static_gain_db(np.where(SOUNDING, KICK, BED), -20.0, 4.0)
    assert stage_of(gain_db).squeeze.kick_dip_db == pytest.approx(10.5, abs=0.3)


def test_gain_that_moves_between_the_kicks_is_not_the_kicks() -> None:
    between = (PLACE >= RATE_HZ // 10) & (PLACE < RATE_HZ // 5)
    assert stage_of(np.where(between, -6.0, 0.0)).squeeze.kick_dip_db == 0.0
    random = np.random.default_rng(4).uniform(-6.0, 0.0, len(PLACE) // 1000).repeat(1000)
    assert stage_of(random).squeeze.kick_dip_db < 2.0
    assert stage_of(np.zeros(len(PLACE))).squeeze.kick_dip_db == pytest.approx(0.0, abs=0.01)


def test_without_a_kick_nothing_is_said() -> None:
    found = stage_of(np.zeros(len(PLACE)), BED_TONE)
    assert np.isnan(found.squeeze.kick_dip_db)
    assert "kick" in found.why["kick_dip_db"]


def test_a_gap_before_an_onset_is_not_taken_for_its_dip() -> None:
    bands = np.full((600, len(BAND_EDGES_HZ)), 1e-3)
    bands[50::100] = bands[51::100] = 1.0
    held = np.zeros(600)
    held[50::100] = 3.0
    assert kick_dip_db(held, bands) == pytest.approx(3.0)
    bands[45::100], held[45::100] = np.nan, np.nan
    assert np.isnan(kick_dip_db(held, bands))


HISS = 0.5 * stepped_tone(6000.0, [(-12.0, 6.0)], RATE_HZ, 1) * SOUNDING[:, None]


def test_a_boosted_attack_is_told_re_the_whole_part_and_is_no_crest_of_its_band() -> None:
    """A bell of +9 dB at the hits, exactly known from the parts: they have no frequency in common."""
    hits = sosfilt(butter(2, (4000.0, 9000.0), "bandpass", fs=RATE_HZ, output="sos"), phrases(), axis=0)
    hits = 4.0 * hits * SOUNDING[:, None]
    body = sosfilt(butter(4, (150.0, 1000.0), "bandpass", fs=RATE_HZ, output="sos"), phrases(seed=8), axis=0)
    gain = 10.0 ** (9.0 / 20.0)
    found = studied(body + hits, body + gain * hits).receipt
    whole_db = 10.0 * np.log10(((body + gain * hits) ** 2).mean() / ((body + hits) ** 2).mean())
    assert found.band_db == pytest.approx(9.0, abs=0.5)
    assert found.attack_db == pytest.approx(9.0 - whole_db, abs=0.2)
    assert found.crest_db == pytest.approx(0.0, abs=0.2)


def test_plain_gain_changes_no_attack() -> None:
    found = studied(BED_TONE + HISS, 3.0 * (BED_TONE + HISS)).receipt
    assert (found.attack_db, found.crest_db) == pytest.approx((0.0, 0.0), abs=0.01)


def test_hits_that_are_held_down_lose_attack() -> None:
    sound = phrases() * np.where(SOUNDING, 4.0, 0.5)[:, None]
    after = with_gain(sound, np.where(SOUNDING, -6.0, 0.0))
    found = studied(sound, after).receipt
    whole_db = 10.0 * np.log10((after**2).mean() / (sound**2).mean())
    assert found.attack_db == pytest.approx(-6.0 - whole_db, abs=0.1)
    assert found.crest_db == pytest.approx(found.attack_db, abs=0.01)


def test_without_hits_no_attack_is_told() -> None:
    found = studied(BED_TONE, BED_TONE)
    assert np.isnan(found.receipt.attack_db)
    assert "onsets" in found.why["attack_db"]

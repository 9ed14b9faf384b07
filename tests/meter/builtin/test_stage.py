"""The pair live: the account of the newest phrase is that of the files, and none is given while the lag is unsure."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.types import FloatArray, Spec
from meter.builtin.stage.findings import FOUND, LINING_UP, LISTENING, SILENT, PairFindings
from meter.builtin.stage.process import Stage
from meter.builtin.stage.study import pair
from meter.stage.files import TwoSides, compare
from meter.stage.findings import FAIR, INVERTED, NOT_FAIR, SAME
from tests.support.stages import RATE_HZ, delayed, one_pole, phrases, static_gain_db, with_gain


def squeezed(sound: FloatArray) -> FloatArray:
    """3:1 over -30 dBFS, 5 ms and 80 ms, 4 dB of make-up."""
    level_db = 20.0 * np.log10(np.abs(sound).max(axis=1) + 1e-6)
    return with_gain(sound, 4.0 + one_pole(static_gain_db(level_db, -30.0, 3.0), 0.005, 0.080))


def prepared(channels: int = 4) -> Stage:
    meter = Stage()
    meter.configure({})
    meter.prepare(Spec(RATE_HZ, channels))
    return meter


def live(before: FloatArray, after: FloatArray, every_seconds: float = 0.5) -> list[PairFindings]:
    """What the study finds, asked every so often."""
    meter, found = prepared(2 * before.shape[1]), []
    both = np.concatenate([before, after], axis=1)
    size, newest = round(every_seconds * RATE_HZ), None
    for start in range(0, len(both), size):
        meter.process(both[start : start + size])
        stretch = meter.stretch("pair")
        assert stretch is not None
        newest = pair(stretch, {}, newest)
        found.append(newest)
    return found


def test_a_phrase_live_reads_as_the_same_sound_in_two_files() -> None:
    sound = phrases(12.0, channels=2)
    after = np.roll(squeezed(sound), 137, axis=0)
    newest = live(sound, after)[-1]
    found = newest.stage
    same = slice(0, round(newest.counted_seconds * RATE_HZ) + 137)
    expected = compare(TwoSides(RATE_HZ, sound[same].astype(np.float32), after[same].astype(np.float32)))
    assert found is not None
    assert found.seconds == pytest.approx(expected.seconds, abs=0.01)
    assert round(found.lag_samples) == round(expected.lag_samples) == 137
    assert found.polarity == (SAME, SAME)
    assert found.verdict == expected.verdict
    for name in ("loudness_change_lu", "low_change_db", "added_db", "true_peak_change_db"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), abs=0.2)
    for name in ("median_db", "p90_db", "make_up_db"):
        assert getattr(found.squeeze, name) == pytest.approx(getattr(expected.squeeze, name), abs=0.2)
    assert found.squeeze.median_db > 2.0


def test_the_changes_are_those_of_plain_gain() -> None:
    sound = phrases(8.0, channels=2)
    found = live(sound, -(10.0 ** (1.5 / 20.0)) * sound)[-1]
    assert found.state == FOUND
    assert found.stage is not None
    assert (found.stage.verdict, found.stage.polarity) == (NOT_FAIR, (INVERTED, INVERTED))
    for change in (found.change_3s_lu, found.low_change_3s_db, found.change_mark_lu, found.low_change_mark_db):
        assert change == pytest.approx(1.5, abs=0.02)
    assert found.stage.added_db < -80.0
    assert found.seconds == found.stage.seconds > 6.0


def test_exchanged_sides_are_recognised() -> None:
    sound = phrases(5.0)
    found = live(delayed(sound, 137.0), sound)[-1].stage
    assert found is not None
    assert found.swapped
    assert found.verdict == FAIR


def test_no_account_is_given_while_the_lag_is_looked_for() -> None:
    sound = phrases(10.0)
    at = round(5.1 * RATE_HZ)
    after = np.concatenate([squeezed(sound)[:at], delayed(sound, 64.0)[at:]])
    found = live(sound, after)
    assert found[0].state == LISTENING
    meanwhile = [each for each in found if each.state == LINING_UP]
    assert meanwhile
    assert all(each.stage is None and each.seconds == 0.0 for each in meanwhile)
    later = [each for each in found[11:] if each.stage is not None]
    assert len(later) >= 6
    for each in later:
        assert each.stage is not None
        assert not each.stage.squeeze.max_db > 0.1
        assert each.stage.lag_samples == pytest.approx(64.0, abs=0.05)
        assert "moved from 0 to 64 samples" in " ".join(each.stage.notes)


def test_the_account_stays_while_the_sound_rests() -> None:
    sound = phrases(9.0)
    sound[5 * RATE_HZ :] = 0.0
    found = live(sound, 0.5 * sound)[-1]
    assert (found.state, found.silent_side) == (SILENT, "both")
    assert found.stage is not None
    assert found.stage.loudness_change_lu == pytest.approx(-6.02, abs=0.02)
    assert found.change_3s_lu == pytest.approx(-6.02, abs=0.02)


def test_the_account_is_made_often_at_first_and_seldom_later() -> None:
    sound = phrases(20.0)
    found = live(sound, 0.9 * sound)
    accounts = [each.counted_seconds for each in found if each.stage is not None]
    assert np.diff(np.unique(accounts)).tolist() == pytest.approx([0.5] * 17 + [3.0] * 3, abs=0.26)


def test_it_matters_to_nothing_how_often_the_study_runs() -> None:
    sound = phrases(9.0)
    often, seldom = live(sound, squeezed(sound), 0.25)[-1], live(sound, squeezed(sound), 3.0)[-1]
    assert often.state == seldom.state == FOUND
    assert often.change_3s_lu == pytest.approx(seldom.change_3s_lu, abs=1e-6)
    assert often.change_mark_lu == pytest.approx(seldom.change_mark_lu, abs=1e-6)


def test_a_reset_forgets_the_phrase() -> None:
    meter = prepared(2)
    meter.process(np.repeat(phrases(3.0), 2, axis=1))
    meter.reset()
    assert meter.stretch("pair") is None
    meter.process(np.repeat(phrases(1.0), 2, axis=1))
    stretch = meter.stretch("pair")
    assert stretch is not None
    found = pair(stretch, {}, None)
    assert (found.state, found.stage, found.counted_seconds) == (LISTENING, None, 0.0)

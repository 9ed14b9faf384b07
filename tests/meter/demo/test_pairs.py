"""The planted truths of both stages, found by ``compare`` and live.

The colour stage's filter is known in closed form: a first-order low-pass H, weighted, beside the sound, 1 + a H.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from dsp.core.types import Spec
from meter.builtin.stage.findings import PairFindings
from meter.builtin.stage.process import Stage as Processor
from meter.builtin.stage.study import pair
from meter.demo import stages
from meter.demo.partials import gain
from meter.demo.parts import RATE_HZ, SECTIONS, STAGES, Stage, channel_names, feed_columns, pair_columns
from meter.demo.truths import TRUTHS
from meter.feeds import named_feeds
from meter.stage.files import TwoSides, compare
from meter.stage.findings import StageFindings
from tests.meter.demo.conftest import Feeds

BUS, COLOUR = STAGES
FULL = SECTIONS[2]
SECONDS = 21
LIVE_BLOCK = RATE_HZ // 10


def sides(feeds: Feeds, stage: Stage, start: int, frames: int) -> TwoSides:
    place = slice(start, start + frames)
    before = np.sum([feeds[key][place] for key in stage.before], axis=0)
    return TwoSides(RATE_HZ, before, feeds[stage.key][place])


def live(both: TwoSides) -> PairFindings:
    processor = Processor()
    processor.prepare(Spec(RATE_HZ, 2 * both.before.shape[1]))
    found = PairFindings()
    for start in range(0, len(both.before), LIVE_BLOCK):
        block = np.hstack([side[start : start + LIVE_BLOCK] for side in (both.before, both.after)])
        processor.process(block.astype(np.float64))
        if start % (5 * LIVE_BLOCK) == 0 and (stretch := processor.stretch("pair")) is not None:
            found = pair(stretch, {}, found)
    return found


@pytest.fixture(scope="module")
def full(feeds: Feeds) -> dict[str, StageFindings]:
    return {stage.key: compare(sides(feeds, stage, FULL.first_frame, SECONDS * RATE_HZ)) for stage in STAGES}


def test_the_bus_compressor_is_fair_and_holds_down_what_it_is_set_to(feeds: Feeds) -> None:
    truth, found = TRUTHS.squeezed, compare(sides(feeds, BUS, 0, len(feeds["mix"])))
    assert (found.verdict, found.swapped) == ("fair", False)
    assert abs(found.loudness_change_lu) <= truth.most_change_lu
    assert found.lag_samples == pytest.approx(truth.delay_frames, abs=0.05)
    assert found.squeeze.make_up_db == pytest.approx(truth.make_up_db, abs=0.1)
    assert found.squeeze.p90_db == pytest.approx(truth.p90_db, abs=0.1)
    assert found.squeeze.max_db == pytest.approx(truth.max_db, abs=0.1)
    assert found.squeeze.attack_ms == pytest.approx(truth.attack_ms, rel=0.1)
    assert found.squeeze.kick_dip_db > 0.8
    assert found.notes == ()


def test_the_squeeze_is_the_gain_that_was_laid_on_the_bus(feeds: Feeds, full: dict[str, StageFindings]) -> None:
    bus = np.sum([feeds[key] for key in BUS.before], axis=0)
    first = FULL.first_frame // stages.STEP_FRAMES
    held = -stages.bus_gain_db(bus)[first : first + SECONDS * 1000]
    assert full["bus"].squeeze.median_db == pytest.approx(np.median(held), abs=0.2)
    assert full["bus"].squeeze.p90_db == pytest.approx(np.percentile(held, 90.0), abs=0.2)


def test_the_colour_stage_lifts_the_lows_and_wins_by_loudness(full: dict[str, StageFindings]) -> None:
    truth, found = TRUTHS.coloured, full["colour"]
    hz = 20.0 * 2.0 ** (np.arange(120) / 12.0)
    lows = sosfreqz(butter(1, stages.LIFT_HZ, fs=RATE_HZ, output="sos"), hz, fs=RATE_HZ)[1]
    response_db = 20.0 * np.log10(np.abs(1.0 + (gain(stages.LIFT_DB) - 1.0) * lows))
    low, middle = (response_db[(hz >= first) & (hz < last)].mean() for first, last in ((20.0, 120.0), (200.0, 2e3)))
    assert low - middle == pytest.approx(truth.lows_db, abs=0.1)
    assert found.linear.lows_db == pytest.approx(low - middle, abs=0.1)
    assert (found.verdict, found.loudness_change_lu) == ("not fair", pytest.approx(truth.louder_lu, abs=0.15))
    assert found.added_db == pytest.approx(truth.added_db, abs=2.0)
    assert found.lag_samples == pytest.approx(0.0, abs=0.2)
    assert found.squeeze.p90_db < 0.5
    assert found.receipt.band_high_hz < 250.0
    assert found.receipt.low_share_after_percent > found.receipt.low_share_before_percent + 5.0


@pytest.mark.parametrize("stage", STAGES, ids=lambda stage: stage.key)
def test_live_finds_what_the_files_give(feeds: Feeds, full: dict[str, StageFindings], stage: Stage) -> None:
    expected, seen = full[stage.key], live(sides(feeds, stage, FULL.first_frame, SECONDS * RATE_HZ))
    assert seen.state == "found"
    found = seen.stage
    assert found is not None
    assert found.lag_samples == pytest.approx(expected.lag_samples, abs=0.1)
    for key in ("loudness_change_lu", "low_change_db", "true_peak_change_db", "peak_to_loudness_change_lu"):
        assert getattr(found, key) == pytest.approx(getattr(expected, key), abs=0.2), key
    for key in ("median_db", "p90_db", "max_db", "make_up_db", "kick_dip_db"):
        assert getattr(found.squeeze, key) == pytest.approx(getattr(expected.squeeze, key), abs=0.2), key
    assert found.linear.lows_db == pytest.approx(expected.linear.lows_db, abs=0.2)
    assert found.receipt.attack_db == pytest.approx(expected.receipt.attack_db, abs=0.3, nan_ok=True)


def test_the_channels_are_named_so_that_the_pairs_are_known() -> None:
    feeds = named_feeds(channel_names())
    assert feeds == feed_columns() | pair_columns()
    assert [len(columns) for columns in pair_columns().values()] == [2, 4]

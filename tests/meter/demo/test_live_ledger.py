"""The demo's sections heard live in ticks, with a study every few seconds, against the same stretch as files."""

from __future__ import annotations

import numpy as np
import pytest

from meter.demo.parts import MIX, PARTS, RATE_HZ, SECTIONS, feed_columns
from meter.demo.truths import TRUTHS
from meter.lowend.account import measure_low_end
from meter.lowend.findings import LowEndFindings
from meter.lowend.sources import from_array
from tests.meter.demo.conftest import Feeds
from tests.support.low_live import LiveLowEnd

SECONDS = 28
WITHIN_DB = 0.5
NAMES = [part.name for part in PARTS]


@pytest.fixture(scope="module", params=SECTIONS[1:3], ids=lambda section: section.name)
def both(feeds: Feeds, request: pytest.FixtureRequest) -> tuple[LowEndFindings, LowEndFindings]:
    first = request.param.first_frame
    stretch, heard = (slice(first, first + round(seconds * RATE_HZ)) for seconds in (SECONDS, SECONDS + 0.9))
    parts = [from_array(part.name, feeds[part.key][stretch], RATE_HZ) for part in PARTS]
    offline = measure_low_end(parts, from_array("mix", feeds["mix"][stretch], RATE_HZ))
    signal = np.hstack([feeds[part.key][heard] for part in (MIX, *PARTS)]).astype(np.float64)
    live = LiveLowEnd(feed_columns(), signal.shape[1], span="sitting")
    live.feed_and_study(signal[: SECONDS * RATE_HZ], 4.0)
    live.feed(signal[SECONDS * RATE_HZ :])  # the last whole second of the parts is worked through
    live.study(4)
    return offline, live.found


def test_shares_owners_and_the_bus(both: tuple[LowEndFindings, LowEndFindings]) -> None:
    offline, live = both
    for expected, found in zip(offline.parts, live.parts, strict=True):
        assert found.share_percent == pytest.approx(expected.share_percent, abs=0.6)  # 0.9 s more are in it
        np.testing.assert_allclose(found.share_by_band_percent, expected.share_by_band_percent, atol=1.0)
    assert live.owners == offline.owners
    assert set(live.owners) == set(TRUTHS.owners)
    assert live.mix_bus_difference_db == pytest.approx(offline.mix_bus_difference_db, abs=0.01)


def test_losses_in_mono(both: tuple[LowEndFindings, LowEndFindings]) -> None:
    offline, live = both
    np.testing.assert_allclose(live.mono.loss_by_band_db, offline.mono.loss_by_band_db, atol=WITHIN_DB)
    assert live.mono.worst_band_loss_db == pytest.approx(offline.mono.worst_band_loss_db, abs=WITHIN_DB)
    assert live.mono.culprit == offline.mono.culprit
    if live.mono.culprit:
        assert live.mono.culprit == TRUTHS.cancellation.part
        assert live.mono.worst_band_loss_db < TRUTHS.cancellation.least_loss_db


@pytest.mark.parametrize("name", NAMES)
def test_notes_rumble_prices_and_rings(both: tuple[LowEndFindings, LowEndFindings], name: str) -> None:
    expected, found = (side.part(name) for side in both)
    assert found.floor_kind == expected.floor_kind
    assert found.floor_hz == pytest.approx(expected.floor_hz, rel=1e-3, nan_ok=True)
    assert found.rumble_db == pytest.approx(expected.rumble_db, abs=WITHIN_DB, nan_ok=True)
    assert found.rumble_against_mix_lows_db == pytest.approx(
        expected.rumble_against_mix_lows_db, abs=WITHIN_DB, nan_ok=True
    )
    for ours, theirs in zip(found.high_pass, expected.high_pass, strict=True):
        assert ours.cutoff_hz == pytest.approx(theirs.cutoff_hz, rel=1e-3)
        assert ours.rumble_removed_percent == pytest.approx(theirs.rumble_removed_percent, abs=1.0, nan_ok=True)
    assert found.ring_hits == expected.ring_hits
    assert found.ring_ms == pytest.approx(expected.ring_ms, rel=0.01, nan_ok=True)
    if not np.isnan(expected.ring_ms):
        assert found.overhang_db == pytest.approx(expected.overhang_db, abs=WITHIN_DB, nan_ok=True)


def test_kick_and_bass_and_whose_rumble_is_shown(both: tuple[LowEndFindings, LowEndFindings]) -> None:
    offline, live = both
    (expected,), (found,) = offline.pairs, live.pairs
    assert (found.first, found.second, found.verdict) == (expected.first, expected.second, expected.verdict)
    assert found.overlap_percent == pytest.approx(expected.overlap_percent, abs=1.0)
    assert live.shown_part == TRUTHS.rumble.part

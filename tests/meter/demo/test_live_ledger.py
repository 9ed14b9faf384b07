"""The live ledger, fed in ticks with all that it does in between, says what the offline ledger says of a stretch."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.low_ledger import SITTING, LowLedger
from dsp.lowend.low_mono import mono_loss
from dsp.lowend.shares import owners_of
from meter.demo.parts import MIX, PARTS, RATE_HZ, SECTIONS, feed_columns
from meter.demo.truths import TRUTHS
from meter.lowend.account import measure_low_end
from meter.lowend.result import LowEndAccount
from meter.lowend.sources import from_array
from meter.readings import PART_PREFIX
from tests.meter.demo.conftest import Feeds

SECONDS = 28
TICK = RATE_HZ // 100
WITHIN_DB = 0.5
NAMES = [part.name for part in PARTS]


@pytest.fixture(scope="module", params=SECTIONS[1:3], ids=lambda section: section.name)
def both(feeds: Feeds, request: pytest.FixtureRequest) -> tuple[LowEndAccount, LowLedger]:
    first = request.param.first_frame
    stretch = slice(first, first + SECONDS * RATE_HZ)
    parts = [from_array(part.name, feeds[part.key][stretch], RATE_HZ) for part in PARTS]
    account = measure_low_end(parts, from_array("mix", feeds["mix"][stretch], RATE_HZ))
    signal = np.hstack([feeds[part.key][stretch] for part in (MIX, *PARTS)]).astype(np.float64)
    columns = feed_columns()
    parts_columns = [numbers for name, numbers in columns.items() if name.startswith(PART_PREFIX)]
    live = LowLedger(RATE_HZ, signal.shape[1], NAMES, parts_columns, columns["mix"])
    for start in range(0, len(signal), TICK):
        live.process(signal[start : start + TICK])
    live.process(np.zeros((live.stream.hop_frames, signal.shape[1])))  # the turns of the last hop
    live.rounds.begin_round()
    while live.rounds.look():
        pass
    return account, live


def test_shares_owners_and_the_bus(both: tuple[LowEndAccount, LowLedger]) -> None:
    account, live = both
    sums = live.sums(SITTING)
    offline = np.array([part.share_percent for part in account.parts])
    np.testing.assert_allclose(sums.share_percent[0], offline, atol=0.3)
    bands = np.array([part.share_by_band_percent for part in account.parts])
    np.testing.assert_allclose(sums.share_percent[1:].T, bands, atol=0.5)
    assert [NAMES[part] for part in owners_of(sums.share_percent[0]).owners] == list(account.owners)
    assert sums.mix_over_sum_db[0] == pytest.approx(account.mix_bus_difference_db, abs=0.01)


def test_losses_in_mono(both: tuple[LowEndAccount, LowLedger]) -> None:
    account, live = both
    sums, found = live.sums(SITTING), mono_loss(live.sums(SITTING))
    np.testing.assert_allclose(sums.loss_db[1:], account.mono.loss_by_band_db, atol=WITHIN_DB)
    assert found.loss_db == pytest.approx(account.mono.worst_band_loss_db, abs=WITHIN_DB)
    assert (NAMES[found.part] if found.part >= 0 else "") == account.mono.culprit


@pytest.mark.parametrize("name", NAMES)
def test_notes_rumble_prices_and_rings(both: tuple[LowEndAccount, LowLedger], name: str) -> None:
    account, live = both
    offline, found = account.part(name), live.rounds.parts[NAMES.index(name)]
    assert found.note.kind == offline.floor_kind
    assert found.note.floor_hz == pytest.approx(offline.floor_hz, rel=1e-3, nan_ok=True)
    assert found.rumble.against_part_db == pytest.approx(offline.rumble_db, abs=WITHIN_DB, nan_ok=True)
    assert found.rumble.against_mix_lows_db == pytest.approx(
        offline.rumble_against_mix_lows_db, abs=WITHIN_DB, nan_ok=True
    )
    for cost, offer in zip(found.prices, offline.high_pass, strict=True):
        assert cost.cutoff_hz == pytest.approx(offer.cutoff_hz, rel=1e-3)
        assert cost.rumble_removed_percent == pytest.approx(offer.rumble_removed_percent, abs=1.0, nan_ok=True)
    assert found.ring.hits == offline.ring_hits
    assert found.ring.to_minus_20_ms == pytest.approx(offline.ring_ms, rel=0.01, nan_ok=True)
    if not np.isnan(offline.ring_ms):
        assert found.ring.overhang_db == pytest.approx(offline.overhang_db, abs=WITHIN_DB, nan_ok=True)


def test_kick_and_bass(both: tuple[LowEndAccount, LowLedger]) -> None:
    account, live = both
    (offline,) = account.pairs
    assert live.rounds.pair_parts == (NAMES.index(offline.first), NAMES.index(offline.second))
    assert live.rounds.pair is not None
    assert live.rounds.pair.verdict == offline.verdict
    assert 100.0 * live.rounds.pair.overlap == pytest.approx(offline.overlap_percent, abs=1.0)


def test_the_planted_truths_are_found_live(both: tuple[LowEndAccount, LowLedger]) -> None:
    _, live = both
    found = mono_loss(live.sums(SITTING))
    owners = owners_of(live.sums(SITTING).share_percent[0]).owners
    assert {NAMES[part] for part in owners} == set(TRUTHS.owners)
    assert NAMES[live.spoken_of] == TRUTHS.rumble.part
    if found.part >= 0:
        assert NAMES[found.part] == TRUTHS.cancellation.part
        assert found.loss_db < TRUTHS.cancellation.least_loss_db

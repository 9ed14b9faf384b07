"""Any blocks give the same stretch; a cut joins nothing."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.core.types import Spec
from dsp.loudness.loudness import LoudnessMeter
from dsp.stage.stage_stream import BAND_EDGES_HZ, OCTAVE_STARTS, Side, StagePart, StageStream
from tests.support.stages import RATE_HZ, phrases

BEFORE = phrases(3.0, channels=2)
AFTER = np.tanh(3.0 * BEFORE)


def streamed(block: int, rate_hz: int = RATE_HZ) -> StageStream:
    stream = StageStream(rate_hz, 2)
    for start in range(0, len(BEFORE), block):
        stream.push(BEFORE[start : start + block], AFTER[start : start + block])
    return stream


@pytest.mark.parametrize("block", [480, 1000, 65_536])
def test_any_block_size_gives_the_same_stretch(block: int) -> None:
    whole, pieces = streamed(len(BEFORE)).stretch(), streamed(block).stretch()
    np.testing.assert_allclose(pieces.steps, whole.steps, rtol=1e-9)
    np.testing.assert_allclose(pieces.bands, whole.bands, rtol=1e-4)
    np.testing.assert_allclose(pieces.k_energy, whole.k_energy, rtol=1e-9)
    assert pieces.transfer is not None
    assert whole.transfer is not None
    assert pieces.transfer.added_db == pytest.approx(whole.transfer.added_db, abs=1e-6)
    assert pieces.sides[1].true_peak_dbtp == pytest.approx(whole.sides[1].true_peak_dbtp, abs=1e-4)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 192_000])
def test_any_rate(rate_hz: int) -> None:
    found = streamed(4096, rate_hz).stretch()
    assert found.step_ms == pytest.approx(1.0, abs=0.03)
    assert np.isfinite(found.steps).all()
    assert found.bands.shape[2] == len(BAND_EDGES_HZ)


def test_steps_are_mean_squares_over_channels() -> None:
    stream = StageStream(RATE_HZ, 2)
    stream.push(np.full((RATE_HZ, 2), 0.5), np.stack([np.ones(RATE_HZ), np.zeros(RATE_HZ)], axis=1))
    steps = stream.stretch().steps
    np.testing.assert_allclose(steps, np.tile([[0.25], [0.5]], steps.shape[1]), rtol=1e-12)


def test_a_cut_is_marked_and_nothing_is_read_across() -> None:
    stream = StageStream(RATE_HZ, 2)
    for part in (slice(0, RATE_HZ), slice(2 * RATE_HZ, 3 * RATE_HZ)):
        stream.push(BEFORE[part], AFTER[part])
        stream.cut()
    found = stream.stretch()
    gaps = np.isnan(found.bands[0, :, 0])
    assert gaps.sum() == 2
    assert np.isnan(found.steps[0]).sum() == 20
    assert len(gaps) == 2 * 99 + 2
    alone = StageStream(RATE_HZ, 2)
    alone.push(BEFORE[2 * RATE_HZ :], AFTER[2 * RATE_HZ :])
    np.testing.assert_allclose(found.steps[:, -1000:-10], alone.stretch().steps, rtol=1e-12)


def test_peak_to_loudness_is_their_distance() -> None:
    assert Side(-14.0, -1.0, 0).peak_to_loudness_lu == 13.0


def test_octaves_begin_at_bands() -> None:
    edges = [BAND_EDGES_HZ[start] for start in OCTAVE_STARTS]
    assert edges[1:] == [175.0, 325.0, 710.0, 1410.0, 2820.0, 5620.0, 11_200.0]


def test_unequal_blocks_are_refused() -> None:
    with pytest.raises(ValueError, match="do not belong together"):
        StageStream(RATE_HZ, 2).push(BEFORE[:10], AFTER[:9])


def test_a_stream_that_keeps_the_newest_seconds_reads_as_those_alone() -> None:
    """Three parts of 2.5 s and what came since."""
    before = phrases(13.0, channels=2)
    after = np.tanh(3.0 * before) * np.linspace(1.0, 0.5, len(before))[:, None]
    ended: list[StagePart] = []
    kept, alone = StageStream(RATE_HZ, 2, 7.5, ended.append), StageStream(RATE_HZ, 2)
    for start in range(0, len(before), 12_000):
        kept.push(before[start : start + 12_000], after[start : start + 12_000])
    begin = round(5.0 * RATE_HZ)
    alone.push(before[begin:], after[begin:])
    assert [part.frames for part in ended] == [120_000] * 5
    found, expected = kept.stretch(), alone.stretch()
    assert (found.seconds, kept.pushed_frames) == (8.0, len(before))
    np.testing.assert_allclose(found.steps[:, -7900:], expected.steps[:, -7900:], rtol=1e-9)
    np.testing.assert_allclose(found.k_energy, expected.k_energy, rtol=1e-2)
    assert found.transfer is not None
    assert expected.transfer is not None
    assert found.transfer.low_change_db == pytest.approx(expected.transfer.low_change_db, abs=0.1)
    for one, other in zip(found.sides, expected.sides, strict=True):
        assert one.integrated_lufs == pytest.approx(other.integrated_lufs, abs=0.05)
        assert one.true_peak_dbtp == pytest.approx(other.true_peak_dbtp, abs=1e-4)
        assert one.clipped_runs == other.clipped_runs
    assert sum(part.spectra.blocks for part in ended) == pytest.approx(12.5 / 0.34 - 1.0, abs=1.0)


def test_the_loudness_of_a_side_is_that_of_a_file() -> None:
    """As the loudness meter integrates it (BS.1770-5 Annex 1)."""
    meter = LoudnessMeter(Spec(RATE_HZ, 2), (1.0, 1.0))
    meter.push(BEFORE)
    assert streamed(4800).stretch().sides[0].integrated_lufs == pytest.approx(meter.integrated, abs=0.01)

"""One part as a stream: the same at any block size, rumble against closed forms, gaps left out."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.low_part import LowPart
from dsp.lowend.lowest_note import DRUM
from dsp.lowend.part_sound import common_stretch
from tests.support.low_parts import RATE_HZ, cents, held, low_part, place, repeated, resonator, tone

KEYS = place([(0.1 + 0.5 * n, held((131.0, 165.0, 196.0)[n % 3], 0.45)) for n in range(20)], 10.5)


@pytest.mark.parametrize("block", [480, 4801, 65_536])
def test_block_sizes_and_live_agree_with_offline(block: int) -> None:
    whole = low_part(KEYS)
    live = LowPart(RATE_HZ, 1, keep_seconds=30.0)
    for start in range(0, len(KEYS), block):
        live.push(KEYS[start : start + block])
    found = live.sound()
    assert found.lowest_note() == whole.lowest_note()
    np.testing.assert_allclose(found.rows, whole.rows, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(found.audio(), whole.audio(), atol=1e-7)


def test_another_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        LowPart(RATE_HZ, 2).push(np.zeros((10, 1)))


def test_live_looks_back_only_so_far() -> None:
    live = LowPart(RATE_HZ, 1, keep_seconds=2.0)
    for start in range(0, len(KEYS), 4800):
        live.push(KEYS[start : start + 4800])
    found = live.sound()
    assert len(found.audio()) == 8000
    assert len(found.rows) == 4
    assert abs(cents(found.lowest_note().floor_hz, 131.0)) < 20.0
    live.reset()
    assert not len(live.sound().audio())
    assert live.sound().lowest_note().reason


@pytest.mark.parametrize("rumble_hz", [20.0, 35.0, 60.0])
@pytest.mark.parametrize("under_db", [10.0, 25.0])
def test_planted_rumble_is_found_within_1_db(rumble_hz: float, under_db: float) -> None:
    notes_power = (KEYS[4800 : 20 * 24_000] ** 2).mean()
    planted = 10 * np.log10(notes_power) - under_db
    part = low_part(KEYS + tone(rumble_hz, planted, len(KEYS)))
    bass = low_part(tone(70.0, -20.0, len(KEYS)))
    found = part.rumble(part.lowest_note().floor_hz, bass.rows)
    # The planted tone's share of the whole part, itself included.
    assert found.against_part_db == pytest.approx(-10 * np.log10(1 + 10 ** (under_db / 10)), abs=1.0)
    assert found.level_dbfs == pytest.approx(planted + 3.01, abs=1.0)
    assert found.against_mix_lows_db == pytest.approx(planted + 20.0, abs=1.0)
    assert found.frequency_hz[np.argmax(found.power)] == pytest.approx(rumble_hz, abs=1.0)


def test_rumble_needs_a_floor_and_sound() -> None:
    assert np.isnan(low_part(KEYS).rumble(np.nan).level_dbfs)
    assert np.isnan(low_part(np.zeros_like(KEYS)).rumble(80.0).level_dbfs)
    assert np.isnan(low_part(KEYS).rumble(131.0).against_mix_lows_db)


def test_decay_of_a_part() -> None:
    """T60 / 3 = 2.19881 Q / f0 / 3."""
    part = low_part(place(repeated(resonator(60, 15), 10, 0.6), 6.5))
    assert part.decay(60.0).to_minus_20_ms == pytest.approx(1000 * 2.19881 * 15 / 60 / 3, rel=0.05)


def test_a_gap_is_left_out_of_everything() -> None:
    broken = LowPart(RATE_HZ, 1, keep_seconds=None)
    broken.push(KEYS[: 3 * RATE_HZ])
    broken.skip(RATE_HZ)
    broken.push(KEYS[4 * RATE_HZ :])
    found = broken.sound()
    assert np.isnan(found.kept).any()
    assert len(found.audio()) == pytest.approx(6.5 * 4000, abs=25)
    assert np.isfinite(found.spectra().bins).all()
    assert abs(cents(found.lowest_note().floor_hz, 131.0)) < 20.0


def test_values_that_are_no_numbers_are_a_gap() -> None:
    signal = KEYS.copy()
    signal[RATE_HZ] = np.nan
    part = low_part(signal)
    assert np.isnan(part.kept).sum() == 21
    assert part.lowest_note().floor_hz == pytest.approx(131.0, rel=0.005)


def test_common_stretch_of_two_parts() -> None:
    a, b = KEYS.copy(), KEYS.copy()
    a[RATE_HZ], b[7 * RATE_HZ] = np.nan, np.nan
    stretch = common_stretch([low_part(a), low_part(b)])
    assert stretch.start == pytest.approx(4000, abs=25)
    assert stretch.stop == pytest.approx(28_000, abs=25)
    assert common_stretch([]) == slice(0, 0)


def test_what_was_taken_stays_while_more_comes() -> None:
    """Another thread may read it."""
    part = LowPart(RATE_HZ, 1, keep_seconds=2.0)
    part.push(KEYS[: 2 * RATE_HZ])
    early, again = part.sound(), part.sound()
    before = again.kept.copy()
    part.push(KEYS[2 * RATE_HZ : 6 * RATE_HZ])
    np.testing.assert_array_equal(early.kept, before)
    assert part.sound().samples == 3 * early.samples


def test_an_offset_hides_no_hit() -> None:
    """A converter's offset is no sound: with it the drum has the same note and its audio no mean."""
    drum = place(repeated(resonator(62.0, 14.0, 0.2), 12, 0.5), 6.5)
    plain, moved = low_part(drum), low_part(drum + 0.3)
    assert np.isfinite(plain.lowest_note().floor_hz)
    assert moved.lowest_note().floor_hz == pytest.approx(plain.lowest_note().floor_hz, rel=1e-3)
    assert moved.lowest_note().evidence == plain.lowest_note().evidence
    assert moved.audio().mean() == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("quality", [4.0, 8.0, 15.0, 30.0])
def test_the_decay_of_a_kick_is_no_rumble_under_it(quality: float) -> None:
    """A struck resonance is spread (closed form: 3 dB down at f0 / Q), half an octave down by up to -8 dB."""
    part = low_part(place(repeated(resonator(55, quality), 20, 0.6), 12.5))
    note = part.lowest_note()
    assert note.kind == DRUM
    assert part.rumble(note.floor_hz, kind=note.kind).against_part_db < -28.0
    assert part.rumble(note.floor_hz).against_part_db > -18.0


@pytest.mark.parametrize("under_dbfs", [-30.0, -40.0])
def test_rumble_under_a_kick_is_still_found(under_dbfs: float) -> None:
    hits = place(repeated(resonator(60, 15), 20, 0.6), 12.5)
    part = low_part(hits + tone(25.0, under_dbfs, len(hits)))
    note = part.lowest_note()
    assert part.rumble(note.floor_hz, kind=note.kind).level_dbfs == pytest.approx(under_dbfs + 3.01, abs=1.0)


def test_rumble_begins_half_an_octave_under_the_note() -> None:
    """Under 131 Hz over the square root of 2, 92.6 Hz: a tone at 89 Hz counts and one at 96 Hz does not."""
    counted, left_out = (low_part(KEYS + tone(hertz, -30.0, len(KEYS))) for hertz in (89.0, 96.0))
    assert counted.rumble(131.0).level_dbfs == pytest.approx(-30.0 + 3.01, abs=0.3)
    assert left_out.rumble(131.0).level_dbfs < -45.0

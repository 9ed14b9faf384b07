"""The planted truths of the scenario, found by the low-end ledger: offline, and by its streaming form in ticks."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.decay import half_beat_ms
from dsp.lowend.low_band import LowBand
from dsp.lowend.low_part import LowPart
from dsp.lowend.shares import LowShares, owners_of
from meter.demo.parts import PARTS, RATE_HZ
from meter.demo.truths import TRUTHS
from meter.lowend.account import measure_low_end
from meter.lowend.findings import LowEndFindings
from meter.lowend.sources import from_array
from tests.meter.demo.conftest import Feeds
from tests.support.low_parts import cents

SECTION = TRUTHS.cancellation.section


def measure(feeds: Feeds, stretch: slice) -> LowEndFindings:
    parts = [from_array(part.name, feeds[part.key][stretch], RATE_HZ) for part in PARTS]
    return measure_low_end(parts, from_array("mix", feeds["mix"][stretch], RATE_HZ), tempo_bpm=TRUTHS.tempo_bpm)


@pytest.fixture(scope="module")
def whole(feeds: Feeds) -> LowEndFindings:
    return measure(feeds, slice(None))


@pytest.fixture(scope="module")
def section(feeds: Feeds) -> LowEndFindings:
    return measure(feeds, slice(SECTION.first_frame, SECTION.end_frame))


def test_owners(whole: LowEndFindings) -> None:
    assert set(whole.owners) == set(TRUTHS.owners)
    assert sum(whole.part(name).share_percent for name in whole.owners) > 100.0 * TRUTHS.least_owned
    rest = sorted(whole.parts, key=lambda part: -part.share_percent)[2:4]
    assert {part.name for part in rest} == set(TRUTHS.squatters)
    assert whole.mix_bus_difference_db == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("name", ["low drum", "double bass", "plucked pair", "organ"])
def test_lowest_notes(whole: LowEndFindings, name: str) -> None:
    """The voice is left out: its lowest note sounds in fewer than one frame of twenty."""
    assert abs(cents(whole.part(name).floor_hz, TRUTHS.lowest_note_hz[name])) < 20.0
    assert np.isnan(whole.part(name).floor_lower_hz), "three minutes of sound leave no doubt"


def test_a_note_that_is_seldom_sung_is_the_lower_reading(whole: LowEndFindings) -> None:
    voice = whole.part("voice")
    assert abs(cents(voice.floor_lower_hz, TRUTHS.lowest_note_hz["voice"])) < 50.0


def test_the_organ_rumbles(whole: LowEndFindings) -> None:
    rumble, organ = TRUTHS.rumble, whole.part(TRUTHS.rumble.part)
    assert organ.rumble_db == pytest.approx(rumble.re_part_db, abs=1.0)
    assert organ.rumble_dbfs == pytest.approx(rumble.level_dbfs + 3.01, abs=1.0)
    worst = max(whole.parts, key=lambda part: part.rumble_against_mix_lows_db)
    assert worst.name == rumble.part


def test_the_plucked_pair_cancels_in_its_section(whole: LowEndFindings, section: LowEndFindings) -> None:
    cancellation = TRUTHS.cancellation
    assert section.mono.worst_band_hz == cancellation.band_hz
    assert section.mono.worst_band_loss_db < cancellation.least_loss_db
    assert section.mono.culprit == cancellation.part
    assert section.mono.loss_with_culprit_in_mono_db == pytest.approx(0.0, abs=0.1)
    assert whole.mono.worst_band_loss_db > cancellation.most_elsewhere_db


def test_the_drum_rings_into_the_bass(whole: LowEndFindings) -> None:
    ringing, drum = TRUTHS.ringing, whole.part(TRUTHS.ringing.part)
    assert drum.floor_kind == "drum"
    assert drum.ring_ms == pytest.approx(1000.0 * ringing.t60_seconds / 3.0, rel=0.05)
    assert drum.overhang_after_ms == pytest.approx(1000.0 * ringing.after_frames / RATE_HZ, abs=10.0)
    assert drum.overhang_db == pytest.approx(ringing.tail_db, abs=1.0)
    assert whole.half_beat_ms == half_beat_ms(TRUTHS.tempo_bpm)


def test_drum_and_bass_do_not_hit_together_but_overlap(whole: LowEndFindings) -> None:
    """The drum rings on into the bass: of a fall of 20 dB all that is under its level when the bass begins."""
    (pair,) = whole.pairs
    assert (pair.first, pair.second, pair.verdict) == ("low drum", "double bass", "overlap")
    assert pair.notes_in_step == 0
    assert pair.time_overlap_percent == pytest.approx(100.0 * (1.0 + TRUTHS.ringing.tail_db / 20.0), abs=15.0)


def test_live_says_the_same_of_the_same_stretch(feeds: Feeds, section: LowEndFindings) -> None:
    stretch = slice(SECTION.first_frame, SECTION.end_frame)
    signals = [feeds[part.key][stretch].astype(np.float64) for part in PARTS]
    joined = np.hstack(signals)
    ends = np.cumsum([part.channels for part in PARTS])
    columns = [tuple(range(end - part.channels, end)) for end, part in zip(ends, PARTS, strict=True)]
    splitter = LowBand(RATE_HZ, joined.shape[1])
    shares = LowShares(splitter.hop_seconds, columns)
    organ = LowPart(RATE_HZ, 1, keep_seconds=60.0)
    number = [part.name for part in PARTS].index("organ")
    tick = RATE_HZ // 100
    for start in range(0, len(joined), tick):
        shares.push(splitter.process(joined[start : start + tick]))
        organ.push(signals[number][start : start + tick])
    live = shares.whole()
    offline = np.array([part.share_percent for part in section.parts])
    np.testing.assert_allclose(live.share_percent[0], offline, atol=0.01)
    assert {PARTS[index].name for index in owners_of(live.share_percent[0]).owners} == set(section.owners)
    assert live.loss_db[3] == pytest.approx(section.mono.worst_band_loss_db, abs=0.01)
    sound = organ.sound()
    note = sound.lowest_note()
    assert note.floor_hz == pytest.approx(section.part("organ").floor_hz, rel=1e-6)
    assert sound.rumble(note.floor_hz).against_part_db == pytest.approx(section.part("organ").rumble_db, abs=0.01)


def test_the_rumble_is_at_no_moment_taken_for_a_note(feeds: Feeds) -> None:
    """Looked at every four seconds of the opening, in which the organ holds its chords at one level."""
    organ = LowPart(RATE_HZ, 1, keep_seconds=60.0)
    for start in range(0, 40, 4):
        organ.push(feeds["organ"][start * RATE_HZ : (start + 4) * RATE_HZ].astype(np.float64))
        found = organ.sound().lowest_note().floor_hz
        assert not cents(found, TRUTHS.rumble.lowest_note_hz) < -50.0, start + 4

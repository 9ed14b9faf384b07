"""The live low end: planted truths found, the same at any block size, and nothing invented over gaps and silence."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from meter.lowend.findings import CANCELS, HELD_IN_ONE, MINOR, OTHER, OWNER, SILENT, TRIED, LowEndFindings
from meter.lowend.study import low_end
from tests.support.low_live import RATE_HZ, LiveLowEnd
from tests.support.low_parts import cents
from tests.support.low_session import (
    BASS_HZ,
    BASS_LATE_SECONDS,
    CHANNELS,
    KEYS_HZ,
    KICK_HZ,
    KICK_QUALITY,
    NAMES,
    RUMBLE_DBFS,
    TEMPO_BPM,
    session,
)
from tests.support.processors import assert_same

KICK, BASS = 0, 1
SLOPES = (6, 12, 18, 24)
ENOUGH = 6
"""Studies after which every part was looked at and tried, on the same sound."""


@pytest.fixture(scope="module")
def heard() -> LiveLowEnd:
    meter = LiveLowEnd(tempo_bpm=TEMPO_BPM)
    meter.feed(session())
    meter.settle()
    meter.study(ENOUGH)
    return meter


@pytest.fixture(scope="module")
def reading(heard: LiveLowEnd) -> dict[str, Any]:
    return heard.read()


@pytest.fixture(scope="module")
def found(heard: LiveLowEnd) -> LowEndFindings:
    return heard.found


def test_shares_add_up_and_kick_and_bass_own_the_low_end(reading: dict[str, Any], found: LowEndFindings) -> None:
    assert reading["share"].sum() == pytest.approx(100.0, abs=1e-6)
    assert set(found.owners) == {"kick", "bass"}
    assert [found.part(name).role for name in ("kick", "bass", "voice")] == [OWNER, OWNER, SILENT]
    assert reading["share"][KICK] + reading["share"][BASS] > 90.0
    np.testing.assert_allclose(reading["band_share"].reshape(5, 4).sum(axis=0), 100.0, atol=1e-6)


def test_the_mix_is_the_sum(reading: dict[str, Any], found: LowEndFindings) -> None:
    assert reading["mix_bus_difference"] == pytest.approx(0.0, abs=1e-6)
    assert found.mix_bus_difference_db == pytest.approx(0.0, abs=1e-6)
    assert not any("little in common" in note for note in found.notes)


def test_lowest_notes_and_the_rumble_under_the_keys(found: LowEndFindings) -> None:
    for name, hz in (("kick", KICK_HZ), ("bass", min(BASS_HZ)), ("keys", min(KEYS_HZ))):
        assert abs(cents(found.part(name).floor_hz, hz)) < 20.0
    assert [found.part(name).floor_kind for name in ("kick", "bass", "keys")] == ["drum", "pitched", "pitched"]
    assert np.isnan(found.part("voice").floor_hz)
    assert found.part("voice").floor_kind == ""
    assert found.part("voice").why["floor_hz"]
    assert found.part("keys").rumble_dbfs == pytest.approx(RUMBLE_DBFS + 3.01, abs=0.3)
    assert found.shown_part == "keys"


def test_prices_are_those_of_the_closed_form(found: LowEndFindings) -> None:
    """Butterworth: fc = f0 (10^0.05 - 1)^(1/2n) costs 0.5 dB at f0 (closed form)."""
    keys = found.part("keys")
    assert [offer.slope_db_per_octave for offer in keys.high_pass] == list(SLOPES)
    for offer in keys.high_pass:
        order = offer.slope_db_per_octave // 6
        assert offer.cutoff_hz == pytest.approx(keys.floor_hz * (10**0.05 - 1) ** (1 / (2 * order)), rel=1e-6)
        assert offer.loss_at_floor_db == pytest.approx(0.5, abs=1e-6)
        removed = 100 * (1 - 1 / (1 + (offer.cutoff_hz / 35.0) ** (2 * order)))
        assert offer.rumble_removed_percent == pytest.approx(removed, abs=2.0)


def test_high_passes_were_tried_on_captured_sound(found: LowEndFindings) -> None:
    for name in ("kick", "bass", "keys"):
        part = found.part(name)
        assert np.isfinite(part.tried_at_seconds)
        for offer in part.high_pass:
            changes = (offer.true_peak_change_db, offer.mix_true_peak_change_db, offer.mix_low_band_change_db)
            assert np.isfinite(changes).all()
    assert all(offer.mix_low_band_change_db < 0.05 for offer in found.part("keys").high_pass)


def test_the_kick_rings_as_long_as_a_resonance_does(found: LowEndFindings) -> None:
    """T60 = 2.19881 Q / f0 (closed form), a third of it to -20 dB."""
    kick = found.part("kick")
    assert kick.ring_ms == pytest.approx(1000 * 2.19881 * KICK_QUALITY / KICK_HZ / 3, rel=0.05)
    assert kick.ring_hits >= 8
    assert np.isnan(found.part("keys").ring_ms)
    assert found.half_beat_ms == pytest.approx(250.0)


def test_where_the_ring_is_refused_its_change_is_as_well(found: LowEndFindings) -> None:
    assert all(np.isfinite(offer.ring_change_ms) for offer in found.part("kick").high_pass)
    for name in ("keys", "guitars"):
        assert np.isnan(found.part(name).ring_ms)
        assert all(np.isnan(offer.ring_change_ms) for offer in found.part(name).high_pass)


def test_a_tempo_that_is_off_the_hits_is_found_and_the_right_one_named(found: LowEndFindings) -> None:
    assert found.lanes is not None
    assert found.lanes.tempo_fits
    meter = LiveLowEnd(tempo_bpm=TEMPO_BPM * 1.04)
    meter.feed(session())
    meter.settle()
    meter.study(ENOUGH)
    assert meter.found.lanes is not None
    assert not meter.found.lanes.tempo_fits
    assert meter.found.lanes.better_bpm == pytest.approx(TEMPO_BPM, abs=0.5)


def test_kick_and_bass(found: LowEndFindings) -> None:
    (pair,) = found.pairs
    assert (pair.first, pair.second) == ("kick", "bass")
    assert pair.gap_median_ms == pytest.approx(1000 * BASS_LATE_SECONDS, abs=2.0)
    assert pair.verdict in ("hit together", "cancel")
    assert found.lanes is not None
    assert found.lanes.seconds == pytest.approx(2.0)
    assert max(max(found.lanes.first), max(found.lanes.second)) == pytest.approx(1.0)
    assert (np.array(found.lanes.first).reshape(4, 24).argmax(axis=1) < 4).all()


def test_the_part_behind_a_loss_in_mono(reading: dict[str, Any], found: LowEndFindings) -> None:
    assert found.mono.worst_band_hz == (90.0, 120.0)
    assert found.mono.culprit == "guitars"
    assert found.mono.loss_with_culprit_in_mono_db == pytest.approx(0.0, abs=0.05)
    assert not found.part("guitars").mono_loss_db > -60.0
    np.testing.assert_array_equal(reading["part_mono_loss_bands"].reshape(5, 6)[KICK], 0.0)
    assert found.part("kick").mono_loss_by_band_db == (0.0,) * 6


@pytest.mark.parametrize("sizes", [[48_000], [479, 2, 1], [8193, 65]], ids=str)
def test_any_block_size(sizes: list[int]) -> None:
    signal = session()[: 7 * RATE_HZ]
    first, second = LiveLowEnd(), LiveLowEnd()
    first.feed(signal, [480])
    second.feed(signal, sizes)
    assert_same(first.read(), second.read(), within=1e-6)


def test_a_requested_cutoff_is_tried_by_the_next_study() -> None:
    meter = LiveLowEnd(part="bass", slope="24", cutoff_hz=60.0)
    meter.feed(session()[: 8 * RATE_HZ])
    meter.study(ENOUGH)
    first = meter.found.requested
    assert first is not None
    assert (meter.found.shown_part, first.part, first.state) == ("bass", "bass", TRIED)
    assert (first.offer.cutoff_hz, first.offer.slope_db_per_octave) == (60.0, 24)
    before = meter.found
    meter.configure(cutoff_hz=45.0, slope="12")
    meter.study()
    second = meter.found.requested
    assert second is not None
    assert (second.offer.cutoff_hz, second.state) == (45.0, TRIED)
    floor = meter.part("bass").floor_hz
    assert second.offer.loss_at_floor_db == pytest.approx(10 * np.log10(1 + (45.0 / floor) ** 4), abs=1e-6)
    changes = (second.offer.true_peak_change_db, second.offer.mix_true_peak_change_db)
    assert np.isfinite([*changes, second.offer.mix_low_band_change_db]).all()
    assert meter.part("keys") == before.part("keys"), "only the part asked about is looked at"
    meter.configure(cutoff_hz=0.0)
    meter.study()
    assert meter.found.requested is None


def test_a_part_that_is_not_there_leaves_the_choice_to_the_meter() -> None:
    meter = LiveLowEnd(part="tuba")
    meter.feed(session()[: 7 * RATE_HZ])
    meter.study(2)
    assert meter.found.shown_part in NAMES


def test_a_study_is_due_only_when_there_is_something_new() -> None:
    meter = LiveLowEnd()
    assert meter.stretch() is None
    meter.feed(session()[: 3 * RATE_HZ])
    assert meter.stretch() is not None
    assert meter.stretch() is None
    meter.feed(session()[3 * RATE_HZ : 5 * RATE_HZ])
    assert meter.stretch() is not None
    meter.configure(part="bass")
    assert meter.stretch() is not None


def test_marked_and_whole_sitting() -> None:
    meter = LiveLowEnd(span="marked")
    meter.feed(session()[: 6 * RATE_HZ])
    meter.meter.mark()
    assert np.isnan(meter.read()["share"]).all()
    assert meter.read()["heard"] == 0.0
    only_bass = np.zeros_like(session()[: 6 * RATE_HZ])
    only_bass[:, [0, 1, 3]] = session()[: 6 * RATE_HZ, [0, 1, 3]]
    meter.feed(only_bass)
    marked = meter.read()
    assert marked["share"][BASS] == pytest.approx(100.0, abs=1.0)
    assert marked["heard"] == pytest.approx(6.0, abs=0.2)
    meter.configure(span="sitting")
    sitting = meter.read()
    assert 20.0 < sitting["share"][KICK] < 80.0
    assert sitting["heard"] == pytest.approx(12.0, abs=0.3)


def test_a_tempo_sets_the_span_and_keeps_the_sitting() -> None:
    meter = LiveLowEnd()
    meter.feed(session()[: 4 * RATE_HZ])
    assert meter.read()["span_seconds"] == 10.0
    meter.configure(tempo_bpm=TEMPO_BPM)
    reading = meter.read()
    assert (reading["span_seconds"], reading["heard"]) == (16.0, 0.0)
    meter.configure(span="sitting")
    assert np.isfinite(meter.read()["share"]).all()


def test_when_the_music_stops_the_last_findings_stay_with_their_age() -> None:
    meter = LiveLowEnd()
    meter.feed(session()[: 14 * RATE_HZ])
    meter.study(ENOUGH)
    before, shares = meter.found, meter.read()["share"]
    meter.feed_and_study(np.zeros((15 * RATE_HZ, CHANNELS)))
    after = meter.read()
    assert after["age"] == pytest.approx(15.0, abs=1.0)
    np.testing.assert_allclose(after["share"], shares, atol=1.0)
    for name in ("kick", "bass", "keys"):
        assert meter.part(name).floor_hz == pytest.approx(before.part(name).floor_hz, rel=1e-3)
        assert meter.part(name).high_pass
    meter.configure(part="bass", cutoff_hz=50.0)
    meter.study()
    requested = meter.found.requested
    assert requested is not None
    assert requested.state == TRIED
    assert np.isfinite(requested.offer.true_peak_change_db)


def test_a_part_that_stops_playing_keeps_what_was_found() -> None:
    """The bass stops after 8 s, the others go on for 24 s: all its kept sound is silent by now."""
    signal = np.vstack([session()[: 8 * RATE_HZ], session()[8 * RATE_HZ : 30 * RATE_HZ].copy()])
    signal = np.vstack([signal, session()[: 10 * RATE_HZ]])
    signal[8 * RATE_HZ :, BASS + 2] = 0.0
    meter = LiveLowEnd()
    meter.feed(signal[: 8 * RATE_HZ])
    meter.study(ENOUGH)
    floor = meter.part("bass").floor_hz
    meter.feed_and_study(signal[8 * RATE_HZ :], 4.0)
    assert abs(cents(floor, min(BASS_HZ))) < 20.0
    assert abs(cents(meter.part("bass").floor_hz, floor)) < 20.0
    assert meter.part("bass").seen_at_seconds < 25.0 < meter.part("kick").seen_at_seconds


def test_gaps_are_not_invented_over() -> None:
    meter = LiveLowEnd()
    meter.feed(session()[: 5 * RATE_HZ + 777])
    meter.skip(0.5)
    meter.feed(session()[6 * RATE_HZ : 12 * RATE_HZ])
    meter.study(ENOUGH)
    reading = meter.read()
    assert reading["share"].sum() == pytest.approx(100.0, abs=1e-6)
    assert abs(cents(meter.part("bass").floor_hz, min(BASS_HZ))) < 20.0
    meter.skip(36_000.0)
    assert meter.read()["age"] == pytest.approx(36_000.0, rel=0.01)
    meter.feed(session()[: 3 * RATE_HZ])
    assert meter.read()["age"] < 1.0


def test_reset_forgets_all_but_the_settings() -> None:
    meter = LiveLowEnd(part="bass", cutoff_hz=50.0)
    fresh = meter.read()
    meter.feed(session()[: 8 * RATE_HZ])
    meter.meter.reset()
    assert_same(meter.read(), fresh)
    assert meter.stretch() is None
    meter.feed(session()[: 3 * RATE_HZ])
    stretch = meter.stretch()
    assert stretch is not None
    assert stretch.kept_seconds < 3.1


def test_silence_reads_not_yet() -> None:
    meter = LiveLowEnd()
    meter.feed(np.zeros((12 * RATE_HZ, CHANNELS)))
    reading = meter.read()
    for key in ("share", "mix_bus_difference", "mono_loss"):
        assert np.isnan(reading[key]).all(), key
    assert reading["heard"] == 0.0
    assert meter.stretch() is None
    found = low_end(meter.meter._stream.stretch(NAMES, "last", 3, 1, 30.0), meter.settings)
    assert [part.role for part in found.parts] == [SILENT] * 5
    assert (found.shown_part, found.mono.culprit, found.lanes) == ("", "", None)
    assert [pair.verdict for pair in found.pairs] == ["not yet"]


def test_without_parts_nothing_is_measured() -> None:
    meter = LiveLowEnd({"mix": (0, 1)}, channels=2)
    meter.feed(np.ones((RATE_HZ, 2)))
    meter.skip(1.0)
    meter.meter.mark()
    meter.meter.reset()
    reading = meter.read()
    assert reading["share"].shape == (0,)
    assert np.isnan(reading["mono_loss"])


@pytest.mark.parametrize("parts", [1, 2, 32])
def test_one_part_two_and_thirty_two(parts: int) -> None:
    signal = np.tile(session()[: 3 * RATE_HZ, [3]], (1, parts))
    feeds = {f"part {number}": (number,) for number in range(parts)}
    meter = LiveLowEnd(feeds, channels=parts)
    meter.feed(signal)
    reading = meter.read()
    np.testing.assert_allclose(reading["share"], 100.0 / parts, atol=1e-6)
    assert np.isnan(reading["mix_bus_difference"])


def test_a_part_that_holds_kick_and_bass_is_no_pair() -> None:
    signal = session()[: 8 * RATE_HZ]
    meter = LiveLowEnd({"part drums and bass": (0,), "part vox": (1,)}, channels=2)
    meter.feed(np.stack([signal[:, 2] + signal[:, 3], signal[:, 4]], axis=1))
    meter.study()
    assert (meter.found.pairs, meter.found.no_pair, meter.found.lanes) == ((), HELD_IN_ONE, None)


def test_two_parts_that_cancel_have_no_shares_and_break_nothing() -> None:
    bass = session()[: 6 * RATE_HZ, [3]]
    meter = LiveLowEnd({"part bass": (0,), "part copy": (1,)}, channels=2)
    meter.feed(np.hstack([bass, -bass]))
    reading = meter.read()
    assert np.isnan(reading["share"]).all()
    meter.study()
    assert all(np.isfinite(part.floor_hz) for part in meter.found.parts)


def test_a_flipped_copy_is_named_with_the_part_it_takes_away() -> None:
    signal = session()[: 8 * RATE_HZ]
    kick, bass = signal[:, [2]], signal[:, [3]]
    meter = LiveLowEnd({"part kick": (0,), "part bass": (1,), "part bass DI": (2,)}, channels=3)
    meter.feed(np.hstack([kick, bass, -bass]))
    meter.study()
    (pair,) = meter.found.cancelling_pairs
    assert (pair.first, pair.second, pair.kind) == ("bass", "bass DI", "opposite polarity")
    assert pair.together_db == -np.inf
    assert pair.flipped_db == pytest.approx(3.01, abs=0.01)
    assert [part.role for part in meter.found.parts] == [OWNER, CANCELS, CANCELS]


def test_copies_and_swapped_channels_do_not_cancel() -> None:
    pad = 0.1 * np.random.default_rng(6).standard_normal((5 * RATE_HZ, 2))
    feeds = {"part one": (0, 1), "part two": (2, 3)}
    swapped = ["left and right swapped, opposite polarity"]
    for other, kinds in ((pad, []), (pad[:, ::-1], []), (-pad[:, ::-1], swapped)):
        meter = LiveLowEnd(feeds, channels=4)
        meter.feed(np.hstack([pad, other]))
        meter.study()
        assert [pair.kind for pair in meter.found.cancelling_pairs] == kinds


def test_a_part_that_takes_away_reads_below_zero() -> None:
    """x + y with y = -x / 2: shares 200 % and -100 % (closed form)."""
    bass = session()[: 6 * RATE_HZ, [3]]
    meter = LiveLowEnd({"part bass": (0,), "part copy": (1,)}, channels=2)
    meter.feed(np.hstack([bass, -0.5 * bass]))
    reading = meter.read()
    np.testing.assert_allclose(reading["share"], [200.0, -100.0], atol=1e-6)
    meter.study()
    assert [part.role for part in meter.found.parts] == [OWNER, CANCELS]


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 11_025])
def test_other_rates(rate_hz: int) -> None:
    meter = LiveLowEnd({"part kick": (0,), "part bass": (1,)}, 2, rate_hz)
    seconds = np.arange(5 * rate_hz) / rate_hz
    meter.feed(0.2 * np.sin(2 * np.pi * np.outer(seconds, [50.0, 70.0])), [rate_hz // 100])
    reading = meter.read()
    np.testing.assert_allclose(reading["share"], 50.0, atol=1.0)
    meter.study()
    np.testing.assert_allclose([part.floor_hz for part in meter.found.parts], [50.0, 70.0], rtol=0.01)


def test_a_mix_of_many_channels_is_not_compared() -> None:
    meter = LiveLowEnd({"mix": (0, 1, 2), "part bass": (3,)}, channels=4)
    meter.feed(session()[: 3 * RATE_HZ, [0, 1, 2, 3]])
    reading = meter.read()
    assert np.isnan(reading["mix_bus_difference"])
    assert reading["share"][0] == pytest.approx(100.0)


def test_huge_values_leave_finite_shares() -> None:
    meter = LiveLowEnd({"part bass": (0,), "part copy": (1,)}, channels=2)
    meter.feed(1000.0 * np.random.default_rng(2).choice([-1.0, 1.0], (3 * RATE_HZ, 2)))
    assert np.isfinite(meter.read()["share"]).all()


@pytest.mark.parametrize(
    ("second_percent", "roles"),
    [(16.5, [OWNER, OWNER]), (13.5, [OWNER, OTHER]), (3.5, [OWNER, OTHER]), (2.6, [OWNER, MINOR])],
)
def test_who_owns_and_who_is_named(second_percent: float, roles: list[int]) -> None:
    """Owners are the smallest set that holds 85 %; of the others those with more than 3 % are named (judgements)."""
    seconds = np.arange(4 * RATE_HZ) / RATE_HZ
    signal = 0.2 * np.sin(2 * np.pi * np.outer(seconds, [58.0, 76.0]))
    signal[:, 1] *= np.sqrt(second_percent / (100.0 - second_percent))
    meter = LiveLowEnd({"part bass": (0,), "part keys": (1,)}, channels=2)
    meter.feed(signal)
    reading = meter.read()
    assert reading["share"][1] == pytest.approx(second_percent, rel=0.05)
    meter.study()
    assert [part.role for part in meter.found.parts] == roles


@pytest.mark.parametrize("frames", [1200, 2400])
def test_what_lies_on_two_sides_of_a_gap_is_never_read_as_one(frames: int) -> None:
    """A piece too short for a spectrum or a hop goes with the gap; joined on, its inverted lows would be a loss."""
    tones = np.sin(2 * np.pi * np.arange(4 * RATE_HZ) / RATE_HZ * 60.0)[:, None]
    meter = LiveLowEnd({"part pair": (0, 1)}, channels=2)
    meter.feed(0.5 * tones[:frames] * [1.0, -1.0])
    meter.skip(1.0)
    meter.feed(0.05 * tones * [1.0, 1.0])
    reading = meter.read()
    assert reading["part_mono_loss_bands"][0] == pytest.approx(0.0, abs=1e-3)
    assert reading["mono_loss"] == pytest.approx(0.0, abs=1e-3)


def test_a_part_on_the_right_only_is_all_of_a_sum_without_a_mix() -> None:
    """What a high-pass does to the part it then does to the sum of the parts, peak for peak and low for low."""
    notes = session()[: 8 * RATE_HZ, 3:4] * [0.0, 1.0]
    meter = LiveLowEnd({"part bass": (0, 1)}, channels=2, part="bass", slope="24", cutoff_hz=60.0)
    meter.feed(notes)
    meter.study()
    requested = meter.found.requested
    assert requested is not None
    offer = requested.offer
    assert offer.mix_true_peak_change_db == pytest.approx(offer.true_peak_change_db, abs=1e-3)
    assert offer.mix_low_band_change_db < -1.0


def test_a_band_that_hardly_sounds_is_not_the_worst_in_mono() -> None:
    """Inverted lows 30 dB under the rest: nobody misses them, so no band and no part is blamed."""
    seconds = np.arange(4 * RATE_HZ)[:, None] / RATE_HZ
    pair = 0.3 * np.sin(2 * np.pi * 75.0 * seconds) * [1.0, 1.0]
    pair += 0.3 * 10.0**-1.5 * np.sin(2 * np.pi * 30.0 * seconds) * [1.0, -1.0]
    meter = LiveLowEnd({"part pair": (0, 1)}, channels=2)
    meter.feed(pair)
    reading = meter.read()
    assert reading["mono_loss_bands"][0] == reading["mono_loss_bands"].min() < -5.0
    assert reading["mono_loss"] > -0.1
    meter.study()
    mono = meter.found.mono
    assert mono.worst_band_hz != (20.0, 40.0)
    assert mono.culprit == ""
    assert np.isnan(mono.loss_with_culprit_in_mono_db)

"""The live low end: planted truths found, the same at any block size, and nothing invented over gaps and silence."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.support.low_parts import cents
from tests.support.low_session import (
    BASS_HZ,
    BASS_LATE_SECONDS,
    CHANNELS,
    FEEDS,
    KEYS_HZ,
    KICK_HZ,
    KICK_QUALITY,
    NAMES,
    RUMBLE_DBFS,
    TEMPO_BPM,
    session,
)
from tests.support.processors import Processor, assert_same

RATE_HZ = 48_000
KICK, BASS, KEYS, GUITARS, VOICE = range(5)
SILENT, OWNER, OTHER, MINOR, CANCELS = range(5)
SLOPES = (6, 12, 18, 24)


def low_end(feeds: dict[str, tuple[int, ...]] = FEEDS, channels: int = CHANNELS, **settings: Any) -> Processor:
    return Processor("low_end", RATE_HZ, channels, feeds, **settings)


@pytest.fixture(scope="module")
def heard() -> Processor:
    meter = low_end(tempo_bpm=TEMPO_BPM)
    meter.feed(session())
    return meter


@pytest.fixture(scope="module")
def reading(heard: Processor) -> dict[str, Any]:
    return heard.read()


def test_shares_add_up_and_kick_and_bass_own_the_low_end(reading: dict[str, Any]) -> None:
    assert reading["share"].sum() == pytest.approx(100.0, abs=1e-6)
    assert reading["role"].tolist()[:2] == [OWNER, OWNER]
    assert reading["role"][VOICE] == SILENT
    assert reading["share"][KICK] + reading["share"][BASS] > 90.0
    np.testing.assert_allclose(reading["band_share"].reshape(5, 4).sum(axis=0), 100.0, atol=1e-6)


def test_the_mix_is_the_sum(reading: dict[str, Any]) -> None:
    assert reading["mix_bus_difference"] == pytest.approx(0.0, abs=1e-6)


def test_lowest_notes_and_the_rumble_under_the_keys(reading: dict[str, Any]) -> None:
    for part, hz in ((KICK, KICK_HZ), (BASS, min(BASS_HZ)), (KEYS, min(KEYS_HZ))):
        assert abs(cents(reading["floor"][part], hz)) < 20.0
    assert reading["floor_kind"][[KICK, BASS, KEYS]].tolist() == [2.0, 1.0, 1.0]
    assert np.isnan(reading["floor"][VOICE])
    assert reading["floor_kind"][VOICE] == 0.0
    assert reading["rumble_level"][KEYS] == pytest.approx(RUMBLE_DBFS + 3.01, abs=0.3)
    assert reading["spoken_of"] == KEYS


def test_prices_are_those_of_the_closed_form(reading: dict[str, Any]) -> None:
    """Butterworth: fc = f0 (10^0.05 - 1)^(1/2n) costs 0.5 dB at f0 (closed form)."""
    cutoffs = reading["cutoff"].reshape(5, 4)
    for number, slope in enumerate(SLOPES):
        order = slope // 6
        assert cutoffs[KEYS, number] == pytest.approx(
            reading["floor"][KEYS] * (10**0.05 - 1) ** (1 / (2 * order)), rel=1e-6
        )
    np.testing.assert_allclose(reading["cutoff_loss"].reshape(5, 4)[KEYS], 0.5, atol=1e-6)
    removed = reading["cutoff_removed"].reshape(5, 4)[KEYS]
    tone_removed = [
        100 * (1 - 1 / (1 + (hz / 35.0) ** (slope / 3))) for hz, slope in zip(cutoffs[KEYS], SLOPES, strict=True)
    ]
    np.testing.assert_allclose(removed, tone_removed, atol=2.0)


def test_high_passes_were_tried_on_captured_sound(reading: dict[str, Any]) -> None:
    for key in ("cutoff_peak", "cutoff_mix_peak", "cutoff_mix_lows"):
        assert np.isfinite(reading[key].reshape(5, 4)[[KICK, BASS, KEYS]]).all(), key
    lows = reading["cutoff_mix_lows"].reshape(5, 4)[KEYS]
    assert (lows < 0.05).all()


def test_the_kick_rings_as_long_as_a_resonance_does(reading: dict[str, Any]) -> None:
    """T60 = 2.19881 Q / f0 (closed form), a third of it to -20 dB."""
    assert reading["ring"][KICK] == pytest.approx(1000 * 2.19881 * KICK_QUALITY / KICK_HZ / 3, rel=0.05)
    assert reading["ring_hits"][KICK] >= 8
    assert np.isnan(reading["ring"][KEYS])
    assert reading["half_beat"] == pytest.approx(250.0)


def test_where_the_ring_is_refused_its_change_is_as_well(reading: dict[str, Any]) -> None:
    changes, rings = reading["cutoff_ring"].reshape(5, 4), reading["ring"]
    assert np.isfinite(changes[KICK]).all()
    assert np.isfinite(reading["cutoff_peak"].reshape(5, 4)[KEYS]).all()
    assert np.isnan(rings[[KEYS, GUITARS]]).all()
    assert np.isnan(changes[np.isnan(rings)]).all()


def test_kick_and_bass(reading: dict[str, Any]) -> None:
    assert (reading["pair_first"], reading["pair_second"]) == (KICK, BASS)
    assert reading["pair_gap"] == pytest.approx(1000 * BASS_LATE_SECONDS, abs=2.0)
    assert reading["pair_verdict"] in (1.0, 3.0)
    assert reading["lane_seconds"] == pytest.approx(2.0)
    assert reading["lane_first"].max() == pytest.approx(1.0) or reading["lane_second"].max() == pytest.approx(1.0)
    beats = reading["lane_first"].reshape(4, 24)
    assert (beats.argmax(axis=1) < 4).all()


def test_the_part_behind_a_loss_in_mono(reading: dict[str, Any]) -> None:
    assert reading["mono_worst"] == 4.0
    assert reading["culprit"] == GUITARS
    assert reading["loss_with_culprit_in_mono"] == pytest.approx(0.0, abs=0.05)
    assert reading["part_mono_loss"][GUITARS] == -np.inf or reading["part_mono_loss"][GUITARS] < -60.0
    np.testing.assert_array_equal(reading["part_mono_loss_bands"].reshape(5, 6)[KICK], 0.0)


@pytest.mark.parametrize("sizes", [[48_000], [479, 2, 1], [8193, 65]], ids=str)
def test_any_block_size(sizes: list[int]) -> None:
    signal = session()[: 7 * RATE_HZ]
    first, second = low_end(cutoff_hz=60.0), low_end(cutoff_hz=60.0)
    first.feed(signal, [480])
    second.feed(signal, sizes)
    assert_same(first.read(), second.read(), within=1e-6)


def test_a_cutoff_that_is_asked_for_is_tried_at_once() -> None:
    meter = low_end(part="bass", slope="24", cutoff_hz=60.0)
    meter.feed(session()[: 8 * RATE_HZ])
    first = meter.read()
    assert (first["spoken_of"], first["tried_cutoff"], first["tried_slope"]) == (BASS, 60.0, 24.0)
    assert first["tried_state"] == 2.0
    meter.configure(cutoff_hz=45.0, slope="12")
    asked = meter.read()
    assert (asked["tried_state"], asked["tried_cutoff"]) == (1.0, 45.0)
    floor = asked["floor"][BASS]
    assert asked["tried_loss"] == pytest.approx(10 * np.log10(1 + (45.0 / floor) ** 4), abs=1e-6)
    meter.feed(session()[8 * RATE_HZ : 10 * RATE_HZ])
    done = meter.read()
    assert done["tried_state"] == 2.0
    assert np.isfinite([done["tried_peak"], done["tried_mix_peak"], done["tried_mix_lows"]]).all()
    meter.configure(cutoff_hz=0.0)
    assert meter.read()["tried_state"] == 0.0


def test_a_part_that_is_not_there_leaves_the_choice_to_the_meter() -> None:
    meter = low_end(part="tuba")
    meter.feed(session()[: 7 * RATE_HZ])
    assert meter.read()["spoken_of"] in range(len(NAMES))


def test_marked_and_whole_sitting() -> None:
    meter = low_end(span="marked")
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
    meter = low_end()
    meter.feed(session()[: 4 * RATE_HZ])
    assert meter.read()["span_seconds"] == 10.0
    meter.configure(tempo_bpm=TEMPO_BPM)
    reading = meter.read()
    assert (reading["span_seconds"], reading["heard"]) == (16.0, 0.0)
    meter.configure(span="sitting")
    assert np.isfinite(meter.read()["share"]).all()


def test_when_the_music_stops_the_last_verdict_stays_with_its_age() -> None:
    meter = low_end()
    meter.feed(session()[: 14 * RATE_HZ])
    before = meter.read()
    meter.feed(np.zeros((15 * RATE_HZ, CHANNELS)))
    after = meter.read()
    assert after["age"] == pytest.approx(15.0, abs=1.0)
    np.testing.assert_allclose(after["share"], before["share"], atol=1.0)
    for key in ("floor", "ring", "cutoff"):
        assert np.isfinite(after[key]).sum() >= np.isfinite(before[key]).sum(), key
    meter.configure(part="bass", cutoff_hz=50.0)
    meter.feed(np.zeros((2 * RATE_HZ, CHANNELS)))
    assert meter.read()["tried_state"] == 2.0
    assert np.isfinite(meter.read()["tried_peak"])


def test_gaps_are_not_invented_over() -> None:
    meter = low_end()
    meter.feed(session()[: 5 * RATE_HZ + 777])
    meter.skip(0.5)
    meter.feed(session()[6 * RATE_HZ : 12 * RATE_HZ])
    reading = meter.read()
    assert reading["share"].sum() == pytest.approx(100.0, abs=1e-6)
    assert abs(cents(reading["floor"][BASS], min(BASS_HZ))) < 20.0
    meter.skip(36_000.0)
    assert meter.read()["age"] == pytest.approx(36_000.0, rel=0.01)
    meter.feed(session()[: 3 * RATE_HZ])
    assert meter.read()["age"] < 1.0


def test_reset_forgets_all_but_the_settings() -> None:
    meter = low_end(part="bass", cutoff_hz=50.0)
    fresh = meter.read()
    meter.feed(session()[: 8 * RATE_HZ])
    meter.meter.reset()
    assert_same(meter.read(), fresh)
    meter.feed(session()[: 8 * RATE_HZ])
    assert meter.read()["tried_state"] == 2.0


def test_silence_reads_not_yet() -> None:
    meter = low_end()
    meter.feed(np.zeros((12 * RATE_HZ, CHANNELS)))
    reading = meter.read()
    for key in ("share", "floor", "ring", "mix_bus_difference", "mono_loss", "spoken_of", "culprit", "pair_gap"):
        assert np.isnan(reading[key]).all(), key
    assert reading["role"].tolist() == [SILENT] * 5
    assert reading["heard"] == 0.0


def test_without_parts_nothing_is_measured() -> None:
    meter = low_end({"mix": (0, 1)}, channels=2)
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
    meter = low_end(feeds, channels=parts)
    meter.feed(signal)
    reading = meter.read()
    np.testing.assert_allclose(reading["share"], 100.0 / parts, atol=1e-6)
    assert np.isnan(reading["mix_bus_difference"])


def test_a_part_that_holds_kick_and_bass_is_no_pair() -> None:
    signal = session()[: 8 * RATE_HZ]
    meter = low_end({"part drums and bass": (0,), "part vox": (1,)}, channels=2)
    meter.feed(np.stack([signal[:, 2] + signal[:, 3], signal[:, 4]], axis=1))
    reading = meter.read()
    assert np.isnan([reading["pair_first"], reading["pair_second"], reading["pair_verdict"]]).all()
    assert reading["pair_doubt"] == 2.0


def test_two_parts_that_cancel_have_no_shares_and_break_nothing() -> None:
    bass = session()[: 6 * RATE_HZ, [3]]
    meter = low_end({"part bass": (0,), "part copy": (1,)}, channels=2)
    meter.feed(np.hstack([bass, -bass]))
    reading = meter.read()
    assert np.isnan(reading["share"]).all()
    assert np.isfinite(reading["floor"]).all()


def test_a_flipped_copy_is_named_with_the_part_it_takes_away() -> None:
    signal = session()[: 8 * RATE_HZ]
    kick, bass = signal[:, [2]], signal[:, [3]]
    meter = low_end({"part kick": (0,), "part bass": (1,), "part bass DI": (2,)}, channels=3)
    meter.feed(np.hstack([kick, bass, -bass]))
    reading = meter.read()
    assert (reading["cancel_first"], reading["cancel_second"]) == (1.0, 2.0)
    assert (reading["cancel_pairs"], reading["cancel_kind"], reading["cancel_sum_gain"]) == (1.0, 1.0, -np.inf)
    assert reading["cancel_flipped"] == pytest.approx(3.01, abs=0.01)
    assert reading["role"].tolist() == [OWNER, CANCELS, CANCELS]


def test_copies_and_swapped_channels_do_not_cancel() -> None:
    pad = 0.1 * np.random.default_rng(6).standard_normal((5 * RATE_HZ, 2))
    feeds = {"part one": (0, 1), "part two": (2, 3)}
    for other, kind in ((pad, 0.0), (pad[:, ::-1], 0.0), (-pad[:, ::-1], 2.0)):
        meter = low_end(feeds, channels=4)
        meter.feed(np.hstack([pad, other]))
        assert meter.read()["cancel_kind"] == kind


def test_a_part_that_takes_away_reads_below_zero() -> None:
    """x + y with y = -x / 2: shares 200 % and -100 % (closed form)."""
    bass = session()[: 6 * RATE_HZ, [3]]
    meter = low_end({"part bass": (0,), "part copy": (1,)}, channels=2)
    meter.feed(np.hstack([bass, -0.5 * bass]))
    reading = meter.read()
    np.testing.assert_allclose(reading["share"], [200.0, -100.0], atol=1e-6)
    assert reading["role"].tolist() == [OWNER, CANCELS]


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 11_025])
def test_other_rates(rate_hz: int) -> None:
    meter = Processor("low_end", rate_hz, 2, {"part kick": (0,), "part bass": (1,)})
    seconds = np.arange(5 * rate_hz) / rate_hz
    meter.feed(0.2 * np.sin(2 * np.pi * np.outer(seconds, [50.0, 70.0])), [rate_hz // 100])
    reading = meter.read()
    np.testing.assert_allclose(reading["share"], 50.0, atol=1.0)
    np.testing.assert_allclose(reading["floor"], [50.0, 70.0], rtol=0.01)


def test_a_mix_of_many_channels_is_not_compared() -> None:
    meter = low_end({"mix": (0, 1, 2), "part bass": (3,)}, channels=4)
    meter.feed(session()[: 3 * RATE_HZ, [0, 1, 2, 3]])
    reading = meter.read()
    assert np.isnan(reading["mix_bus_difference"])
    assert reading["share"][0] == pytest.approx(100.0)


def test_huge_values_leave_finite_shares() -> None:
    meter = low_end({"part bass": (0,), "part copy": (1,)}, channels=2)
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
    meter = low_end({"part bass": (0,), "part keys": (1,)}, channels=2)
    meter.feed(signal)
    reading = meter.read()
    assert reading["share"][1] == pytest.approx(second_percent, rel=0.05)
    assert reading["role"].tolist() == roles


@pytest.mark.parametrize("frames", [1200, 2400])
def test_what_lies_on_two_sides_of_a_gap_is_never_read_as_one(frames: int) -> None:
    """A piece too short for a spectrum or a hop goes with the gap; joined on, its inverted lows would be a loss."""
    tones = np.sin(2 * np.pi * np.arange(4 * RATE_HZ) / RATE_HZ * 60.0)[:, None]
    meter = low_end({"part pair": (0, 1)}, channels=2)
    meter.feed(0.5 * tones[:frames] * [1.0, -1.0])
    meter.skip(1.0)
    meter.feed(0.05 * tones * [1.0, 1.0])
    reading = meter.read()
    assert reading["part_mono_loss_bands"][0] == pytest.approx(0.0, abs=1e-3)
    assert reading["mono_loss"] == pytest.approx(0.0, abs=1e-3)


def test_a_part_on_the_right_only_is_all_of_a_sum_without_a_mix() -> None:
    """What a high-pass does to the part it then does to the sum of the parts, peak for peak and low for low."""
    notes = session()[: 8 * RATE_HZ, 3:4] * [0.0, 1.0]
    meter = low_end({"part bass": (0, 1)}, channels=2, part="bass", slope="24", cutoff_hz=60.0)
    meter.feed(notes)
    reading = meter.read()
    assert reading["tried_state"] == 2.0
    assert reading["tried_mix_peak"] == pytest.approx(reading["tried_peak"], abs=1e-3)
    assert reading["tried_mix_lows"] < -1.0


def test_a_band_that_hardly_sounds_is_not_the_worst_in_mono() -> None:
    """Inverted lows 30 dB under the rest: nobody misses them, so no band and no part is blamed."""
    seconds = np.arange(4 * RATE_HZ)[:, None] / RATE_HZ
    pair = 0.3 * np.sin(2 * np.pi * 75.0 * seconds) * [1.0, 1.0]
    pair += 0.3 * 10.0**-1.5 * np.sin(2 * np.pi * 30.0 * seconds) * [1.0, -1.0]
    meter = low_end({"part pair": (0, 1)}, channels=2)
    meter.feed(pair)
    reading = meter.read()
    assert reading["mono_loss_bands"][0] == reading["mono_loss_bands"].min() < -5.0
    assert reading["mono_worst"] != 1.0
    assert reading["mono_loss"] > -0.1
    assert np.isnan(reading["culprit"])
    assert np.isnan(reading["loss_with_culprit_in_mono"])

"""The ledger of invented parts with known shares, notes, rumble, prices, rings and pairs; and of odd material."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import soundfile

from meter.audio.source import SourceError
from meter.lowend import words
from meter.lowend.account import measure_low_end
from meter.lowend.findings import CANCELS, MINOR, OTHER, OWNER, SILENT, LowEndFindings
from meter.lowend.sources import LowEndError, from_array, from_file
from tests.support.low_parts import RATE_HZ, cents, held, place, repeated, resonator, tone

SECONDS = 12.5
FRAMES = round(SECONDS * RATE_HZ)
KICK = place(repeated(resonator(60, 15), 24, 0.5), SECONDS)
BASS = place([(0.105 + 0.5 * n, held((41.2, 55.0, 49.0, 61.7)[n // 6], 0.45)) for n in range(24)], SECONDS)
KEYS_CLEAN = place([(0.1 + 0.5 * n, held((131.0, 165.0, 196.0)[n % 3], 0.45, level=0.2)) for n in range(24)], SECONDS)
RUMBLE_DB = 20 * np.log10(np.sqrt((KEYS_CLEAN**2).mean())) - 12.0
KEYS = KEYS_CLEAN + tone(35.0, RUMBLE_DB, FRAMES)
PAD = 0.2 * tone(105.0, -20.0, FRAMES) * np.array([[1.0, -1.0]])
SONG = {"kick": KICK, "bass": BASS, "keys": KEYS, "pad": PAD}


def measure(parts: dict[str, np.ndarray], mix: np.ndarray | None = None, **options) -> LowEndFindings:
    sources = [from_array(name, samples, RATE_HZ) for name, samples in parts.items()]
    return measure_low_end(sources, None if mix is None else from_array("mix", mix, RATE_HZ), **options)


def stereo(part: np.ndarray) -> np.ndarray:
    return np.repeat(part, 2, axis=1) if part.shape[1] == 1 else part


@pytest.fixture(scope="module")
def song() -> LowEndFindings:
    return measure(SONG, sum(stereo(part) for part in SONG.values()), tempo_bpm=120.0)


def test_owners_and_shares(song: LowEndFindings) -> None:
    assert set(song.owners) == {"kick", "bass"}
    assert sum(part.share_percent for part in song.parts) == pytest.approx(100.0, abs=1e-9)
    for band in range(4):
        assert sum(part.share_by_band_percent[band] for part in song.parts) == pytest.approx(100.0, abs=1e-9)
    assert {part.role for part in song.parts} <= {OWNER, OTHER, MINOR, CANCELS}


def test_floors_and_notes(song: LowEndFindings) -> None:
    for name, floor, note in (("kick", 60.0, "B1"), ("bass", 41.2, "E1"), ("keys", 131.0, "C3")):
        part = song.part(name)
        assert abs(cents(part.floor_hz, floor)) < 20.0
        assert part.floor_note == note
        assert part.floor_cents == pytest.approx(
            cents(floor, 440.0) % 100 - (100 if cents(floor, 440.0) % 100 > 50 else 0), abs=20
        )
    assert song.part("kick").floor_kind == "drum"
    assert song.part("bass").floor_kind == "pitched"


def test_planted_rumble(song: LowEndFindings) -> None:
    keys = song.part("keys")
    assert keys.rumble_dbfs == pytest.approx(RUMBLE_DB + 3.01, abs=1.0)
    assert keys.rumble_db == pytest.approx(-10 * np.log10(1 + 10**1.2), abs=1.0)


def test_prices(song: LowEndFindings) -> None:
    """0.5 dB at every slope; the tone at 35 Hz loses what the closed form says."""
    keys = song.part("keys")
    assert [offer.slope_db_per_octave for offer in keys.high_pass] == [6, 12, 18, 24]
    for offer in keys.high_pass:
        order = offer.slope_db_per_octave // 6
        assert offer.loss_at_floor_db == pytest.approx(0.5, abs=0.001)
        taken = 100 * (1 - 1 / (1 + (offer.cutoff_hz / 35.0) ** (2 * order)))
        assert offer.rumble_removed_percent == pytest.approx(taken, abs=3.0)
        assert abs(offer.true_peak_change_db) < 6.0
        assert offer.mix_low_band_change_db < 0.05
    assert song.part("kick").high_pass[1].ring_change_ms == pytest.approx(0.0, abs=10.0)


def test_ring_and_overhang(song: LowEndFindings) -> None:
    kick = song.part("kick")
    assert kick.ring_ms == pytest.approx(1000 * 2.19881 * 15 / 60 / 3, rel=0.05)
    assert kick.ring_hits >= 8
    assert kick.ring_filter_floor_ms < kick.ring_ms
    assert kick.overhang_after_ms == pytest.approx(500.0, abs=10.0)
    assert song.half_beat_ms == 250.0
    assert math.isnan(song.part("keys").ring_ms)
    assert song.part("keys").why["ring_ms"]


def test_where_the_ring_is_refused_its_change_is_as_well(song: LowEndFindings) -> None:
    """Keys have hits enough for a figure, yet are neither a drum nor an owner."""
    for name in ("keys", "pad"):
        part = song.part(name)
        assert math.isnan(part.ring_ms)
        assert all(math.isnan(offer.ring_change_ms) for offer in part.high_pass)
    assert song.part("keys").why["ring_change_ms"]
    assert all(math.isfinite(offer.ring_change_ms) for offer in song.part("kick").high_pass)


def test_mono(song: LowEndFindings) -> None:
    assert song.part("pad").mono_loss_db < -60.0
    assert song.part("kick").mono_loss_db == 0.0
    assert song.part("kick").mono_loss_by_band_db == (0.0,) * 6
    loud = measure({"kick": KICK, "pad": 10 * PAD})
    assert loud.mono.loss_db < -1.0
    assert loud.mono.worst_band_hz == (90.0, 120.0)
    assert loud.mono.culprit == "pad"
    assert loud.mono.loss_with_culprit_in_mono_db == pytest.approx(0.0, abs=0.01)


def test_kick_and_bass(song: LowEndFindings) -> None:
    (pair,) = song.pairs
    assert (pair.first, pair.second) == ("kick", "bass")
    assert pair.gap_median_ms == pytest.approx(5.0, abs=2.0)
    assert pair.coincidences >= 20
    assert len(pair.third_octaves) == 7


def test_mix_bus(song: LowEndFindings) -> None:
    assert song.mix_bus_difference_db == pytest.approx(0.0, abs=1e-6)
    louder = 10 ** (2 / 20) * sum(stereo(part) for part in SONG.values())
    assert measure(SONG, louder).mix_bus_difference_db == pytest.approx(2.0, abs=1e-6)


def test_a_mix_that_is_late_and_turned_over_is_lined_up() -> None:
    late = np.roll(-sum(stereo(part) for part in SONG.values()), 480, axis=0)
    found = measure(SONG, late)
    assert "mix has the opposite polarity of the sum of the parts." in found.notes
    assert "mix is 10 ms late against the parts; that was allowed for." in found.notes
    straight = measure(SONG)
    for part in ("kick", "keys"):
        for one, other in zip(found.part(part).high_pass, straight.part(part).high_pass, strict=True):
            assert one.mix_low_band_change_db == pytest.approx(other.mix_low_band_change_db, abs=0.05)


def test_a_stranger_for_a_mix_is_said() -> None:
    found = measure({"kick": KICK, "bass": BASS}, np.random.default_rng(0).standard_normal((FRAMES, 2)) * 0.1)
    assert any("little in common" in note for note in found.notes)


def test_json_is_plain_and_complete(song: LowEndFindings) -> None:
    plain = json.loads(json.dumps(song.to_json(), allow_nan=False))
    assert {"owners", "others", "mix_bus_difference_db", "pairs", "parts"} <= plain.keys()
    keys = {
        "name",
        "share_percent",
        "share_by_band_percent",
        "floor_hz",
        "floor_note",
        "rumble_db",
        "high_pass",
        "mono_loss_db",
        "ring_ms",
    }
    offer = {
        "slope_db_per_octave",
        "cutoff_hz",
        "loss_at_floor_db",
        "delay_cycles",
        "rumble_removed_percent",
        "true_peak_change_db",
    }
    for part in plain["parts"]:
        assert keys <= part.keys()
        assert all(offer <= item.keys() for item in part["high_pass"])
    keys_part = next(part for part in plain["parts"] if part["name"] == "keys")
    assert keys_part["ring_ms"] is None
    assert keys_part["why"]["ring_ms"]


def test_a_cutoff_of_ones_own() -> None:
    """Common practice, no source: a snare near 200 Hz cut at 140 Hz, 12 dB per octave, loses 0.9 dB (closed form)."""
    snare = place(repeated(resonator(200, 20), 16, 0.5), 8.5)
    found = measure({"snare": snare}, cutoff_hz=140.0).part("snare")
    assert found.floor_hz == pytest.approx(200.0, rel=0.01)
    assert found.high_pass[1].cutoff_hz == 140.0
    assert found.high_pass[1].loss_at_floor_db == pytest.approx(0.935, abs=0.05)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_files_of_any_rate_give_the_same(tmp_path, rate_hz: int) -> None:
    parts = []
    for name, notes in (("kick", repeated(resonator(60, 15), 12, 0.5)), ("bass", repeated(held(55.0, 0.4), 12, 0.5))):
        soundfile.write(tmp_path / f"{name}.wav", place(notes, 6.5, rate_hz), rate_hz, subtype="FLOAT")
        parts.append(from_file(name, tmp_path / f"{name}.wav"))
    found = measure_low_end(parts)
    kick, bass = (place(repeated(sound, 12, 0.5), 6.5) for sound in (resonator(60, 15), held(55.0, 0.4)))
    reference = measure({"kick": kick, "bass": bass})
    for name in ("kick", "bass"):
        assert found.part(name).share_percent == pytest.approx(reference.part(name).share_percent, abs=0.5)
        assert abs(cents(found.part(name).floor_hz, reference.part(name).floor_hz)) < 5.0
    assert found.part("kick").ring_ms == pytest.approx(reference.part("kick").ring_ms, rel=0.02)
    assert found.pairs[0].sum_gain_db == pytest.approx(reference.pairs[0].sum_gain_db, abs=0.2)


def test_other_rates_are_refused_or_converted() -> None:
    odd = place(repeated(held(55.0, 0.4), 12, 0.5), 6.5, 44_100)
    parts = [
        from_array("kick", KICK[: round(6.5 * RATE_HZ)], RATE_HZ),
        from_array("keys", KEYS[: round(6.5 * RATE_HZ)], RATE_HZ),
        from_array("bass", odd, 44_100),
    ]
    with pytest.raises(LowEndError, match=r"“bass” runs at 44,100 Hz and the others at 48,000 Hz; .* --resample"):
        measure_low_end(parts)
    found = measure_low_end(parts, resample=True)
    assert "bass was converted from 44,100 to 48,000 Hz." in found.notes
    assert abs(cents(found.part("bass").floor_hz, 55.0)) < 5.0
    assert found.pairs[0].gap_median_ms == pytest.approx(0.0, abs=2.0)


def test_other_lengths_are_cut_to_the_shortest() -> None:
    found = measure({"kick": KICK, "bass": BASS[: 6 * RATE_HZ]})
    assert found.seconds == 6.0
    assert "kick is longer than bass; all were read up to 0:06.0, the end of the shortest." in found.notes


def test_a_silent_part() -> None:
    found = measure({"kick": KICK, "spare": np.zeros_like(KICK)})
    spare = found.part("spare")
    assert (spare.role, spare.share_percent, spare.high_pass) == (SILENT, 0.0, ())
    assert spare.why["floor_hz"] == "silent, or never above -60 dBFS"
    assert found.part("kick").share_percent == pytest.approx(100.0)
    json.dumps(found.to_json(), allow_nan=False)


def test_all_silent() -> None:
    found = measure({"a": np.zeros((FRAMES, 2)), "b": np.zeros((FRAMES, 1))}, np.zeros((FRAMES, 2)))
    assert found.owners == ()
    assert "Nothing below 120 Hz is loud enough to be judged." in found.notes
    assert found.to_json()["mix_bus_difference_db"] is None
    assert found.why["mix_bus_difference_db"] == "the parts have no lows"
    hollow = measure({"kick": KICK}, np.zeros((FRAMES, 2)))
    assert hollow.why["mix_bus_difference_db"] == "the mix has no lows"
    assert math.isnan(hollow.part("kick").rumble_against_mix_lows_db)


def test_one_part_only() -> None:
    found = measure({"kick": KICK})
    assert found.owners == ("kick",)
    assert "kick is the only part, so all of the low end is its own; add the others to compare." in found.notes
    assert found.pairs == ()


def test_twenty_identical_parts() -> None:
    found = measure({f"copy {number + 1}": KICK[: 3 * RATE_HZ] for number in range(20)})
    assert all(part.share_percent == pytest.approx(5.0) for part in found.parts)
    assert "copy 1, copy 2, copy 3 and 17 more are identical." in found.notes


def test_a_part_that_is_the_mix() -> None:
    parts = {"kick": KICK, "bass": BASS, "keys": KEYS}
    whole = sum(parts.values())
    assert any("all is the sum of all the other parts" in note for note in measure(parts | {"all": whole}).notes)
    said = measure({"kick": KICK, "print": whole}, whole).notes
    assert any("print has the same lows as the mix" in note for note in said)


def test_parts_that_cancel() -> None:
    found = measure({"di": BASS, "mic": -BASS})
    assert found.owners == ()
    assert any("cancel each other's lows" in note for note in found.notes)
    assert found.part("di").why["share_percent"]
    partly = measure({"di": BASS, "mic": -0.25 * BASS})
    assert partly.cancelling == ("mic",)
    assert partly.part("mic").role == CANCELS
    assert partly.part("mic").share_percent == pytest.approx(-33.333, abs=0.01)


def test_a_flipped_copy_is_warned_of_before_all_else() -> None:
    """The powers are equal and the shares of both next to nothing; together they are silent."""
    found = measure({"kick": KICK, "bass": BASS, "bass DI": -BASS})
    assert found.owners == ("kick",)
    assert set(found.cancelling) == {"bass", "bass DI"}
    assert words.verdicts(found)[0] == (
        "bass and bass DI cancel completely: same sound, opposite polarity; "
        "with one of them flipped, summing gain +3.0 dB."
    )
    assert not any("identical" in note for note in found.notes)
    plain = found.to_json()
    assert next(iter(plain)) == "cancelling_pairs"
    (pair,) = plain["cancelling_pairs"]
    assert (pair["first"], pair["second"], pair["kind"]) == ("bass", "bass DI", "opposite polarity")
    assert (pair["together_db"], pair["why"]) == (None, {"together_db": "cancels completely"})
    assert pair["flipped_db"] == pytest.approx(3.01, abs=0.01)
    json.dumps(plain, allow_nan=False)


def test_swapped_channels_are_not_called_identical() -> None:
    guitars = np.random.default_rng(4).standard_normal((FRAMES, 2)) * 0.05
    swapped = measure({"kick": KICK, "gtr 1": guitars, "gtr 2": guitars[:, ::-1]})
    assert "gtr 1 and gtr 2 are identical, but with left and right swapped." in swapped.notes
    assert swapped.cancelling_pairs == ()
    assert measure({"kick": KICK, "a": guitars, "b": guitars.copy()}).notes[-1] == "a and b are identical."
    both = measure({"kick": KICK, "gtr 1": guitars, "gtr 2": -guitars[:, ::-1]})
    assert words.verdicts(both)[0] == "gtr 1 and gtr 2 vanish in mono: left and right swapped, opposite polarity."
    assert not any("identical" in note for note in both.notes)


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1e38])
def test_samples_that_are_no_sound(bad: float) -> None:
    broken = BASS.copy()
    broken[RATE_HZ * 3] = bad
    found = measure({"kick": KICK, "bass": broken})
    assert any("1 samples of bass were not numbers" in note for note in found.notes)
    assert abs(cents(found.part("bass").floor_hz, 41.2)) < 20.0
    assert found.part("kick").ring_ms == pytest.approx(183.2, rel=0.05)
    json.dumps(found.to_json(), allow_nan=False)


def test_refusals() -> None:
    with pytest.raises(LowEndError, match="No part was given"):
        measure_low_end([])
    with pytest.raises(LowEndError, match="Two parts are named “kick”"):
        measure_low_end([from_array("kick", KICK, RATE_HZ)] * 2)
    with pytest.raises(LowEndError, match="has 6 channels"):
        measure({"surround": np.zeros((FRAMES, 6))})
    with pytest.raises(LowEndError, match="“kick” is shorter than a second"):
        measure({"kick": KICK[:1000], "bass": BASS})
    with pytest.raises(LowEndError, match="“kick” cannot be compared with itself"):
        measure({"kick": KICK, "bass": BASS}, pair_names=("kick", "kick"))
    with pytest.raises(LowEndError, match="There is no part “tuba”"):
        measure({"kick": KICK, "bass": BASS}, pair_names=("kick", "tuba"))
    with pytest.raises(LowEndError, match=r"give \(frames, channels\)"):
        from_array("cube", np.zeros((2, 2, 2)), RATE_HZ)


def test_a_missing_file_is_one_sentence(tmp_path) -> None:
    with pytest.raises(SourceError, match="There is no file"):
        from_file("kick", tmp_path / "kick.wav")


def test_pairs_by_wish_and_by_sound() -> None:
    found = measure({"a": KICK, "b": BASS}, pair_names=("b", "a")).pairs[0]
    assert (found.first, found.second) == ("b", "a")
    by_sound = measure({"one": BASS, "two": KICK}).pairs[0]
    assert (by_sound.first, by_sound.second) == ("two", "one")
    by_name = measure({"sub bass": BASS, "bass drum": KICK}).pairs[0]
    assert (by_name.first, by_name.second) == ("bass drum", "sub bass")


def test_a_part_that_holds_kick_and_bass_is_not_compared_with_itself() -> None:
    found = measure({"drums and bass": KICK + BASS, "vox": KEYS})
    assert found.pairs == ()
    assert found.why["pairs"] == "“drums and bass” holds kick and bass in one part"
    said = "No kick and bass are compared: “drums and bass” holds kick and bass in one part."
    assert said in words.verdicts(found)


def test_progress_counts_every_frame_once() -> None:
    told: list[int] = []
    measure({"kick": KICK}, progress=told.append)
    assert sum(told) == FRAMES

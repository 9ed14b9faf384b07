"""Real instruments: an invented score played by a General MIDI sound font, of which every note is known."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.high_pass import apply
from meter.lowend.account import measure_low_end
from meter.lowend.findings import LowEndFindings
from meter.lowend.sources import from_array
from tests.support import rendered
from tests.support.low_parts import cents, tone

pytestmark = pytest.mark.skipif(bool(rendered.missing()), reason=rendered.missing() or "all there")

LOWEST_BASS_HZ = rendered.note_hz(min(rendered.BASS_ROOTS))
LOWEST_CHORD_HZ = rendered.note_hz(min(note for chord in rendered.CHORDS for note in chord))


@pytest.fixture(scope="module")
def stems(tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    return rendered.render(tmp_path_factory.mktemp("score"))


def measure(stems: dict[str, np.ndarray]) -> LowEndFindings:
    parts = [from_array(name, samples, rendered.RATE_HZ) for name, samples in stems.items()]
    return measure_low_end(parts, from_array("mix", np.sum(list(stems.values()), axis=0), rendered.RATE_HZ))


@pytest.fixture(scope="module")
def account(stems: dict[str, np.ndarray]) -> LowEndFindings:
    return measure(stems)


def test_kick_and_bass_own_the_low_end(account: LowEndFindings) -> None:
    assert set(account.owners) == {"kick", "bass"}
    assert sum(part.share_percent for part in account.parts) == pytest.approx(100.0, abs=1e-6)


def test_the_bass_floor_is_the_lowest_note_of_the_score(account: LowEndFindings) -> None:
    bass = account.part("bass")
    assert abs(cents(bass.floor_hz, LOWEST_BASS_HZ)) < 50.0
    assert bass.floor_note == "E1"
    assert bass.floor_kind == "pitched"


@pytest.mark.parametrize("name", ["keys", "guitar"])
def test_chords_have_the_lowest_note_of_the_score(account: LowEndFindings, name: str) -> None:
    assert abs(cents(account.part(name).floor_hz, LOWEST_CHORD_HZ)) < 50.0


def test_drums_are_taken_for_drums(account: LowEndFindings) -> None:
    """Common practice, no source: kick fundamental 40 to 100 Hz, snare 120 to 250 Hz."""
    kick, snare = account.part("kick"), account.part("snare")
    assert (kick.floor_kind, snare.floor_kind) == ("drum", "drum")
    assert 35.0 < kick.floor_hz < 110.0
    assert 110.0 < snare.floor_hz < 270.0


def test_a_bass_guitar_has_its_power_below_100_hz(account: LowEndFindings) -> None:
    """Common practice, no source: below 100 Hz it holds more than snare, keys and guitar together."""
    others = sum(account.part(name).share_percent for name in ("snare", "keys", "guitar"))
    assert account.part("bass").share_percent > 2.0 * others


@pytest.mark.parametrize("under_db", [8.0, 20.0])
def test_planted_rumble_in_the_keys_is_found_within_1_db(stems: dict[str, np.ndarray], under_db: float) -> None:
    level_db = 10 * np.log10((stems["keys"] ** 2).mean()) - under_db
    planted = stems["keys"] + tone(35.0, level_db, len(stems["keys"]))
    found = measure(stems | {"keys": planted})
    keys = found.part("keys")
    assert keys.rumble_dbfs == pytest.approx(level_db + 3.01, abs=1.0)
    assert abs(cents(keys.floor_hz, LOWEST_CHORD_HZ)) < 50.0
    lows = found.part("bass")
    assert keys.rumble_against_mix_lows_db < 0.0 < lows.share_percent


def test_usual_high_passes_take_the_guitar_out_of_the_others(
    account: LowEndFindings, stems: dict[str, np.ndarray]
) -> None:
    """Common practice, no source: guitars and keys are cut somewhere between 100 and 150 Hz."""
    assert "guitar" in account.others
    cut = {name: apply(stems[name], rendered.RATE_HZ, 130.0, 3) for name in ("guitar", "keys")}
    assert not {"guitar", "keys"} & set(measure(stems | cut).others)


def test_written_simultaneous_notes_coincide(account: LowEndFindings) -> None:
    """The score puts kick and bass on the same beats; sampled attacks differ by some milliseconds."""
    (pair,) = account.pairs
    assert (pair.first, pair.second) == ("kick", "bass")
    assert pair.coincidences >= 16
    assert abs(pair.gap_median_ms) < 20.0


def test_parts_add_up_to_the_mix(account: LowEndFindings) -> None:
    assert account.mix_bus_difference_db == pytest.approx(0.0, abs=1e-3)
    assert account.mono.loss_db > -0.1

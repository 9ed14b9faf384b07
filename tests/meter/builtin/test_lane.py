"""The mix against references while it plays: the same account as the command, and what the card says meanwhile."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from PySide6.QtWidgets import QApplication, QPushButton
from pytestqt.qtbot import QtBot

from dsp.core.signals import pink_noise
from dsp.core.types import FloatArray
from meter.builtin.lane import study
from meter.builtin.lane.study import against
from meter.cli import main
from meter.lane.findings import FOUND, LISTENING, NO_REFERENCES, NOTHING, READING, LaneFindings
from meter.lane.library import ReferenceLibrary
from meter.plugin.face import Face
from meter.readings import Frame
from tests.support.faces import LAYOUTS, assert_text_fits, make, pixels_like
from tests.support.frames import AGAINST, frame
from tests.support.processors import Processor, random_sizes

RATE_HZ = 16_000


def noise(seed: int, seconds: float = 8.0, tilt_db: float = 0.0) -> FloatArray:
    """Pink noise, 1 to 1.41 kHz raised by ``tilt_db``."""
    sound = pink_noise(np.random.default_rng(seed), -20.0, seconds, RATE_HZ, 2)
    spectrum = np.fft.rfft(sound, axis=0)
    hz = np.fft.rfftfreq(len(sound), 1.0 / RATE_HZ)
    spectrum[(hz >= 1000.0) & (hz < 1412.5)] *= 10.0 ** (tilt_db / 20.0)
    return np.asarray(np.fft.irfft(spectrum, len(sound), axis=0))


@pytest.fixture(autouse=True)
def library(monkeypatch: pytest.MonkeyPatch) -> ReferenceLibrary:
    made = ReferenceLibrary(lambda: None)
    monkeypatch.setattr(study, "LIBRARY", made)
    return made


@pytest.fixture
def song(tmp_path: Path) -> Path:
    path = tmp_path / "song.wav"
    soundfile.write(path, noise(1), RATE_HZ, subtype="FLOAT")
    return path


class Lane(Processor):
    """Studies after each second of sound; ``found`` is the newest result."""

    def __init__(self, *references: object, **settings: object) -> None:
        chosen = {f"reference_{number}": str(text) for number, text in enumerate(references, start=1)}
        super().__init__("lane", RATE_HZ, **chosen, **settings)
        self.found = LaneFindings()

    def hear(self, sound: FloatArray, sizes: Sequence[int] = (8000,)) -> LaneFindings:
        for start in range(0, len(sound), RATE_HZ):
            self.feed(sound[start : start + RATE_HZ], sizes)
            self.look()
        return self.found

    def look(self) -> LaneFindings:
        self.found = against(self.meter.stretch("against"), self.manifest.settings(self._settings), self.found)
        msgspec.msgpack.decode(msgspec.msgpack.encode(self.found), type=LaneFindings)
        return self.found


def test_a_band_tilted_by_3_db_is_named_while_it_plays(song: Path) -> None:
    found = Lane(song).hear(noise(1, tilt_db=3.0))
    assert found.state == FOUND
    (only,) = found.outside
    assert (only.what, only.low_hz, only.high_hz) == ("tone", 1000.0, 1400.0)
    assert only.difference == pytest.approx(3.0, abs=0.2)


def test_live_gives_what_the_command_gives(
    song: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    mix = noise(3, tilt_db=4.0)
    soundfile.write(tmp_path / "mix.wav", mix, RATE_HZ, subtype="FLOAT")
    assert main(["lane", f"{tmp_path / 'mix.wav'}@0-8", "--reference", f"{song}@1-7", "--json"]) == 0
    offline = json.loads(capsys.readouterr().out)
    live = Lane(f"{song}@1-7").hear(mix.astype(np.float32).astype(np.float64), random_sizes(4)).to_json()
    for key in ("bands", "peak_to_loudness_lu", "lows_db", "references"):
        assert _close(live[key], offline[key]), key


def _close(one: object, other: object) -> bool:
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(_close(*pair) for pair in zip(one, other, strict=True))
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_close(one[key], other[key]) for key in one)
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, abs=1e-3)
    return one == other


def test_without_a_reference_nothing_is_measured(song: Path) -> None:
    meter = Lane()
    assert meter.hear(noise(1, 3.0)).state == NO_REFERENCES
    assert np.isnan(meter.read()["seconds"])
    assert len(meter.meter.stretch("against").rows) == 0
    meter.configure(reference_2=str(song))
    meter.hear(noise(1, 3.0))
    assert meter.read()["seconds"] == 3.0


def test_what_is_missing_is_told_until_it_is_there(song: Path, tmp_path: Path) -> None:
    gone = tmp_path / "gone.wav"
    meter = Lane(gone)
    meter.hear(noise(1, 6.0))
    assert meter.found.state == NOTHING
    assert "gone.wav" in meter.found.references[0].fault
    song.rename(gone)
    meter.look()
    assert meter.look().state == FOUND


def test_too_little_of_the_mix_and_a_reference_that_is_read(song: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert Lane(song).hear(noise(1, 2.0)).state == LISTENING
    monkeypatch.setattr("meter.lane.library.SECONDS_A_STEP", 1)
    study.LIBRARY = ReferenceLibrary(lambda: None)
    assert Lane(song).hear(noise(1, 1.0)).state == READING


def test_r_forgets_the_mix_and_keeps_the_references(song: Path) -> None:
    meter = Lane(song)
    meter.hear(noise(1))
    meter.meter.reset()
    assert meter.look().state == LISTENING
    assert meter.hear(noise(1)).state == FOUND


def test_silence_after_the_music_leaves_the_newest_phrase(song: Path) -> None:
    meter = Lane(song)
    before = meter.hear(noise(1, tilt_db=3.0))
    after = meter.hear(np.zeros((3 * RATE_HZ, 2)))
    assert after.state == FOUND
    assert after.bands[11].difference_db == pytest.approx(before.bands[11].difference_db, abs=0.3)


def test_of_the_newest_phrase_and_of_the_loud_part(song: Path) -> None:
    sound = np.concatenate([noise(1, 30.0, 6.0), 0.3 * noise(2, 32.0)])
    newest = Lane(song).hear(sound)
    assert newest.stretch == "newest 20 s"
    assert newest.bands[11].difference_db == pytest.approx(0.0, abs=0.5)
    (note,) = newest.notes  # 0.3 is 10.5 dB, and the band that is raised adds to the loud part
    assert "11 LU below the loud part" in note
    loud = Lane(song, of="loud part").hear(sound)
    assert loud.stretch == "loud part since R"
    assert loud.bands[11].difference_db == pytest.approx(6.0, abs=0.5)
    assert loud.notes == ()


def test_a_stretch_that_is_none_is_told_and_the_same_file_counts_once(song: Path) -> None:
    found = Lane(f"{song}@5-6", song, song).hear(noise(1))
    assert found.used == 1
    assert [reference.fault for reference in found.references if reference.fault] == [
        "The stretch 5-6 is too short; choose 5 s or more."
    ]


def test_a_mono_mix_and_more_than_two_channels(song: Path) -> None:
    mono = Processor("lane", RATE_HZ, 1, reference_1=str(song))
    mono.feed(noise(1)[:, :1], (8000,))
    settings = mono.manifest.settings({"reference_1": str(song)})
    against(mono.meter.stretch("against"), settings, None)
    found = against(mono.meter.stretch("against"), settings, None)
    assert "mono" in found.notes[0]
    wide = Processor("lane", RATE_HZ, 6, reference_1=str(song))
    wide.feed(np.concatenate([noise(1), noise(2), noise(3)], axis=1), (8000,))
    plain = Lane(song)
    plain.hear(noise(1))
    np.testing.assert_allclose(wide.meter.stretch("against").rows, plain.meter.stretch("against").rows, rtol=1e-6)


# The card


def shown(face: Face, found: LaneFindings, seconds: float = 100.0) -> Face:
    plan = LAYOUTS[2]
    made = frame(seconds, plan=plan)
    face.show_frame(Frame(plan, made.values, made.status, {"lane.against": found}))
    return face


def test_the_card_says_names_and_draws_what_is_outside(qtbot: QtBot) -> None:
    face = shown(make("lane", qtbot), AGAINST)
    assert face.labels["sentence"].text.startswith("Outside the lane of 3 references: ")
    assert "−3.4 dB" in face.value_text()
    assert "peak to loudness −0.6 LU (−1.4 to +0.9)" in face.value_text()
    picture = face.grab().toImage()
    assert pixels_like(picture, face.measured) > 200
    assert pixels_like(picture, face.theme.ink) > 60
    assert pixels_like(picture, face.theme.held) == 0


def test_what_a_lane_of_one_or_two_references_is_worth_is_said(qtbot: QtBot) -> None:
    face = make("lane", qtbot)
    for count, words in ((1, "no lane"), (2, "80 % of the gap")):
        few = msgspec.structs.replace(AGAINST, references=AGAINST.references[:count])
        assert words in shown(face, few, 100.0 + count).labels["note"].text


@pytest.mark.parametrize("size", [(200, 110), (216, 230), (345, 340), (420, 380), (900, 200)])
def test_text_fits_at_every_size_and_in_every_state(size: tuple[int, int], qtbot: QtBot) -> None:
    face = make("lane", qtbot, size)
    fault = msgspec.structs.replace(
        AGAINST.references[0], fault="There is no file '/a/long/path/to/a/song.wav'; check the name and the folder."
    )
    far = tuple(msgspec.structs.replace(band, difference_db=90.0) for band in AGAINST.bands)
    for number, found in enumerate(
        (
            AGAINST,
            LaneFindings(NO_REFERENCES),
            LaneFindings(READING, references=(msgspec.structs.replace(AGAINST.references[0], read=0.3),)),
            LaneFindings(NOTHING, references=(fault,)),
            msgspec.structs.replace(AGAINST, references=(fault, *AGAINST.references)),
            msgspec.structs.replace(AGAINST, bands=far),
        )
    ):
        shown(face, found, 100.0 + number)
        QApplication.processEvents()
        assert_text_fits(face)
        assert face.value_text()


def test_without_a_reference_the_card_asks_for_one_and_needs_no_room(qtbot: QtBot) -> None:
    face = shown(make("lane", qtbot), LaneFindings(NO_REFERENCES))
    assert not face.needs_room
    with qtbot.waitSignal(face.action_asked) as asked:
        (button,) = [each for each in face.controls if isinstance(each, QPushButton)]
        button.click()
    assert asked.args == ["references"]
    with qtbot.waitSignal(face.room_changed):
        face.show_settings({"reference_3": "song.wav"})
    assert face.needs_room


def test_what_is_named_changes_when_it_has_lasted(qtbot: QtBot) -> None:
    """Figures follow at once, other bands after three seconds."""
    face = make("lane", qtbot)
    shown(face, AGAINST, 100.0)
    said = face.labels["sentence"].text
    only = msgspec.structs.replace(AGAINST, outside=AGAINST.outside[1:])
    assert shown(face, only, 102.0).labels["sentence"].text == said
    shown(face, AGAINST, 103.0)
    assert shown(face, only, 104.0).labels["sentence"].text == said
    assert shown(face, only, 106.5).labels["sentence"].text == said
    assert "wider" in shown(face, only, 107.5).labels["sentence"].text
    assert "−3.4" not in face.labels["sentence"].text
    more = tuple(msgspec.structs.replace(each, difference=4.7) for each in only.outside)
    moved = shown(face, msgspec.structs.replace(only, outside=more), 108.0)
    assert "+4.7 dB" in moved.labels["sentence"].text

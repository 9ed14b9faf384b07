"""Folders that change or close while they are read, and headers that claim more than their file can hold."""

from __future__ import annotations

import json
import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import meter.audio.file
from dsp.core.signals import tone
from meter.audio.file import LEAST_BITS_PER_SECOND, open_blocks
from meter.cli import main
from meter.commands.measure import sound_files_in

RATE = 48_000
HOURS_25 = 25 * 3600


def sound(path: Path, seconds: float = 1.0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, tone(997.0, -20.0, seconds, RATE, 2), RATE)
    return path


def measured(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, list[str], str]:
    code = main(["measure", "--json", *map(str, words)])
    caught = capsys.readouterr()
    return code, [Path(json.loads(line)["file"]).name for line in caught.out.splitlines()], caught.err


def vanishing(monkeypatch: pytest.MonkeyPatch, gone: Path, error: type[OSError] = FileNotFoundError) -> None:
    """A folder that is there when its parent is listed and gone, or closed, when it is listed itself."""
    scan = os.scandir

    def scandir(path: Any = ".") -> Any:
        if Path(os.fsdecode(path)) == gone:
            raise error(2 if error is FileNotFoundError else 13, "gone or closed", str(gone))
        return scan(path)

    monkeypatch.setattr(os, "scandir", scandir)


def test_a_folder_that_goes_away_meanwhile_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sound(tmp_path / "a" / "kick.wav")
    sound(tmp_path / "b" / "bass.wav")
    vanishing(monkeypatch, tmp_path / "b")
    assert measured(capsys, tmp_path) == (0, ["kick.wav"], "")


def test_a_folder_that_is_closed_is_named_and_the_rest_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sound(tmp_path / "a" / "kick.wav")
    sound(tmp_path / "b" / "bass.wav")
    vanishing(monkeypatch, tmp_path / "b", PermissionError)
    code, found, said = measured(capsys, tmp_path)
    assert (code, found) == (1, ["kick.wav"])
    assert f"{tmp_path / 'b'} cannot be listed" in said


def test_a_file_that_goes_away_after_it_was_found_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sound(tmp_path / "kick.wav")
    (tmp_path / "gone.wav").symlink_to(tmp_path / "nowhere.wav")
    monkeypatch.setattr("meter.commands.measure.is_file", lambda _path: True)
    code, found, said = measured(capsys, tmp_path)
    assert (code, found) == (1, ["kick.wav"])
    assert said.count("\n") == 1
    assert "gone.wav" in said


def test_a_link_in_a_circle_is_not_followed(tmp_path: Path) -> None:
    kick = sound(tmp_path / "kick.wav")
    (tmp_path / "round").symlink_to(tmp_path)
    assert sound_files_in(tmp_path) == ([kick], [])


def test_the_stems_of_a_folder_that_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    vanishing(monkeypatch, tmp_path, PermissionError)
    assert main(["lowend", str(tmp_path)]) == 2
    assert "cannot be listed" in capsys.readouterr().err


def test_a_stem_that_goes_away_beside_a_mix_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    mix = sound(tmp_path / "master.wav")
    (tmp_path / "kick.wav").symlink_to(tmp_path / "nowhere.wav")
    monkeypatch.setattr("meter.commands.measure.is_file", lambda _path: True)
    assert main(["lowend", str(tmp_path), "--mix", str(mix)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "kick.wav" in said


class Endless:
    """An open sound file whose decoder gives silence without end, as one does that believes a false header."""

    format, samplerate, channels, frames, extra_info = "OGG", RATE, 2, HOURS_25 * RATE, ""
    name, subtype = "claims.opus", "OPUS"

    def read(self, out: np.ndarray) -> np.ndarray:
        out[:] = 0.0
        return out

    def close(self) -> None:
        """Nothing is open."""


def test_a_compressed_file_gives_no_more_than_its_size_can_hold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "claims.opus"
    path.write_bytes(bytes(12_000))
    monkeypatch.setattr(meter.audio.file, "_open_sound", lambda _path: Endless())
    most = 12_000 * 8 // LEAST_BITS_PER_SECOND["OGG"]
    with open_blocks(path) as reader:
        assert reader.frames == most * RATE
        assert sum(len(block) for block in reader) == most * RATE
        assert (
            f"claims 90,000 seconds, more than a compressed file of its size can hold; the first {most}"
            in reader.note
        )


def page_checksum(page: bytes) -> int:
    """RFC 3533 section 6: polynomial 0x04c11db7, from the highest bit, no initial value, no final exclusive or."""
    value = 0
    for byte in page:
        value ^= byte << 24
        for _ in range(8):
            value = ((value << 1) ^ (0x04C11DB7 if value & 0x80000000 else 0)) & 0xFFFFFFFF
    return value


def test_an_opus_file_that_claims_25_hours_is_measured_as_far_as_it_goes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """RFC 7845 section 4: the granule position of the last page says where the sound ends."""
    path = tmp_path / "claims.opus"
    soundfile.write(path, tone(997.0, -20.0, 1.0, RATE, 2), RATE, format="OGG", subtype="OPUS")
    data = bytearray(path.read_bytes())
    last = data.rfind(b"OggS")
    struct.pack_into("<q", data, last + 6, HOURS_25 * RATE)
    data[last + 22 : last + 26] = bytes(4)
    struct.pack_into("<I", data, last + 22, page_checksum(data[last:]))
    path.write_bytes(data)
    assert main(["measure", "--json", str(path)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["seconds"] == pytest.approx(1.0, abs=0.1)
    assert "claims.opus" in found["notes"][0]


@pytest.mark.parametrize(
    ("suffix", "subtype", "rate"),
    [("opus", "OPUS", 48_000), ("ogg", "VORBIS", 8_000), ("ogg", "VORBIS", 48_000), ("flac", "PCM_16", 8_000),
     ("flac", "PCM_24", 192_000), ("mp3", "MPEG_LAYER_III", 8_000), ("mp3", "MPEG_LAYER_III", 48_000)],
)  # fmt: skip
def test_silence_of_every_codec_is_read_whole(suffix: str, subtype: str, rate: int, tmp_path: Path) -> None:
    path = tmp_path / f"silence.{suffix}"
    kind = {"opus": "OGG", "ogg": "OGG", "flac": "FLAC", "mp3": "MP3"}[suffix]
    with soundfile.SoundFile(path, "w", rate, 1, subtype, format=kind) as file:
        for _ in range(60):  # in pieces: the library's Vorbis writer runs out of stack otherwise
            file.write(np.zeros((rate, 1)))
    with open_blocks(path) as reader:
        # MP3 rounds up to whole frames of up to 1,152 samples and begins with the encoder's delay.
        assert sum(len(block) for block in reader) == pytest.approx(60 * rate, abs=3 * 1152)
        assert reader.note == ""

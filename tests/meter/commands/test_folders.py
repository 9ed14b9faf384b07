"""Folders that change or close while they are read, and headers that claim more than their file can hold."""

from __future__ import annotations

import contextlib
import json
import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import meter.audio.file
import meter.commands.measure
import meter.measure
from dsp.core.signals import tone
from meter.audio.file import LEAST_BITS_PER_SECOND, open_blocks
from meter.cli import main
from meter.commands.measure import sound_files_in
from meter.commands.watched import measure_one

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
    monkeypatch.setattr("meter.commands.measure._is_readable", lambda _path, _unread: True)
    code, found, said = measured(capsys, tmp_path)
    assert (code, found) == (1, ["kick.wav"])
    assert said.count("\n") == 1
    assert "gone.wav" in said


def test_a_link_in_a_circle_is_not_followed(tmp_path: Path) -> None:
    kick = sound(tmp_path / "kick.wav")
    (tmp_path / "round").symlink_to(tmp_path)
    assert sound_files_in(tmp_path) == ([kick], [])


@contextlib.contextmanager
def deep_folder(folder: Path, levels: int) -> Iterator[None]:
    """A folder in a folder, and so on; by handles, since the whole path may be too long for the system."""
    folder.mkdir()
    handles = [os.open(folder, os.O_RDONLY)]
    for _ in range(levels):
        os.mkdir("d", dir_fd=handles[-1])
        handles.append(os.open("d", os.O_RDONLY, dir_fd=handles[-1]))
        if len(handles) > 2:
            os.close(handles.pop(0))
    try:
        yield
    finally:  # from within: the usual ways to remove it go down by recursion
        place = handles[-1]
        for _ in range(levels):
            place, below = os.open("..", os.O_RDONLY, dir_fd=place), place
            os.rmdir("d", dir_fd=place)
            os.close(below)
        os.close(place)
        os.close(handles[0])


@pytest.mark.parametrize("levels", [1200, 2500], ids=["many levels", "a path longer than the system takes"])
def test_a_folder_of_many_levels_is_read_as_far_as_the_system_allows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], levels: int
) -> None:
    sound(tmp_path / "kick.wav")
    with deep_folder(tmp_path / "deep", levels):
        code, found, said = measured(capsys, tmp_path)
    assert found == ["kick.wav"]
    assert (code, said.count("\n")) == ((0, 0) if levels == 1200 else (1, 1))
    assert "Traceback" not in said


def test_links_in_a_circle_are_not_followed_and_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sound(tmp_path / "kick.wav")
    (tmp_path / "up").symlink_to(tmp_path)
    (tmp_path / "one.wav").symlink_to(tmp_path / "two.wav")
    (tmp_path / "two.wav").symlink_to(tmp_path / "one.wav")
    code, found, said = measured(capsys, tmp_path)
    assert (code, found) == (1, ["kick.wav"])
    assert said.count("\n") == 2
    assert "one.wav" in said
    assert "two.wav" in said


def test_sound_files_that_are_none_are_named_and_the_rest_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound(tmp_path / "kick.wav")
    (tmp_path / "away.wav").symlink_to("/media/unplugged/away.wav")
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "folder.wav").mkdir()
    (tmp_path / "empty.wav").touch()
    code, found, said = measured(capsys, tmp_path)
    assert (code, found) == (1, ["kick.wav"])
    for words in ("away.wav is a link to a file that is not there", "pipe.wav is not an ordinary file", "empty.wav"):
        assert words in said
    assert said.count("\n") == 3


def test_a_file_that_is_replaced_or_cut_while_the_folder_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first file that is opened changes the others: one is gone, one is text, one is a folder, one is cut."""
    for name in ("a", "gone", "text", "folder", "cut", "kick"):
        sound(tmp_path / f"{name}.wav")
    open_first = meter.measure.open_blocks

    def open_and_change(path: Path, *more: Any) -> Any:
        reader = open_first(path, *more)
        if path.name == "a.wav":
            (tmp_path / "gone.wav").unlink()
            (tmp_path / "text.wav").write_text("no sound")
            (tmp_path / "folder.wav").unlink()
            (tmp_path / "folder.wav").mkdir()
            os.truncate(tmp_path / "cut.wav", 100_000)
        return reader

    monkeypatch.setattr(meter.measure, "open_blocks", open_and_change)
    monkeypatch.setattr(meter.commands.measure, "_measure_all", measured_here)
    code, found, said = measured(capsys, tmp_path)
    assert code == 1
    assert sorted(found) == ["a.wav", "cut.wav", "kick.wav"]
    assert said.count("\n") == 3
    for name in ("gone.wav", "text.wav", "folder.wav"):
        assert name in said


def measured_here(paths: Any, plugins: Any, _jobs: int, _report: Any) -> Any:
    """Outcomes in this process, one after the other, so that a test can change what comes later."""
    yield from (measure_one(path, plugins) for path in paths)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="no /proc here")
@pytest.mark.parametrize("folder", ["/proc/self", "/proc/self/fd", "/sys/class"])
def test_folders_of_the_system_hold_no_sound_and_do_not_hang(capsys: pytest.CaptureFixture[str], folder: str) -> None:
    assert main(["measure", "--json", folder]) == 2
    said = capsys.readouterr().err
    assert f"There is no sound file in the folder {folder}" in said
    assert "Traceback" not in said


@pytest.mark.skipif(not Path("/proc/self/pagemap").exists(), reason="no /proc here")
@pytest.mark.parametrize("name", ["kmsg", "self/pagemap", "self/mem", "self/environ"])
def test_files_of_the_system_are_not_waited_for(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """Each claims 0 bytes; the first makes a reader wait until the kernel says something."""
    assert main(["measure", "--json", f"/proc/{name}"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "is empty (0 bytes)" in said


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
    monkeypatch.setattr("meter.commands.measure._is_readable", lambda _path, _unread: True)
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

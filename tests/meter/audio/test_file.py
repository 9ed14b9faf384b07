"""Files of every format, whole and broken, as blocks and as a source."""

from __future__ import annotations

import os
import struct
import time
import tracemalloc
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from meter.audio.file import FileSource, open_blocks
from meter.audio.ring_buffer import make_ring
from meter.audio.source import SourceError, SourceRequest

RATE_HZ = 48_000
EXACT = [("WAV", "PCM_24"), ("RF64", "FLOAT"), ("AIFF", "PCM_16"), ("FLAC", "PCM_24"), ("WAV", "DOUBLE")]
LOSSY = [("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III")]


def noise(frames: int, channels: int = 2) -> np.ndarray:
    return np.random.default_rng(11).uniform(-0.5, 0.5, size=(frames, channels))


def sound_file(
    folder: Path, kind: str = "WAV", subtype: str = "PCM_16", frames: int = RATE_HZ, channels: int = 2
) -> Path:
    path = folder / f"take.{kind.lower()}"
    soundfile.write(path, noise(frames, channels), RATE_HZ, format=kind, subtype=subtype)
    return path


def cut(path: Path, share: float) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    return path


@pytest.mark.parametrize(("kind", "subtype"), EXACT)
@pytest.mark.parametrize("frames", [1, 1000, 65_536])
def test_blocks_of_any_size_join_up_to_the_whole_file(tmp_path: Path, kind: str, subtype: str, frames: int) -> None:
    path = sound_file(tmp_path, kind, subtype, frames=5000)
    whole = soundfile.read(path, always_2d=True)[0]
    with open_blocks(path, frames) as reader:
        assert (reader.rate_hz, reader.channels, reader.frames) == (RATE_HZ, 2, 5000)
        joined = np.concatenate(list(reader))
        assert reader.note == ""
    assert joined.dtype == np.float64
    np.testing.assert_array_equal(joined, whole)
    step = 2.0**-15 if subtype == "PCM_16" else 2.0**-23
    assert np.abs(joined - noise(5000)).max() <= step


def decoded_elsewhere(path: Path) -> np.ndarray:
    """The file through FFmpeg's decoders (PyAV), ``(frames, channels)``."""
    with av.open(str(path)) as container:
        return np.concatenate([frame.to_ndarray().T for frame in container.decode(audio=0)])


@pytest.mark.parametrize("frames", [700, 4096, 65_536])
def test_mp3_blocks_are_what_another_decoder_gives(tmp_path: Path, frames: int) -> None:
    path = sound_file(tmp_path, "MP3", "MPEG_LAYER_III")
    with open_blocks(path, frames) as reader:
        joined = np.concatenate(list(reader))
    other = decoded_elsewhere(path)
    assert len(joined) == len(other)
    np.testing.assert_allclose(joined, other, atol=2e-4)


@pytest.mark.parametrize(("kind", "subtype"), LOSSY)
def test_lossy_files_keep_length_and_level(tmp_path: Path, kind: str, subtype: str) -> None:
    frames = 2 * RATE_HZ
    tone = 0.25 * np.sin(2 * np.pi * 1000 * np.arange(frames) / RATE_HZ)
    path = tmp_path / f"tone.{kind.lower()}"
    soundfile.write(path, tone, RATE_HZ, format=kind, subtype=subtype)
    with open_blocks(path, dtype="float32") as reader:
        joined = np.concatenate(list(reader))
    assert joined.dtype == np.float32
    assert joined.shape == (frames, 1)
    middle = joined[RATE_HZ // 2 : -RATE_HZ // 2].astype(np.float64)
    level_db = 10 * np.log10(np.mean(middle**2))
    assert level_db == pytest.approx(10 * np.log10(0.25**2 / 2), abs=0.1)


def test_thirty_two_channels_are_the_most(tmp_path: Path) -> None:
    with open_blocks(sound_file(tmp_path, channels=32, frames=10)) as reader:
        assert next(iter(reader)).shape == (10, 32)
    with pytest.raises(SourceError, match="33 channels; 1 to 32"):
        open_blocks(sound_file(tmp_path, channels=33, frames=10))


def rewrite_header(path: Path, offset: int, form: str, value: int) -> Path:
    data = bytearray(path.read_bytes())
    struct.pack_into(form, data, offset, value)
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("rate_hz", [999, 768_001])
def test_rates_no_meter_can_be_built_for_are_refused(tmp_path: Path, rate_hz: int) -> None:
    with pytest.raises(SourceError, match=f"{rate_hz} Hz; 1,000 to 768,000"):
        open_blocks(rewrite_header(sound_file(tmp_path), 24, "<I", rate_hz))


@pytest.mark.parametrize("rate_hz", [1000, 11_025, 768_000])
def test_odd_rates_are_read(tmp_path: Path, rate_hz: int) -> None:
    with open_blocks(rewrite_header(sound_file(tmp_path), 24, "<I", rate_hz)) as reader:
        assert reader.rate_hz == rate_hz


def broken_files(folder: Path) -> dict[str, tuple[Path, str]]:
    """Paths that hold nothing to measure, and a word of what is said about each."""
    empty = folder / "empty.wav"
    empty.touch()
    text = folder / "letter.wav"
    text.write_text("Dear engineer, this is no sound.\n" * 50)
    silent = folder / "none.wav"
    soundfile.write(silent, np.zeros((0, 2)), RATE_HZ)
    pipe = folder / "pipe.wav"
    os.mkfifo(pipe)
    return {
        "folder": (folder, "is a folder"),
        "missing": (folder / "away.wav", "There is no file"),
        "empty": (empty, "is empty"),
        "text": (text, "not a sound file"),
        "no frames": (silent, "holds no sound"),
        "no channels": (rewrite_header(sound_file(folder), 22, "<H", 0), "not a sound file"),
        "pipe": (pipe, "not an ordinary file"),
    }


@pytest.mark.parametrize("case", ["folder", "missing", "empty", "text", "no frames", "no channels", "pipe"])
def test_what_cannot_be_read_is_one_sentence_naming_it_and_the_mend(tmp_path: Path, case: str) -> None:
    path, words = broken_files(tmp_path)[case]
    with pytest.raises(SourceError, match=words) as caught:
        open_blocks(path)
    sentence = str(caught.value)
    assert path.name in sentence
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert ";" in sentence  # the fix follows


def test_a_file_without_permission_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = sound_file(tmp_path)

    def refuse(*_: object, **__: object) -> None:  # as root, file modes refuse nothing
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(SourceError, match=r"cannot be read \(Permission denied\); check its permissions"):
        open_blocks(path)


@pytest.mark.parametrize(("kind", "subtype"), [("WAV", "PCM_24"), ("RF64", "PCM_24"), ("AIFF", "PCM_16")])
def test_a_cut_file_is_read_as_far_as_it_goes_and_says_so_at_once(tmp_path: Path, kind: str, subtype: str) -> None:
    with open_blocks(cut(sound_file(tmp_path, kind, subtype), 0.5)) as reader:
        assert "shorter than its header says" in reader.note
        frames = sum(len(block) for block in reader)
    assert 0.49 * RATE_HZ < frames <= 0.5 * RATE_HZ


@pytest.mark.parametrize("block_frames", [1024, 65_536])
@pytest.mark.parametrize(("kind", "subtype"), [("FLAC", "PCM_24"), ("MP3", "MPEG_LAYER_III"), ("OGG", "VORBIS")])
def test_a_cut_coded_file_says_so_after_the_last_block(
    tmp_path: Path, kind: str, subtype: str, block_frames: int
) -> None:
    with open_blocks(cut(sound_file(tmp_path, kind, subtype), 0.5), block_frames) as reader:
        frames = sum(len(block) for block in reader)
        note = reader.note
    assert 0.2 * RATE_HZ < frames < 0.6 * RATE_HZ
    assert "breaks off after" in note or "shorter than its header says" in note


@pytest.mark.parametrize("length", [0xFFFFFFFF, 0x7FFFFFFF])
def test_a_streamed_header_without_a_length_is_no_damage(tmp_path: Path, length: int) -> None:
    path = rewrite_header(sound_file(tmp_path, frames=1000), 40, "<I", length)
    with open_blocks(rewrite_header(path, 4, "<I", length)) as reader:
        assert sum(len(block) for block in reader) == 1000
        assert reader.note == ""


def test_reading_needs_memory_for_one_block_only(tmp_path: Path) -> None:
    path = sound_file(tmp_path, frames=20 * RATE_HZ)
    tracemalloc.start()
    try:
        with open_blocks(path, 4096) as reader:
            assert sum(len(block) for block in reader) == 20 * RATE_HZ
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 1_000_000  # the whole file would be 15 MB


def test_special_values_of_float_files_come_through_untouched(tmp_path: Path) -> None:
    path = tmp_path / "wild.wav"
    wild = np.array([[np.nan], [np.inf], [1e38], [-0.0], [1e-40]], dtype=np.float32)
    soundfile.write(path, wild, RATE_HZ, subtype="FLOAT")
    with open_blocks(path, dtype="float32") as reader:
        np.testing.assert_array_equal(reader.read(), wild)


def collect(source: FileSource, seconds: float = 1.0, limit: int | None = None) -> np.ndarray:
    """Open, play into a ring of ``seconds`` and give what came, until the end or ``limit`` frames."""
    info = source.open()
    producer, consumer = make_ring(max(1, int(seconds * info.rate_hz)), info.channels)
    source.start(producer)
    blocks, total = [], 0
    deadline = time.monotonic() + 20
    while (not source.ended() or consumer.available) and (limit is None or total < limit):
        assert time.monotonic() < deadline, "the source hangs"
        blocks.append(consumer.read(4096))
        total += len(blocks[-1])
        if not len(blocks[-1]):
            time.sleep(0.001)
    assert consumer.lost == 0
    return np.concatenate(blocks)


@pytest.mark.parametrize("ring_seconds", [1.0, 0.001])
def test_a_fast_source_gives_every_frame_through_any_ring(tmp_path: Path, ring_seconds: float) -> None:
    path = sound_file(tmp_path, subtype="FLOAT", frames=30_000)
    source = FileSource(SourceRequest("file", str(path), {"fast": True}))
    np.testing.assert_array_equal(collect(source, ring_seconds), noise(30_000).astype(np.float32))
    assert source.ended()
    assert source.fault() == ""
    assert source.statistics()["frames"] == 30_000
    source.stop()
    source.stop()


def test_a_source_in_real_time_never_runs_ahead_of_the_clock(tmp_path: Path) -> None:
    path = sound_file(tmp_path, frames=RATE_HZ // 4)
    source = FileSource(SourceRequest("file", str(path)))
    began = time.monotonic()
    assert len(collect(source)) == RATE_HZ // 4
    assert time.monotonic() - began >= 0.25
    source.stop()


def test_a_loop_starts_over_without_a_seam(tmp_path: Path) -> None:
    path = sound_file(tmp_path, subtype="FLOAT", frames=1000)
    source = FileSource(SourceRequest("file", str(path), {"loop": True, "fast": True}))
    out = collect(source, limit=3500)
    np.testing.assert_array_equal(out[:3000], np.tile(noise(1000).astype(np.float32), (3, 1)))
    assert not source.ended()
    assert source.statistics()["rounds"] >= 3
    source.stop()
    assert source.ended()


def test_a_source_opens_again_from_the_start(tmp_path: Path) -> None:
    path = sound_file(tmp_path, subtype="FLOAT", frames=2000)
    source = FileSource(SourceRequest("file", str(path), {"fast": True}))
    np.testing.assert_array_equal(collect(source), collect(source))
    source.stop()


def test_a_source_that_breaks_off_ends_with_a_note(tmp_path: Path) -> None:
    source = FileSource(SourceRequest("file", str(cut(sound_file(tmp_path), 0.5)), {"fast": True}))
    assert len(collect(source)) > 0
    assert "shorter than its header says" in source.note
    assert source.fault() == ""
    assert source.open().note == source.note
    source.stop()


def test_an_empty_file_that_claims_sound_does_not_loop_for_ever(tmp_path: Path) -> None:
    path = cut(sound_file(tmp_path, "FLAC", "PCM_24"), 0.02)
    source = FileSource(SourceRequest("file", str(path), {"loop": True, "fast": True}))
    info = source.open()
    producer, consumer = make_ring(info.rate_hz, info.channels)
    source.start(producer)
    deadline = time.monotonic() + 5
    while not source.ended() and time.monotonic() < deadline:
        time.sleep(0.001)
    assert source.ended()
    assert consumer.available == 0
    assert "breaks off after 0.00" in source.note
    source.stop()

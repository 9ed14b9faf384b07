"""Reference files: read, kept in the cache, and read again when they change; a cache by others cannot do harm."""

from __future__ import annotations

import os
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile

from dsp.core.signals import pink_noise
from dsp.core.types import FloatArray
from dsp.reference.sections import COLUMNS, SectionStream
from meter.audio.source import SourceError
from meter.lane import analysis
from meter.lane.analysis import SUFFIX, analysed, analysis_steps
from meter.lane.library import ReferenceLibrary
from meter.reference_files import ReferenceFile

RATE_HZ = 16_000


def noise(seconds: float = 8.0, seed: int = 1, channels: int = 2) -> FloatArray:
    return pink_noise(np.random.default_rng(seed), -20.0, seconds, RATE_HZ, channels)


@pytest.fixture
def song(tmp_path: Path) -> Path:
    path = tmp_path / "song.wav"
    soundfile.write(path, noise(), RATE_HZ, subtype="FLOAT")
    return path


@pytest.fixture
def cache(tmp_path: Path) -> Path:
    return tmp_path / "cache"


def kept(cache: Path) -> list[Path]:
    return sorted(cache.glob(f"*{SUFFIX}"))


def test_a_file_reads_as_its_sound_does(song: Path) -> None:
    found = analysed(song, None)
    expected = np.array(SectionStream(RATE_HZ, 2).process(noise()))
    assert found.seconds == 8.0
    assert found.sections.stereo
    np.testing.assert_allclose(found.sections.rows, expected, rtol=1e-4, atol=1e-12)


def test_the_second_reading_comes_from_the_cache_and_is_the_same(
    song: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = analysed(song, cache)
    monkeypatch.setattr(analysis, "_read", lambda _reader: pytest.fail("it was read again"))
    second = analysed(song, cache)
    np.testing.assert_array_equal(second.sections.rows, first.sections.rows)
    moved = song.rename(song.with_name("moved.wav"))
    np.testing.assert_array_equal(analysed(moved, cache).sections.rows, first.sections.rows)


def test_a_changed_file_is_read_again(song: Path, cache: Path) -> None:
    first = analysed(song, cache)
    soundfile.write(song, 0.5 * noise(), RATE_HZ, subtype="FLOAT")
    os.utime(song, (1, 1))
    assert analysed(song, cache).sections.rows[0, 0] == pytest.approx(0.25 * first.sections.rows[0, 0], rel=1e-4)
    assert len(kept(cache)) == 2


def test_another_version_is_another_analysis(song: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    analysed(song, cache)
    monkeypatch.setattr(analysis, "VERSION", analysis.VERSION + 1)
    analysed(song, cache)
    assert len(kept(cache)) == 2


def _stored(**changes: object) -> bytes:
    rows = np.ones((8, COLUMNS), dtype="<f4")
    plain = {"version": analysis.VERSION, "rate_hz": RATE_HZ, "stereo": True, "row_seconds": 1.0, "seconds": 8.0,
             "notes": (), "rows": rows.tobytes()}  # fmt: skip
    return msgspec.msgpack.encode({**plain, **changes})


HOSTILE = {
    "empty": b"",
    "text": b"\x80\x04cos\nsystem\n(S'echo'\ntR.",
    "huge": b"\0" * (analysis.MOST_FILE_BYTES + 1),
    "other fields": _stored(more=1),
    "cut rows": _stored(rows=b"\0" * 1001),
    "not a number": _stored(rows=np.full((8, COLUMNS), np.nan, dtype="<f4").tobytes()),
    "infinite": _stored(rows=np.full((8, COLUMNS), np.inf, dtype="<f4").tobytes()),
    "negative": _stored(rows=np.full((8, COLUMNS), -1.0, dtype="<f4").tobytes()),
    "more rows than sound": _stored(rows=np.ones((900, COLUMNS), dtype="<f4").tobytes()),
    "rate 0": _stored(rate_hz=0),
    "rate too high": _stored(rate_hz=10**12),
    "seconds are no number": _stored(seconds=float("nan")),
    "row length": _stored(row_seconds=1e-9),
    "escape sequence": _stored(notes=("\x1b[2J",)),
    "deep": b"\x91" * 200_000,
    "other version": _stored(version=0),
}


def test_what_the_checks_let_through_is_a_whole_analysis(cache: Path) -> None:
    cache.mkdir()
    (cache / f"x{SUFFIX}").write_bytes(_stored())
    found = analysis.read_cached(cache / f"x{SUFFIX}")
    assert found is not None
    assert found.sections.rows.shape == (8, COLUMNS)


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_hostile_cache_file_is_not_used_and_replaced(kind: str, song: Path, cache: Path) -> None:
    fresh = analysed(song, cache)
    (place,) = kept(cache)
    place.write_bytes(HOSTILE[kind])
    assert analysis.read_cached(place) is None
    np.testing.assert_array_equal(analysed(song, cache).sections.rows, fresh.sections.rows)
    assert analysis.read_cached(place) is not None


@pytest.mark.parametrize("kind", ["folder", "pipe", "link to itself"])
def test_what_is_no_file_in_the_cache_is_left_alone(kind: str, song: Path, cache: Path) -> None:
    fresh = analysed(song, cache)
    (place,) = kept(cache)
    place.unlink()
    if kind == "folder":
        place.mkdir()
    elif kind == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to(place)
    np.testing.assert_array_equal(analysed(song, cache).sections.rows, fresh.sections.rows)


def test_a_cache_that_cannot_be_written_costs_only_time(song: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_bytes(b"")
    np.testing.assert_array_equal(
        analysed(song, tmp_path / "taken" / "below").sections.rows, analysed(song, None).sections.rows
    )


def test_the_least_recently_used_analyses_are_dropped(
    song: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(analysis, "MOST_CACHED", 2)
    cache.mkdir()
    for number in range(4):
        (cache / f"{number}{SUFFIX}").write_bytes(_stored())
        os.utime(cache / f"{number}{SUFFIX}", (number, number))
    analysed(song, cache)
    assert len(kept(cache)) == 2
    assert (cache / f"3{SUFFIX}").exists()


def test_invalid_samples_count_as_silence_and_are_told(tmp_path: Path) -> None:
    sound = noise()
    sound[RATE_HZ : RATE_HZ + 7, 0] = np.nan
    sound[RATE_HZ + 9, 1] = 1e30
    soundfile.write(tmp_path / "bad.wav", sound, RATE_HZ, subtype="DOUBLE")
    found = analysed(tmp_path / "bad.wav", None)
    assert found.notes == ("8 samples of 'bad.wav' are invalid and count as silence.",)
    assert np.isfinite(found.sections.rows).all()


def test_only_the_first_minutes_of_a_long_file_are_analysed(song: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis, "MOST_SECONDS", 4.0)
    found = analysed(song, None)
    assert len(found.sections.rows) <= 6
    assert "first" in found.notes[0]


def test_of_many_channels_left_and_right_are_compared(tmp_path: Path) -> None:
    sound = np.concatenate([noise(channels=2), 3.0 * noise(seed=2, channels=2)], axis=1)
    soundfile.write(tmp_path / "four.wav", sound, RATE_HZ, subtype="FLOAT")
    found = analysed(tmp_path / "four.wav", None)
    assert "left and right" in found.notes[0]
    np.testing.assert_allclose(
        found.sections.rows, SectionStream(RATE_HZ, 2).process(noise(channels=2)), rtol=1e-4, atol=1e-12
    )


# While the meter runs


def finish(library: ReferenceLibrary, files: list[ReferenceFile]) -> list[str]:
    for _ in range(20):
        entries = library.work(files)
    return [entry.fault for entry in entries]


def test_a_piece_is_read_at_a_time(song: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meter.lane.library.SECONDS_A_STEP", 1)
    library, files = ReferenceLibrary(lambda: None), [ReferenceFile(str(song))]
    shares = []
    for _ in range(4):
        (entry,) = library.work(files)
        shares.append(entry.read)
    assert 0.0 < shares[0] < shares[1] <= 1.0
    assert shares[-1] == 1.0
    assert entry.analysed is not None


def test_analyses_that_were_kept_are_there_at_once(song: Path, cache: Path) -> None:
    other = song.with_name("other.wav")
    soundfile.write(other, noise(6.0, seed=2), RATE_HZ, subtype="FLOAT")
    files = [ReferenceFile(str(path)) for path in (song, other)]
    for file in files:
        analysed(Path(file.path), cache)
    assert all(entry.analysed is not None for entry in ReferenceLibrary(lambda: cache).work(files))


def test_a_missing_file_is_one_sentence_and_found_when_it_comes(tmp_path: Path, song: Path) -> None:
    library, files = ReferenceLibrary(lambda: None), [ReferenceFile(str(tmp_path / "later.wav"))]
    (fault,) = finish(library, files)
    assert "later.wav" in fault
    assert fault.endswith(".")
    song.rename(tmp_path / "later.wav")
    assert finish(library, files) == [""]


def test_a_deleted_file_is_told_and_what_was_read_stays(song: Path) -> None:
    library, files = ReferenceLibrary(lambda: None), [ReferenceFile(str(song))]
    finish(library, files)
    song.unlink()
    (entry,) = library.work(files)
    assert entry.analysed is not None
    assert "song.wav" in entry.note
    assert entry.note.endswith(".")


def test_a_changed_file_is_analysed_again_while_it_runs(song: Path) -> None:
    library, files = ReferenceLibrary(lambda: None), [ReferenceFile(str(song))]
    finish(library, files)
    soundfile.write(song, noise(12.0), RATE_HZ, subtype="FLOAT")
    finish(library, files)
    (entry,) = library.work(files)
    assert entry.analysed is not None
    assert entry.analysed.seconds == 12.0


@pytest.mark.parametrize("name", ["text.wav", "empty.wav", "folder.wav", "pipe.wav", "nul\0.wav", "x" * 300])
def test_what_is_no_sound_is_one_sentence(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    if name == "text.wav":
        path.write_text("no sound")
    elif name == "empty.wav":
        path.write_bytes(b"")
    elif name == "folder.wav":
        path.mkdir()
    elif name == "pipe.wav":
        os.mkfifo(path)
    (fault,) = finish(ReferenceLibrary(lambda: None), [ReferenceFile(str(path))])
    assert fault.endswith(".")
    assert fault.count(". ") == 0
    with pytest.raises(SourceError):
        list(analysis_steps(path, None))

"""The stored music: made once, checked, remade when damaged, and never a reason to fail."""

from __future__ import annotations

import errno
import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meter.demo import store
from meter.demo.parts import MIX, PARTS, STAGES, Part, Stage
from meter.demo.store import CHANNELS, INDEX, Music, prepare

FRAMES = 1000
ALL = tuple(CHANNELS)


class Maker:
    """Stands for the synthesis: short feeds, counted."""

    def __init__(self) -> None:
        self.calls = 0

    def feed(self, part: Part | Stage) -> np.ndarray:
        base = 1000.0 * list(CHANNELS).index(part.key)
        return (base + np.arange(FRAMES * part.channels, dtype=np.float32)).reshape(FRAMES, part.channels)

    def __call__(self, progress: Callable[[float], None] | None = None) -> Iterator[tuple[Part | Stage, np.ndarray]]:
        self.calls += 1
        for part in (*PARTS, MIX, *STAGES):
            if progress:
                progress(0.5)
            yield part, self.feed(part)


@pytest.fixture
def maker(monkeypatch: pytest.MonkeyPatch) -> Maker:
    maker = Maker()
    monkeypatch.setattr(store, "render", maker)
    monkeypatch.setattr(store, "TOTAL_FRAMES", FRAMES)
    monkeypatch.setattr(store, "ALL_BYTES", FRAMES * 52)
    monkeypatch.setattr(store, "_in_memory", [])
    return maker


def folder_of(cache: Path) -> Path:
    (folder,) = cache.glob("demo-*")
    return folder


def expected(maker: Maker, keys: tuple[str, ...]) -> np.ndarray:
    parts = {part.key: part for part in (MIX, *PARTS, *STAGES)}
    return np.concatenate([maker.feed(parts[key]) for key in keys], axis=1)


def test_made_once_then_read_from_the_disk(maker: Maker, tmp_path: Path) -> None:
    told: list[float] = []
    music = prepare(told.append, cache=tmp_path / "new" / "place")
    assert told
    again = prepare(lambda _share: pytest.fail("made twice"), keys=ALL, cache=tmp_path / "new" / "place")
    assert maker.calls == 1
    assert (music.keys, music.channels, music.frames, music.note) == (("mix",), 2, FRAMES, "")
    assert again.channels == 13
    np.testing.assert_array_equal(music.read(0, FRAMES), expected(maker, ("mix",)))
    np.testing.assert_array_equal(again.read(0, FRAMES), expected(maker, ALL))
    assert [path.name for path in (tmp_path / "new" / "place").iterdir()] == [
        folder_of(tmp_path / "new" / "place").name
    ]


@pytest.mark.parametrize("stored", [True, False])
def test_what_goes_into_a_stage_is_a_sum_of_feeds(maker: Maker, tmp_path: Path, stored: bool) -> None:
    keys = ("before bus", "bus", "before colour")
    kept = {part.key: maker.feed(part) for part in (MIX, *PARTS, *STAGES)}
    music = prepare(keys=keys, cache=tmp_path) if stored else Music(keys, kept=kept)
    drum_and_bass = kept["drum"] + kept["bass"]
    expected = np.concatenate([drum_and_bass, kept["bus"], kept["mix"]], axis=1)
    np.testing.assert_array_equal(music.read(0, FRAMES), expected)
    with pytest.raises(KeyError, match="before organ"):
        prepare(keys=("before organ",), cache=tmp_path)


@pytest.mark.parametrize("stored", [True, False])
def test_reading_goes_round(maker: Maker, tmp_path: Path, stored: bool) -> None:
    keys = ("plucked", "mix", "drum")
    whole = expected(maker, keys)
    kept = {part.key: maker.feed(part) for part in (MIX, *PARTS, *STAGES)}
    music = prepare(keys=keys, cache=tmp_path) if stored else Music(keys, kept=kept)
    music.frames = FRAMES
    np.testing.assert_array_equal(music.read(990, 20), np.concatenate([whole[990:], whole[:10]]))
    np.testing.assert_array_equal(music.read(5, 2500), np.concatenate([whole, whole, whole])[5:2505])
    block = music.read(0, 10)
    block[:] = 0.0
    np.testing.assert_array_equal(music.read(0, 10), whole[:10])


def cut_short(folder: Path) -> None:
    path = folder / "mix.f32"
    path.write_bytes(path.read_bytes()[:-4])


def flip_a_bit(folder: Path) -> None:
    path = folder / "mix.f32"
    content = bytearray(path.read_bytes())
    content[1234] ^= 1
    path.write_bytes(content)


def put_a_folder_there(folder: Path) -> None:
    (folder / "mix.f32").unlink()
    (folder / "mix.f32").mkdir()


def change_index(content: str) -> Callable[[Path], object]:
    return lambda folder: (folder / INDEX).write_text(content)


DAMAGE: dict[str, Callable[[Path], object]] = {
    "cut short": cut_short,
    "a flipped bit": flip_a_bit,
    "a file missing": lambda folder: (folder / "mix.f32").unlink(),
    "no index": lambda folder: (folder / INDEX).unlink(),
    "an empty index": change_index(""),
    "another kind of index": change_index("[1, 2]"),
    "an index of nothing": change_index("{}"),
    "an index of other things": change_index(json.dumps({"mix": 3})),
    "a binary index": lambda folder: (folder / INDEX).write_bytes(b"\xff\xfe\x00"),
    "a folder instead of a file": put_a_folder_there,
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_damage_is_made_anew(maker: Maker, tmp_path: Path, damage: Callable[[Path], object]) -> None:
    prepare(cache=tmp_path)
    damage(folder_of(tmp_path))
    music = prepare(cache=tmp_path)
    assert maker.calls == 2
    assert music.note == ""
    np.testing.assert_array_equal(music.read(0, FRAMES), expected(maker, ("mix",)))
    prepare(keys=ALL, cache=tmp_path)
    assert maker.calls == 2


def test_a_cache_that_cannot_be_written_plays_from_memory(maker: Maker, tmp_path: Path) -> None:
    place = tmp_path / "taken"
    place.write_text("a file is in the way")
    music = prepare(keys=("mix", "organ"), cache=place)
    assert str(place) in music.note
    assert "plays from memory" in music.note
    assert music.note.count(".") == 1 + str(place).count(".")
    np.testing.assert_array_equal(music.read(0, FRAMES), expected(maker, ("mix", "organ")))
    again = prepare(cache=place)
    assert maker.calls == 1
    assert again.note == music.note
    prepare(keys=ALL, cache=place)
    assert maker.calls == 2


def test_a_full_disk_is_seen_before_the_work(maker: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _place: usage._replace(free=FRAMES))
    music = prepare(cache=tmp_path)
    assert "MB are needed" in music.note
    assert maker.calls == 1
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_up_on_the_way_leaves_nothing_behind(
    maker: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, opened = Path.open, []

    def failing(path: Path, mode: str = "r", *rest: Any, **named: Any) -> Any:
        if mode == "wb":
            opened.append(path)
            if len(opened) == 3:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(path, mode, *rest, **named)

    monkeypatch.setattr(Path, "open", failing)
    music = prepare(cache=tmp_path)
    assert os.strerror(errno.ENOSPC) in music.note
    assert list(tmp_path.iterdir()) == []
    np.testing.assert_array_equal(music.read(0, 10), expected(maker, ("mix",))[:10])


def test_an_interruption_leaves_nothing_behind(maker: Maker, tmp_path: Path) -> None:
    def interrupted(_share: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        prepare(interrupted, cache=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_another_program_may_be_faster(maker: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    publish = store._publish

    def late(partial: Path, folder: Path) -> None:
        shutil.copytree(partial, folder)
        publish(partial, folder)

    monkeypatch.setattr(store, "_publish", late)
    music = prepare(cache=tmp_path)
    assert music.note == ""
    assert list(tmp_path.iterdir()) == [folder_of(tmp_path)]


def test_old_versions_and_abandoned_work_are_cleared_away(maker: Maker, tmp_path: Path) -> None:
    for name in ("demo-old", "demo-dead.partial-1-2", "demo-busy.partial-3-4", "something else"):
        (tmp_path / name).mkdir()
    long_ago = time.time() - 2 * store.ABANDONED_SECONDS
    os.utime(tmp_path / "demo-dead.partial-1-2", (long_ago, long_ago))
    prepare(cache=tmp_path)
    names = {path.name for path in tmp_path.iterdir()}
    assert {"demo-busy.partial-3-4", "something else"} < names
    assert len(names) == 3


def test_a_cache_that_goes_away_is_an_error_with_its_name(maker: Maker, tmp_path: Path) -> None:
    music = prepare(cache=tmp_path)
    cut_short(folder_of(tmp_path))
    with pytest.raises(OSError, match=r"mix\.f32"):
        music.read(0, FRAMES)
    shutil.rmtree(folder_of(tmp_path))
    with pytest.raises(OSError, match=r"mix\.f32"):
        music.read(0, 1)


def test_an_unknown_feed_is_refused_by_name(maker: Maker, tmp_path: Path) -> None:
    with pytest.raises(KeyError, match="kazoo"):
        prepare(keys=("mix", "kazoo"), cache=tmp_path)


def test_the_folder_is_named_after_the_code(maker: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = Path(store.__file__).parent
    assert all((here / f"{name}.py").is_file() for name in store.SOURCES)
    prepare(cache=tmp_path)
    before = folder_of(tmp_path)
    monkeypatch.setattr(store, "SOURCES", store.SOURCES[:-1])
    prepare(cache=tmp_path)
    assert folder_of(tmp_path) != before


def test_the_default_place_is_the_users_cache_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store.platformdirs, "user_cache_dir", lambda *names, **_options: str(tmp_path / names[0]))
    assert store.default_cache() == tmp_path / "earwitness"

"""Feed maps: checked, kept as a file that a person can edit, and told by the demo's own channel names."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from meter.demo.parts import channel_names, feed_columns, pair_columns
from meter.feeds import (
    LONGEST_NAME,
    OFFERED_NAMES,
    FeedMap,
    FeedMapError,
    Pair,
    check_feeds,
    feed_map,
    named_feeds,
    read_feed_map,
    whole_mix,
    with_totals,
    write_feed_map,
)

BAND = feed_map("evening song", [1, 2], {"kick": [3], "double bass": [4], "guitars": [6, 5]})


def test_channels_become_columns() -> None:
    assert BAND.columns() == {
        "mix": (0, 1), "part kick": (2,), "part double bass": (3,), "part guitars": (5, 4),
    }  # fmt: skip
    assert BAND.channels == (1, 2, 3, 4, 5, 6)


def test_columns_follow_the_channels_that_were_taken() -> None:
    assert BAND.columns((6, 5, 4, 3, 2, 1))["part kick"] == (3,)
    with pytest.raises(FeedMapError, match="“part kick” wants channel 3, which is not taken"):
        BAND.columns((1, 2))


def test_a_map_without_a_mix_is_allowed() -> None:
    assert feed_map("", [], {"kick": [1]}).columns() == {"part kick": (0,)}
    assert feed_map("", [1], {}).columns() == {"mix": (0,)}


@pytest.mark.parametrize(
    ("mix", "parts", "sentence"),
    [
        ([], {}, "needs a mix or at least one part"),
        ([1, 1], {}, "“mix” names channel 1 twice"),
        ([1, 2], {"kick": [3, 3]}, "“kick” names channel 3 twice"),
        ([1, 2], {"kick": [2]}, "Channel 2 is in “mix” and in “kick”"),
        ([], {"kick": [2], "bass": [2]}, "Channel 2 is in “kick” and in “bass”"),
        ([1], {"kick": []}, "“kick” has no channel"),
        ([1], {"kick": [2, 3, 4]}, "“kick” has 3 channels"),
        ([0], {}, "channel 0; channels count from 1"),
        ([1, 5000], {}, "channel 5000"),
        ([1], {"": [2]}, "cannot be called ''"),
        ([1], {" kick": [2]}, "cannot be called"),
        ([1], {"ki\nck": [2]}, "cannot be called"),
        ([1], {"k" * (LONGEST_NAME + 1): [2]}, "cannot be called"),
        ([1], {"Mix": [2]}, "cannot be called “Mix”"),
        ([1], {f"part {n}": [n] for n in range(2, 40)}, "names 39 channels"),
    ],
)
def test_maps_that_cannot_be_used_say_so_in_one_sentence(mix, parts, sentence: str) -> None:
    with pytest.raises(FeedMapError, match=sentence) as caught:
        feed_map("song", mix, parts)
    assert str(caught.value).endswith(".")


def test_a_job_is_kept_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "jobs" / "song.toml"
    odd = feed_map('a "song"\\ \x7f', [9], {'12" tom': [1], "Stimme [alt] = ü": [2, 3], "a.b": [4]})
    for kept in (BAND, odd):
        assert write_feed_map(kept, path) == ""
        found = read_feed_map(path)
        assert found == kept
        assert list(found.parts) == list(kept.parts)
    assert [entry.name for entry in path.parent.iterdir()] == ["song.toml"]


def test_a_job_written_by_hand_is_read(tmp_path: Path) -> None:
    path = tmp_path / "hand.toml"
    path.write_text('mix = [1, 2]\n[parts]\nkick = [3]\n"bass DI" = [4]\n', encoding="utf-8")
    assert read_feed_map(path) == FeedMap("", (1, 2), {"kick": (3,), "bass DI": (4,)})


@pytest.mark.parametrize(
    "text",
    [
        "mix = [1, 2", "mix = [1.5]", "mix = [true]", "mix = 1", "drums = [1]", "[parts]\nkick = [3]\nkick = [4]",
        "parts = [1]", "mix = []", "[parts]\nkick = ['3']", 'mix = [1, 2]\n[parts]\nkick = [2]', "mix = [-1]",
        "mix = [" + "[" * 5000, "name = 3\nmix = [1]", "mix = [99999999999999999999999]",
    ],
)  # fmt: skip
def test_hostile_jobs_are_refused_in_one_sentence_that_names_the_file(tmp_path: Path, text: str) -> None:
    path = tmp_path / "hostile.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FeedMapError, match=r"hostile\.toml"):
        read_feed_map(path)


def test_files_that_are_no_job(tmp_path: Path) -> None:
    with pytest.raises(FeedMapError, match="cannot be read"):
        read_feed_map(tmp_path / "absent.toml")
    with pytest.raises(FeedMapError, match="cannot be read"):
        read_feed_map(tmp_path)
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FeedMapError, match="UTF-8"):
        read_feed_map(tmp_path / "bytes.toml")
    (tmp_path / "big.toml").write_text("#" * 200_000, encoding="utf-8")
    with pytest.raises(FeedMapError, match="too large"):
        read_feed_map(tmp_path / "big.toml")


def test_a_job_that_cannot_be_saved_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    assert "cannot be saved" in write_feed_map(BAND, tmp_path / "taken")
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert "cannot be saved" in write_feed_map(BAND, tmp_path / "file" / "song.toml")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["file", "taken"]


def test_the_demo_tells_its_own_map() -> None:
    assert named_feeds(channel_names()) == feed_columns() | pair_columns()


@pytest.mark.parametrize("names", [(), ("front-left", "front-right"), ("mix L", "mix R"), ("aux0", "aux1", "aux2")])
def test_names_that_tell_no_map(names: tuple[str, ...]) -> None:
    assert named_feeds(names) is None


def test_a_plain_stream_is_all_mix() -> None:
    assert whole_mix(3) == {"mix": (0, 1, 2)}
    with pytest.raises(ValueError, match="wants channel 3, but the source has 2"):
        check_feeds(whole_mix(3), 2)
    with pytest.raises(ValueError, match="has no channel"):
        check_feeds({"mix": ()}, 2)


def test_offered_names_can_be_used() -> None:
    assert feed_map("", [], {name: [number + 1] for number, name in enumerate(OFFERED_NAMES)}).parts


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_no_job_and_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "job.toml")
    with pytest.raises(FeedMapError, match="not an ordinary file"):
        read_feed_map(tmp_path / "job.toml")


def test_a_saved_map_with_an_older_suggested_name_still_loads(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_text('name = "song"\nmix = [1, 2]\n[parts]\n"backing voices" = [3, 4]\n', encoding="utf-8")
    assert read_feed_map(path).parts == {"backing voices": (3, 4)}


PAIRS = {"bus compressor": Pair((3, 4), (1, 2)), "tape": Pair((1, 2), (5, 6))}


def test_a_pair_is_a_feed_of_its_channels_before_then_after() -> None:
    """Its channels may be those of the mix, a part or another pair."""
    found = feed_map("song", [1, 2], {"drums": [3, 4]}, {"bus compressor": PAIRS["bus compressor"]})
    assert found.columns()["pair bus compressor"] == (2, 3, 0, 1)
    assert found.columns((4, 3, 2, 1))["pair bus compressor"] == (1, 0, 3, 2)
    assert found.channels == (1, 2, 3, 4)
    with pytest.raises(FeedMapError, match="“part drums” wants channel 4, which is not taken"):
        found.columns((1, 2, 3))


def test_pairs_that_go_on_from_each_other_have_a_total() -> None:
    columns = feed_map("", [], {}, PAIRS).columns()
    assert list(columns) == ["pair bus compressor", "pair tape", "pair bus compressor to tape"]
    assert columns["pair bus compressor to tape"] == (2, 3, 4, 5)


@pytest.mark.parametrize(
    ("pairs", "totals"),
    [
        ({"a": ((1,), (2,)), "b": ((3,), (4,))}, []),
        ({"b": ((2,), (3,)), "a": ((1,), (2,)), "c": ((3,), (4,))}, ["a to c"]),
        ({"a": ((1,), (2,)), "b": ((2,), (3,)), "c": ((2,), (4,))}, ["a to b", "a to c"]),
        ({"a": ((1,), (2,)), "b": ((2,), (1,))}, []),
        ({"a": ((1,), (2,)), "b": ((2,), (3,)), "c": ((3,), (2,))}, ["a to c"]),
        ({"a": ((1, 2), (3, 4)), "b": ((4, 3), (5, 6))}, []),
        ({"a": ((1,), (2,)), "b": ((2,), (3,)), "a to b": ((5,), (6,))}, []),
    ],
)
def test_a_chain_begins_where_nothing_comes_before_and_ends_where_nothing_follows(pairs, totals: list[str]) -> None:
    """Crossed sides do not follow on, a ring has no first, and a name that is taken stays what it was."""
    named = {name: Pair(*sides) for name, sides in pairs.items()}
    found = with_totals(named)
    assert list(found) == [*named, *totals]
    assert all(found[name] == pair for name, pair in named.items())


@pytest.mark.parametrize(
    ("pairs", "sentence"),
    [
        ({"tape": Pair((), (2,))}, "“tape” has 0 channels before the stage"),
        ({"tape": Pair((1,), (2, 3, 4))}, "“tape” has 3 channels after the stage"),
        ({"tape": Pair((1,), (2, 3))}, "“tape” has 1 before and 2 after"),
        ({"tape": Pair((1, 2), (2, 3))}, "“tape” has channel 2 before and after"),
        ({"tape": Pair((1, 1), (2, 3))}, "“tape, before” names channel 1 twice"),
        ({"tape": Pair((1,), (0,))}, "“tape, after” wants channel 0; channels count from 1"),
        ({" tape": Pair((1,), (2,))}, "A pair cannot be called"),
        ({"tape, old": Pair((1,), (2,))}, "A pair cannot be called “tape, old”: a comma"),
        ({f"stage {n}": Pair((1,), (2,)) for n in range(9)}, "names 9 pairs; at most 8"),
    ],
)
def test_pairs_that_cannot_be_used_say_so_in_one_sentence(pairs, sentence: str) -> None:
    with pytest.raises(FeedMapError, match=sentence) as caught:
        feed_map("song", [], {}, pairs)
    assert str(caught.value).endswith(".")


def test_pairs_are_kept_as_they_were(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    kept = feed_map("song", [1, 2], {"drums": [3, 4]}, {**PAIRS, 'odd "name".x': Pair((7,), (8,))})
    assert write_feed_map(kept, path) == ""
    found = read_feed_map(path)
    assert found == kept
    assert list(found.pairs) == list(kept.pairs)


def test_a_person_can_write_a_pair(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    path.write_text('mix = [3, 4]\n[pairs."bus compressor"]\nbefore = [1, 2]\nafter = [3, 4]\n')
    assert read_feed_map(path).columns() == {"mix": (2, 3), "pair bus compressor": (0, 1, 2, 3)}
    path.write_text("[pairs.tape]\nbefore = [1, 2]\n")
    with pytest.raises(FeedMapError, match=r"song.toml is not valid .*after"):
        read_feed_map(path)


def test_a_source_names_its_pairs_itself() -> None:
    names = [
        "mix L",
        "mix R",
        "before tape L",
        "before tape R",
        "after tape L",
        "after tape R",
        "before noon",
        "kick",
    ]
    assert named_feeds(names) == {
        "mix": (0, 1), "part before noon": (6,), "part kick": (7,), "pair tape": (2, 3, 4, 5),
    }  # fmt: skip


@pytest.mark.parametrize(
    "text", ["mix = [" + "1" * 5000 + "]", '"' + "x" * 70_000 + '" = 1', '"a\\nb\\u0000" = 1', "[[" * 3000], ids=len
)
def test_what_a_hostile_job_holds_makes_no_long_or_broken_sentence(tmp_path: Path, text: str) -> None:
    path = tmp_path / "song.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(
        FeedMapError, match=r"song\.toml(, line \d+,)? is not valid .*; fix it or choose another\.$"
    ) as caught:
        read_feed_map(path)
    assert len(str(caught.value)) < 400
    assert str(caught.value).isprintable()


@pytest.mark.skipif(not Path("/proc/self/pagemap").exists(), reason="no /proc here")
def test_a_file_of_the_system_without_an_end_is_no_job(tmp_path: Path) -> None:
    """It claims 0 bytes and holds eight for each page of memory that a process may have: 256 GB."""
    with pytest.raises(FeedMapError, match=r"far too large|not UTF-8"):
        read_feed_map(Path("/proc/self/pagemap"))


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('mix = [1, 2]\n\nnmae = "song"\n', 3),
        ("mix = [1, 2]\n[parts]\nkick = 3\n", 2),
        ('mix = [1, 2]\n\n[pairs."bus compressor"]\nbefore = [3, 4]\nafter = [1, 2]\nbeside = [5]\n', 6),
        ('mix = [1, 2]\n[pairs."a.b"]\nbefore = "3"\nafter = [1, 2]\n', 3),
        ("mix = [1, 2\nname = 1\n", 2),
        ("mix = [1, 2]\nparts = [", 2),
    ],
)
def test_a_job_that_cannot_be_read_names_file_and_line(tmp_path: Path, text: str, line: int) -> None:
    path = tmp_path / "song.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FeedMapError, match=rf"^The set-up song\.toml, line {line}, is not valid \("):
        read_feed_map(path)

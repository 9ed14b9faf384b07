"""Feeds: named sets of channels of one clock. ``mix`` is what leaves the DAW, ``part NAME`` one bus or track.

``pair NAME`` is the sound before and after one stage: its columns are those before, then as many after.

A feed map assigns the channels of a source to feeds. It is one small TOML file per job::

    name = "evening song"
    mix = [1, 2]

    [parts]
    kick = [3]
    "double bass" = [4]
    guitars = [5, 6]

    [pairs."bus compressor"]
    before = [7, 8]
    after = [1, 2]

A channel of a pair may also be in the mix, in a part, or in another pair. Where one pair goes on from another, its
``before`` being the other's ``after``, the stages form a chain: its total is one more pair, ``pair FIRST to LAST``.
Channels count from 1, as interfaces label them; columns, which the engine works with, count from 0.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import msgspec

from meter.readings import PAIR_PREFIX, PART_PREFIX
from meter.toml_lines import line_of_error, without_place
from meter.whole_file import plain_words, read_limited, write_whole

MIX = "mix"
ALL = "all"
"""Value of ``feed`` in a manifest for every channel of the source, mapped or not."""
PAIR = "pair"
"""Value of ``feed`` in a manifest for every pair of the source: the meter stands once for each, by itself."""

MOST_CHANNELS = 32
"""Of one map: as many as a source delivers."""
MOST_PAIRS = 8
"""Of one map: each is measured all the time."""
HIGHEST_CHANNEL = 1024
LONGEST_NAME = 40
MAX_FILE_BYTES = 100_000

OFFERED_NAMES = (
    "kick", "bass", "snare", "toms", "overheads", "percussion", "guitars", "keys", "organ", "synths", "strings",
    "brass", "voice", "backing vocals", "room", "rest",
)  # fmt: skip
"""Names of parts that are offered; any other may be typed."""

SIDES = ("before ", "after ")
"""What the source's own names of a pair's channels begin with."""

OFFERED_PAIRS = ("bus compressor", "tape stage", "equaliser", "limiter", "colour stage")
"""Names of stages that are offered for pairs."""

Feeds = Mapping[str, tuple[int, ...]]


class FeedMapError(ValueError):
    """A feed map that cannot be used; the text is one sentence that names the feed and the fix."""


class Pair(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The channels (from 1) before and after one stage: one each or two each, left first."""

    before: tuple[int, ...]
    after: tuple[int, ...]

    @property
    def channels(self) -> tuple[int, ...]:
        """Those before, then those after."""
        return self.before + self.after


class FeedMap(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which channels (from 1) are the mix, which each part, and which lie round a stage. ``name`` is the job's.

    A part is mono or stereo, left first. Made by ``feed_map`` or ``read_feed_map``, which check it.
    """

    name: str = ""
    mix: tuple[int, ...] = ()
    parts: dict[str, tuple[int, ...]] = {}
    pairs: dict[str, Pair] = {}

    @property
    def channels(self) -> tuple[int, ...]:
        """Every channel that the map names, in rising order."""
        several = (*self.parts.values(), *(pair.channels for pair in self.pairs.values()))
        return tuple(sorted({*self.mix, *(number for numbers in several for number in numbers)}))

    def columns(self, taken: Sequence[int] = ()) -> dict[str, tuple[int, ...]]:
        """Feeds by name as columns; ``taken`` are the channels that the source was asked for, all when empty.

        Raises FeedMapError when a channel is not among them.
        """
        named = {MIX: self.mix} if self.mix else {}
        named |= {PART_PREFIX + name: numbers for name, numbers in self.parts.items()}
        named |= {PAIR_PREFIX + name: pair.channels for name, pair in with_totals(self.pairs).items()}
        if not taken:
            return {name: tuple(number - 1 for number in numbers) for name, numbers in named.items()}
        place = {number: column for column, number in enumerate(taken)}
        for name, numbers in named.items():
            for number in numbers:
                if number not in place:
                    raise FeedMapError(
                        f"The feed “{name}” wants channel {number}, which is not taken from the source; "
                        "take all its channels."
                    )
        return {name: tuple(place[number] for number in numbers) for name, numbers in named.items()}


def feed_map(
    name: str, mix: Sequence[int], parts: Mapping[str, Sequence[int]], pairs: Mapping[str, Pair] | None = None
) -> FeedMap:
    """A checked map; raises FeedMapError."""
    made = FeedMap(name, tuple(mix), {part: tuple(numbers) for part, numbers in parts.items()}, dict(pairs or {}))
    _check(made)
    return made


def with_totals(pairs: Mapping[str, Pair]) -> dict[str, Pair]:
    """The pairs in their order, then the total of each chain of them: first before and last after.

    A chain begins at a pair that goes on from no other; where two go on from one, each is in a chain of its own.
    Pairs that form a ring have no first, so no total. A total whose name is taken is left out.
    """
    found = dict(pairs)
    for first, pair in pairs.items():
        if any(other.after == pair.before for other in pairs.values()):
            continue
        for last in _ends_of(pairs, [first]):
            found.setdefault(f"{first} to {last}", Pair(pair.before, pairs[last].after))
    return found


def without_totals(pairs: Mapping[str, Pair]) -> dict[str, Pair]:
    """The pairs but those that ``with_totals`` made of the others."""
    found = dict(pairs)
    for name, pair in pairs.items():
        others = {other: each for other, each in found.items() if other != name}
        if with_totals(others).get(name) == pair:
            found = others
    return found


def _ends_of(pairs: Mapping[str, Pair], chain: list[str]) -> list[str]:
    """The last pair of every chain of two or more that begins like this."""
    following = [name for name, pair in pairs.items() if pair.before == pairs[chain[-1]].after and name not in chain]
    if not following:
        return chain[-1:] if len(chain) > 1 else []
    return [end for name in following for end in _ends_of(pairs, [*chain, name])]


def stages_of(pairs: Mapping[str, Pair]) -> dict[int, list[str]]:
    """For each channel of pairs the words ``before NAME`` and ``after NAME``: what ``pairs_of`` reads."""
    found: dict[int, list[str]] = {}
    for name, pair in pairs.items():
        for side, numbers in zip(SIDES, (pair.before, pair.after), strict=True):
            for number in numbers:
                found.setdefault(number, []).append(side + name)
    return found


def pairs_of(stages: Mapping[int, Sequence[str]]) -> dict[str, Pair]:
    """Pairs from the words of each channel, unchecked; raises FeedMapError for words that name no side."""
    sides: dict[str, dict[str, list[int]]] = {}
    for number, names in stages.items():
        for words in names:
            side = next((side for side in SIDES if words.startswith(side)), "")
            if not side:
                raise FeedMapError(
                    f"“{words[:LONGEST_NAME]}” on channel {number} names no side of a stage; write “before NAME” or "
                    "“after NAME”."
                )
            sides.setdefault(words.removeprefix(side).strip(), {}).setdefault(side, []).append(number)
    before, after = SIDES
    return {name: Pair(tuple(each.get(before, ())), tuple(each.get(after, ()))) for name, each in sides.items()}


def whole_mix(channels: int) -> dict[str, tuple[int, ...]]:
    """The map of a plain stream or file: every channel belongs to the mix."""
    return {MIX: tuple(range(channels))}


def named_feeds(names: Sequence[str]) -> dict[str, tuple[int, ...]] | None:
    """Columns by the source's own channel names: ``mix L``, ``mix R``, ``low drum``, ``room L``, ``room R``.

    ``before tape L`` and ``after tape L`` are the left of a pair round a stage called “tape”. None unless one of them
    is the mix's: systems name channels as well, but by loudspeaker position.
    """
    columns: dict[str, tuple[int, ...]] = {}
    for column, name in enumerate(names):
        whole = name[:-2] if name.endswith((" L", " R")) else name
        columns[whole] = (*columns.get(whole, ()), column)
    fits = all(len(taken) <= 2 for taken in columns.values())
    if not (MIX in columns and len(columns) > 1 and fits):
        return None
    pairs = _named_pairs(columns)
    sides = {side + name for name in pairs for side in SIDES}
    feeds = {
        (MIX if name == MIX else PART_PREFIX + name): taken for name, taken in columns.items() if name not in sides
    }
    return feeds | {PAIR_PREFIX + name: pair.channels for name, pair in with_totals(pairs).items()}


def _named_pairs(columns: Feeds) -> dict[str, Pair]:
    """Pairs among names of which one begins with "before" and the other with "after"; both of one width."""
    before, after = SIDES
    names = [name.removeprefix(before) for name in columns if name.startswith(before)]
    pairs = {name: Pair(columns[before + name], columns[after + name]) for name in names if after + name in columns}
    return {name: pair for name, pair in pairs.items() if len(pair.before) == len(pair.after)}


def check_feeds(feeds: Feeds, channels: int) -> None:
    """Raise ValueError with one sentence when a feed is empty or names a channel that is not there."""
    for name, columns in feeds.items():
        if not columns:
            raise ValueError(f"The feed “{name}” has no channel; give it at least one.")
        for column in columns:
            if not 0 <= column < channels:
                raise ValueError(
                    f"The feed “{name}” wants channel {column + 1}, but the source has {channels}; choose another."
                )


def fitting_feeds(wanted: Feeds | None, names: Sequence[str], channels: int) -> tuple[Feeds, str]:
    """The wanted feeds, otherwise those of the source's own ``names``; all is mix where they do not fit.

    The second value is one sentence with the reason why they do not fit, or empty.
    """
    if not wanted:
        return named_feeds(names) or whole_mix(channels), ""
    try:
        check_feeds(wanted, channels)
    except ValueError as error:
        return whole_mix(channels), f"{error} All channels are taken for the mix meanwhile."
    return wanted, ""


def read_feed_map(path: Path) -> FeedMap:
    """Read and check one job file; raises FeedMapError."""
    try:
        if path.exists() and not path.is_file():
            raise FeedMapError(f"The set-up {path} cannot be read (not an ordinary file); choose another.")
        content = read_limited(path, MAX_FILE_BYTES)
        if len(content) > MAX_FILE_BYTES:
            raise FeedMapError(f"The set-up {path.name} is far too large to be a feed map; choose another.")
        text = content.decode("utf-8")
        found = msgspec.convert(tomllib.loads(text), FeedMap)
    except OSError as error:
        raise FeedMapError(f"The set-up {path} cannot be read ({error.strerror}); choose another.") from error
    except UnicodeDecodeError as error:
        raise FeedMapError(f"The set-up {path.name} is not UTF-8 text; save it as such.") from error
    except FeedMapError:
        raise
    except (ValueError, msgspec.ValidationError, RecursionError) as error:  # a number of 5,000 digits is a ValueError
        where = f"{path.name}, line {line}," if (line := line_of_error(text, error)) else path.name
        reason = plain_words(without_place(str(error)))
        raise FeedMapError(f"The set-up {where} is not valid ({reason}); fix it or choose another.") from error
    try:
        _check(found)
    except FeedMapError as error:
        raise FeedMapError(f"In the set-up {path.name}: {error}") from error
    return found


def write_feed_map(feeds: FeedMap, path: Path) -> str:
    """Write a job file whole or not at all; an empty string, or one sentence saying why it failed."""
    try:
        write_whole(path, _as_toml(feeds).encode())
    except OSError as error:
        return f"The set-up cannot be saved as {path} ({error.strerror}); choose another place."
    return ""


def _check(feeds: FeedMap) -> None:
    if not feeds.mix and not feeds.parts and not feeds.pairs:
        raise FeedMapError("A feed map needs a mix or at least one part or pair; give one of them a channel.")
    taken: dict[int, str] = {}
    for name, numbers in [(MIX, feeds.mix), *feeds.parts.items()] if feeds.mix else feeds.parts.items():
        _check_feed(name, numbers)
        for number in numbers:
            if number in taken:
                raise FeedMapError(
                    f"Channel {number} is in “{taken[number]}” and in “{name}”; leave it in one of them."
                )
            taken[number] = name
    for name in feeds.parts:
        _check_name("part", name)
    _check_pairs(feeds.pairs)
    if len(feeds.channels) > MOST_CHANNELS:
        raise FeedMapError(
            f"The map names {len(feeds.channels)} channels; at most {MOST_CHANNELS} are taken from a source."
        )


def _check_feed(name: str, numbers: Sequence[int]) -> None:
    if not numbers:
        raise FeedMapError(f"The part “{name}” has no channel; give it one or two.")
    if name != MIX and len(numbers) > 2:
        raise FeedMapError(f"The part “{name}” has {len(numbers)} channels; a part is mono or stereo, so split it.")
    _check_numbers(name, numbers)


def _check_pairs(pairs: Mapping[str, Pair]) -> None:
    if len(pairs) > MOST_PAIRS:
        raise FeedMapError(f"The map names {len(pairs)} pairs; at most {MOST_PAIRS} are measured at a time.")
    for name, pair in pairs.items():
        _check_name("pair", name)
        if "," in name:
            raise FeedMapError(f"A pair cannot be called “{name}”: a comma stands between two names; leave it out.")
        before, after = pair.before, pair.after
        for side, numbers in (("before", before), ("after", after)):
            if not 1 <= len(numbers) <= 2:
                raise FeedMapError(
                    f"The pair “{name}” has {len(numbers)} channels {side} the stage; give it one or two."
                )
            _check_numbers(f"{name}, {side}", numbers)
        if len(before) != len(after):
            raise FeedMapError(
                f"The pair “{name}” has {len(before)} before and {len(after)} after; give both as many."
            )
        if both := set(before) & set(after):
            raise FeedMapError(
                f"The pair “{name}” has channel {min(both)} before and after; take another one for one side."
            )


def _check_numbers(name: str, numbers: Sequence[int]) -> None:
    for number in numbers:
        if not 1 <= number <= HIGHEST_CHANNEL:
            raise FeedMapError(f"“{name}” wants channel {number}; channels count from 1 to {HIGHEST_CHANNEL}.")
        if numbers.count(number) > 1:
            raise FeedMapError(f"“{name}” names channel {number} twice; leave one of them out.")


def _check_name(kind: str, name: str) -> None:
    if not name.strip() or name != name.strip() or not name.isprintable() or len(name) > LONGEST_NAME:
        raise FeedMapError(
            f"A {kind} cannot be called {name[:LONGEST_NAME]!r}; use up to {LONGEST_NAME} letters that can be seen."
        )
    if name.casefold() in (MIX, ALL):
        raise FeedMapError(f"A {kind} cannot be called “{name}”, which means something else; choose another name.")


def _as_toml(feeds: FeedMap) -> str:
    lines = ["# Which channel of the source is what. Channels count from 1; a part has one or two, left first."]
    lines.append(f"name = {_quoted(feeds.name)}")
    if feeds.mix:
        lines.append(f"mix = {_listed(feeds.mix)}")
    lines += ["", "[parts]", *(f"{_quoted(name)} = {_listed(numbers)}" for name, numbers in feeds.parts.items())]
    for name, pair in feeds.pairs.items():
        sides = (("before", pair.before), ("after", pair.after))
        lines += ["", f"[pairs.{_quoted(name)}]", *(f"{side} = {_listed(numbers)}" for side, numbers in sides)]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _listed(numbers: Iterable[int]) -> str:
    return f"[{', '.join(str(number) for number in numbers)}]"

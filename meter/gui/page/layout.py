"""Which meter stands where: page layouts read from ``presets/pages/*.toml``, and their arithmetic. No Qt."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from meter.preset_files import Kind, our_folder, read_preset
from meter.toml_lines import WrongEntry

MAX_CELLS = 24
LONGEST_NAME = 40
Share = Annotated[float, msgspec.Meta(gt=0.0, le=1000.0)]
Shares = Annotated[tuple[Share, ...], msgspec.Meta(min_length=1, max_length=MAX_CELLS)]
Cell = Annotated[int, msgspec.Meta(ge=0, lt=MAX_CELLS)]
Span = Annotated[int, msgspec.Meta(ge=1, le=MAX_CELLS)]
StackShare = Annotated[float, msgspec.Meta(ge=0.0, le=1000.0)]
SmallHeight = Annotated[int, msgspec.Meta(ge=0, le=1000)]
LEAST_STACKED_PX = 84
"""Height of a card in a stack below which it would lose what it is for, unless its place says another."""
MOST_BESIDE, BESIDE_COLUMNS = 4, 12
"""Instances of one meter in a row, and columns that one to four of them share."""
LEAST_EACH_PX = 330
"""Width below which cards of one place do not stand beside each other, at the usual text scale."""
EXTRA_COLUMNS = 4
"""How many meters without a place stand side by side below the plan."""


class Place(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The cells of one meter, counted from 0; ``view`` names one of its further faces.

    Places with a ``share`` may have the same cells: they stand one under the other, each as high as its share. One
    with a height ``small`` in pixels has that height while its face needs no room, and leaves the rest to the others.
    None is less high than ``least`` while there is room for that. With ``each`` every instance of the meter that the
    source has gets a card, side by side in these cells; without an instance there is one card. One that stands only
    ``when_needed`` is there while its face needs room; it then takes the last columns of the place that it covers.
    """

    meter: str
    row: Cell
    column: Cell
    rows: Span = 1
    columns: Span = 1
    view: str = ""
    share: StackShare = 0.0
    small: SmallHeight = 0
    least: SmallHeight = LEAST_STACKED_PX
    each: bool = False
    when_needed: bool = False

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Row, column, rows and columns."""
        return self.row, self.column, self.rows, self.columns

    @property
    def words(self) -> str:
        """Meter and view, for sentences."""
        return f"{self.meter}, {self.view}" if self.view else self.meter

    def cells(self) -> set[tuple[int, int]]:
        """Every cell covered, as (row, column)."""
        return {
            (row, column)
            for row in range(self.row, self.row + self.rows)
            for column in range(self.column, self.column + self.columns)
        }


class Plan(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One page: shares of width and height, and the places of its meters.

    Meters ``elsewhere`` are measured and have no card here: another face tells of them. On a page with ``rest`` all
    meters that have no place on any page follow in rows of their own. No row is higher than ``tallest`` times the
    width of the narrowest card; 0 sets no limit. While the source has no named parts the places ``without_parts``
    hold, if there are any, and nothing else is shown.
    """

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=LONGEST_NAME)]
    column_shares: Shares
    row_shares: Shares
    place: tuple[Place, ...] = ()
    elsewhere: tuple[str, ...] = ()
    rest: bool = True
    tallest: Share | Literal[0] = 0
    without_parts: tuple[Place, ...] = ()

    def places(self, *, parts: bool) -> tuple[Place, ...]:
        """The places in force while the source has named parts, or none."""
        return self.place if parts or not self.without_parts else self.without_parts


def check_plan(plan: Plan) -> None:
    """Raise WrongEntry for places outside the grid, there twice, or on another."""
    _check_places("place", plan.place, plan)
    _check_places("without_parts", plan.without_parts, plan)


PAGES = Kind("page", "page layout", "pages", Plan, check_plan)


def pages_folder() -> Path:
    """The page layouts that come with the program."""
    return our_folder(PAGES)


def read_plan(path: Path) -> Plan:
    """Read and check one page layout; raises PresetError."""
    return read_preset(path, PAGES)


def _check_places(table: str, places: Iterable[Place], plan: Plan) -> None:
    taken: dict[tuple[int, int], Place] = {}
    seen: set[str] = set()
    for number, place in sorted(enumerate(places), key=lambda each: each[1].when_needed):
        if place.words in seen:
            raise WrongEntry(f"“{place.words}” is placed twice; leave one of them out", table, number)
        seen.add(place.words)
        for cell in place.cells():
            if cell[0] >= len(plan.row_shares) or cell[1] >= len(plan.column_shares):
                raise WrongEntry(f"“{place.words}” is outside the grid; move it in", table, number)
            other = taken.setdefault(cell, place)
            if place.when_needed and _takes_columns_of(place, other):
                continue
            if other is not place and not (other.box == place.box and other.share and place.share):
                reason = f"“{place.words}” is on “{other.words}”; move one, or give both a share"
                raise WrongEntry(reason, table, number)


def _takes_columns_of(place: Place, other: Place) -> bool:
    """Whether one place covers the last columns of another, over all its rows, and leaves it at least one."""
    same_rows = (place.row, place.rows) == (other.row, other.rows)
    same_end = place.column + place.columns == other.column + other.columns
    return same_rows and same_end and place.column > other.column and not other.share and not other.when_needed


def making_room(place: Place, standing: Iterable[Place]) -> Place:
    """A place without the columns that a standing one, there when needed, takes of it."""
    for other in standing:
        if other.when_needed and other is not place and _takes_columns_of(other, place):
            return msgspec.structs.replace(place, columns=other.column - place.column)
    return place


def plain_plan(meters: Iterable[str]) -> Plan:
    """All meters in rows of equal cards: what is shown when a layout cannot be used."""
    ids = list(meters)
    columns = max(1, min(EXTRA_COLUMNS, len(ids)))
    rows = max(1, -(-len(ids) // columns))
    places = tuple(Place(meter, number // columns, number % columns) for number, meter in enumerate(ids))
    return Plan("plain", (1.0,) * columns, (1.0,) * rows, places)


def feeds_plan(groups: Sequence[Sequence[str]]) -> Plan:
    """The page of meters on several feeds: the instances of each meter side by side, up to four in a row."""
    rows: list[Sequence[str]] = []
    for group in groups:
        count = -(-len(group) // MOST_BESIDE)
        stops = [round(len(group) * row / count) for row in range(count + 1)]
        rows += [group[start:stop] for start, stop in itertools.pairwise(stops)]
    places = [
        Place(name, row, number * (BESIDE_COLUMNS // len(names)), columns=BESIDE_COLUMNS // len(names))
        for row, names in enumerate(rows)
        for number, name in enumerate(names)
    ]
    shares = (1.0,) * BESIDE_COLUMNS, (1.0,) * max(1, len(rows))
    return Plan("by feed", *shares, tuple(places), rest=False, tallest=1.0)


def height_of(plan: Plan, width: int, height: int, gap: int) -> int:
    """How much of a page's height the plan takes."""
    if not plan.tallest or not plan.place:
        return height
    narrowest = min(_cells_box(place, plan, width, height, gap)[2] for place in plan.place)
    rows = len(plan.row_shares)
    return min(height, round(rows * plan.tallest * narrowest) + (rows - 1) * gap)


def edges(shares: Iterable[float], length: int, gap: int) -> list[tuple[int, int]]:
    """Start and size in pixels of each share of ``length``, with ``gap`` pixels between; sizes are at least 0."""
    parts = list(shares)
    room = max(0, length - gap * (len(parts) - 1))
    total = sum(parts)
    stops = [round(room * sum(parts[:count]) / total) for count in range(len(parts) + 1)]
    return [(stops[n] + n * gap, stops[n + 1] - stops[n]) for n in range(len(parts))]


def rectangle(
    place: Place, plan: Plan, width: int, height: int, gap: int, small: Collection[Place] = (), scale: float = 1.0
) -> tuple[int, int, int, int]:
    """Left, top, width and height in pixels of one place on a page of this size.

    The places ``small`` have their small height, times ``scale``; in a stack of nothing else they keep their shares.
    """
    left, top, wide, high = _cells_box(place, plan, width, height, gap)
    beside = plan.place if place in plan.place else plan.without_parts
    stack = [other for other in beside if other.box == place.box]
    if len(stack) < 2:
        return left, top, wide, high
    fixed = {number: round(each.small * scale) for number, each in enumerate(stack) if each.small and each in small}
    if len(fixed) == len(stack):
        fixed = {}
    least = [round(each.least * scale) for each in stack]
    heights = _stacked([each.share for each in stack], least, fixed, high - gap * (len(stack) - 1))
    number = stack.index(place)
    return left, top + sum(heights[:number]) + gap * number, wide, heights[number]


def shared_out(
    box: tuple[int, int, int, int], count: int, gap: int, scale: float = 1.0
) -> list[tuple[int, int, int, int]]:
    """A place of ``count`` cards in equal boxes, as many beside each other as have room; the last row is filled."""
    left, top, width, height = box
    most = max(1, (width + gap) // (round(LEAST_EACH_PX * scale) + gap))
    rows = -(-count // most)
    found: list[tuple[int, int, int, int]] = []
    for row, (down, high) in enumerate(edges([1.0] * rows, height, gap)):
        here = -(-(count - len(found)) // (rows - row))
        found += [(left + at, top + down, wide, high) for at, wide in edges([1.0] * here, width, gap)]
    return found


def _stacked(shares: list[float], least: list[int], fixed: Mapping[int, int], room: int) -> list[int]:
    """Heights by share of what the fixed ones leave; none below its least while there is room for that."""
    found = dict(fixed)
    while len(found) < len(shares):
        free = {number: share for number, share in enumerate(shares) if number not in found}
        rest = max(0, room - sum(found.values()))
        stops = [round(rest * part / sum(free.values())) for part in itertools.accumulate(free.values(), initial=0.0)]
        heights = {number: stops[n + 1] - stops[n] for n, number in enumerate(free)}
        low = {number: least[number] for number, height in heights.items() if height < least[number]}
        found |= low if low and rest >= sum(least[number] for number in free) else heights
    return [found[number] for number in range(len(shares))]


def _cells_box(place: Place, plan: Plan, width: int, height: int, gap: int) -> tuple[int, int, int, int]:
    columns = edges(plan.column_shares, width, gap)
    rows = edges(plan.row_shares, height, gap)
    left, top = columns[place.column][0], rows[place.row][0]
    last_column = columns[place.column + place.columns - 1]
    last_row = rows[place.row + place.rows - 1]
    return left, top, last_column[0] + last_column[1] - left, last_row[0] + last_row[1] - top

"""Page layouts: ours is whole, broken ones are one sentence, cards never overlap."""

from __future__ import annotations

import itertools

import pytest

from meter.gui.page.layout import (
    Place,
    Plan,
    edges,
    making_room,
    pages_folder,
    plain_plan,
    read_plan,
    rectangle,
)
from tests.support.frames import ON_PAGE, ORDER

SIZES = [(1252, 708), (800, 480), (1920, 1040), (1251, 707)]


def test_our_page_places_all_our_meters_once_and_fills_the_grid():
    plan = read_plan(pages_folder() / "page.toml")
    assert {place.meter for place in plan.place} == set(ON_PAGE)
    assert set(plan.elsewhere) == set(ORDER) - set(ON_PAGE)
    always = {place.box: place for place in plan.place if not place.when_needed}
    covered = [cell for box in always.values() for cell in box.cells()]
    grid = set(itertools.product(range(len(plan.row_shares)), range(len(plan.column_shares))))
    assert len(covered) == len(set(covered))
    assert set(covered) == grid


def test_loudness_is_first_and_what_has_nothing_to_tell_is_small():
    plan = read_plan(pages_folder() / "page.toml")
    small = [place for place in plan.place if place.small]
    area = {place.meter: rectangle(place, plan, 1252, 708, 10, small) for place in plan.place}
    assert {place.meter for place in small} == {"mono_lows", "listening"}
    assert area["loudness"][:2] == (0, 0)
    top = {name: box[2] * box[3] for name, box in area.items() if box[1] == 0}
    assert max(top, key=top.__getitem__) == "loudness"
    assert {name for name, box in area.items() if box[1] == 0} == {"loudness", "vu", "peaks"}
    grown = {place.meter: rectangle(place, plan, 1252, 708, 10) for place in plan.place}
    for name in ("mono_lows", "listening"):
        assert grown[name][3] > 1.5 * area[name][3]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "plan", [read_plan(pages_folder() / "page.toml"), plain_plan("abcdefg")], ids=["page", "plain"]
)
def test_cards_keep_their_distance_and_stay_inside(size, plan):
    gap = 10
    boxes = [rectangle(making_room(place, plan.place), plan, *size, gap) for place in plan.place]
    for left, top, wide, high in boxes:
        assert left >= 0
        assert top >= 0
        assert left + wide <= size[0]
        assert top + high <= size[1]
        assert wide > 0
        assert high > 0
    for one, other in itertools.combinations(boxes, 2):
        apart_across = one[0] + one[2] + gap <= other[0] or other[0] + other[2] + gap <= one[0]
        apart_down = one[1] + one[3] + gap <= other[1] or other[1] + other[3] + gap <= one[1]
        assert apart_across or apart_down


def test_edges_share_the_length_out_exactly():
    parts = edges([1, 2, 4], 107, 10)
    assert parts == [(0, 12), (22, 25), (57, 50)]
    assert edges([1.0], 3, 10) == [(0, 3)]
    assert all(size >= 0 for _, size in edges([1, 1, 1], 5, 10))


HEAD = 'kind = "page"\nversion = 1\n'
GOOD = HEAD + 'name = "x"\ncolumn_shares = [1, 1]\nrow_shares = [1]\n'
BROKEN = {
    "not TOML": "name = ",
    "no shares": HEAD + 'name = "x"',
    "a share of nothing": HEAD + 'name = "x"\ncolumn_shares = [0]\nrow_shares = [1]\n',
    "no columns": HEAD + 'name = "x"\ncolumn_shares = []\nrow_shares = [1]\n',
    "unknown key": GOOD + 'colour = "red"\n',
    "twice": GOOD + '[[place]]\nmeter="vu"\nrow=0\ncolumn=0\n[[place]]\nmeter="vu"\nrow=0\ncolumn=1\n',
    "on another": GOOD + '[[place]]\nmeter="vu"\nrow=0\ncolumn=0\ncolumns=2\n[[place]]\nmeter="a"\nrow=0\ncolumn=1\n',
    "outside": GOOD + '[[place]]\nmeter="vu"\nrow=1\ncolumn=0\n',
    "too far": GOOD + '[[place]]\nmeter="vu"\nrow=0\ncolumn=100000\n',
    "negative": GOOD + '[[place]]\nmeter="vu"\nrow=-1\ncolumn=0\n',
    "endless": HEAD + 'name = "x"\ncolumn_shares = [inf]\nrow_shares = [1]\n',
    "not a number": HEAD + 'name = "x"\ncolumn_shares = [nan]\nrow_shares = [1]\n',
}


@pytest.mark.parametrize("text", BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_layout_is_one_sentence_that_names_it(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(match=r"mine\.toml") as caught:
        read_plan(path)
    assert "\n" not in str(caught.value).split(" (")[0]


def test_a_missing_or_binary_layout_is_one_sentence(tmp_path):
    with pytest.raises(match="cannot be read"):
        read_plan(tmp_path / "gone.toml")
    (tmp_path / "page.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(match="UTF-8"):
        read_plan(tmp_path / "page.toml")


def test_the_plain_plan_takes_any_number():
    assert plain_plan([]).place == ()
    for count in (1, 4, 5, 13):
        plan = plain_plan(str(number) for number in range(count))
        assert len(plan.place) == count
        assert len({(place.row, place.column) for place in plan.place}) == count


def test_a_plan_without_places_is_allowed():
    assert Plan("x", (1.0,), (1.0,)).place == ()
    assert Place("vu", 1, 2, 2, 1).cells() == {(1, 2), (2, 2)}


def conditional(**changes: object) -> str:
    place = {"meter": "lane", "row": 0, "column": 1, "when_needed": True} | changes
    words = "\n".join(
        f"{key} = {str(value).lower() if isinstance(value, bool) else repr(value)}" for key, value in place.items()
    )
    wide = '[[place]]\nmeter = "spectrum"\nrow = 0\ncolumn = 0\ncolumns = 2\n'
    return f'{HEAD}name = "x"\ncolumn_shares = [1, 1, 1]\nrow_shares = [1, 1]\n{wide}[[place]]\n{words}\n'


def test_a_place_when_needed_takes_the_last_columns_of_another(tmp_path):
    (tmp_path / "mine.toml").write_text(conditional(), encoding="utf-8")
    plan = read_plan(tmp_path / "mine.toml")
    wide, needed = plan.place
    assert making_room(wide, [wide]) == wide
    assert making_room(wide, [wide, needed]).columns == 1
    boxes = [rectangle(making_room(place, plan.place), plan, 320, 100, 10) for place in plan.place]
    assert boxes == [(0, 0, 100, 45), (110, 0, 100, 45)]


@pytest.mark.parametrize(
    "changes",
    [{"column": 0}, {"column": 0, "columns": 2}, {"column": 1, "columns": 2}, {"rows": 2}, {"when_needed": False}],
)
def test_a_place_that_covers_more_than_last_columns_is_refused(changes, tmp_path):
    (tmp_path / "mine.toml").write_text(conditional(**changes), encoding="utf-8")
    with pytest.raises(match="on “"):
        read_plan(tmp_path / "mine.toml")

"""Which further instances of meters can stand, whatever a settings file holds."""

from __future__ import annotations

import pytest

from meter.instances import LAST_NUMBER, MOST_FURTHER, Instance, feed_title, first_key, next_id, usable_instances

METERS = {"vu": "", "low_end": "it takes all feeds", "tilt": "", "tilt_3": ""}


def test_numbers_begin_at_two_and_fill_gaps() -> None:
    assert next_id("vu", ()) == "vu_2"
    assert next_id("vu", ("vu_2", "vu_4")) == "vu_3"
    assert next_id("tilt", ("tilt_2", "tilt_3")) == "tilt_4"


def test_a_feed_is_called_as_a_person_calls_it() -> None:
    assert (feed_title("part drum bus"), feed_title("mix")) == ("drum bus", "mix")


def test_instances_of_meters_that_are_there_stand_in_their_order() -> None:
    kept = [Instance("vu_3", "vu", "mix"), Instance("vu_2", "vu", "part drums"), Instance("tilt_2", "tilt", "mix")]
    assert usable_instances(kept, METERS) == tuple(kept)


@pytest.mark.parametrize(
    "odd",
    [
        Instance("vu", "vu", "mix"),
        Instance("vu_1", "vu", "mix"),
        Instance("vu_02", "vu", "mix"),
        Instance("vu_²", "vu", "mix"),
        Instance(f"vu_{LAST_NUMBER + 1}", "vu", "mix"),
        Instance("vu_" + "9" * 5000, "vu", "mix"),
        Instance("peaks_2", "vu", "mix"),
        Instance("peaks_2", "peaks", "mix"),
        Instance("low_end_2", "low_end", "mix"),
        Instance("tilt_3", "tilt", "mix"),  # a meter of its own
        Instance("vu_2", "vu", ""),
        Instance("vu_2", "vu", "part \n"),
        Instance("vu_2", "vu", "a" * 1000),
    ],
    ids=lambda odd: f"{odd.id[:12]} {odd.feed[:5]!r}",
)
def test_what_cannot_stand_is_left_out(odd: Instance) -> None:
    good = Instance("vu_9", "vu", "mix")
    assert usable_instances([odd, good], METERS) == (good,)


def test_one_id_stands_once_and_all_of_them_are_limited() -> None:
    assert usable_instances([Instance("vu_2", "vu", "mix"), Instance("vu_2", "vu", "part a")], METERS) == (
        Instance("vu_2", "vu", "mix"),
    )
    many = [Instance(f"vu_{number}", "vu", "mix") for number in range(2, 200)]
    assert usable_instances(many, METERS) == tuple(many[:MOST_FURTHER])


def test_a_key_of_a_further_instance_is_that_of_the_first() -> None:
    assert first_key("vu_2.now") == "vu.now"
    assert first_key("mono_lows_12.loss") == "mono_lows.loss"
    for own in ("vu.now", "mono_lows.loss", "vu_1.now", "vu_02.now", "_2.now"):
        assert first_key(own) == own

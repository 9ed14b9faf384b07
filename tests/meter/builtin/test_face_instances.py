"""Every face of ours shows the second instance of its meter just as it shows the first."""

from __future__ import annotations

import numpy as np
import pytest

from meter.instances import Instance
from meter.readings import Field, Frame, Layout
from tests.support.faces import STATES, make, rows_of, widened, words_of
from tests.support.frames import AGAINST, HEARD_BEFORE, ORDER, all_manifests, layout, status
from tests.support.frames import frame as snapshot_of

DRUMS = "part drums"
FEEDS = {"mix": (0, 1), DRUMS: (0, 1)}


def both(readings: str) -> Frame:
    """A frame with nothing heard on the mix; each second instance has these readings of the drums."""
    found = all_manifests()
    firsts = tuple(Instance(key, key, item.feed) for key, item in found.items())
    seconds = tuple(Instance(f"{key}_2", key, DRUMS) for key in found)
    fields = {each.id: found[each.meter].fields for each in firsts + seconds}
    plan = Layout.build(fields, dict.fromkeys(fields, 2), FEEDS, instances=firsts + seconds)
    given = widened(STATES[readings](alone()), alone())
    moved = {key.replace(".", "_2.", 1): value for key, value in given.items()}
    made = snapshot_of(given=moved, plan=plan, feed=status(100.0, channels=2))
    return Frame(plan, made.values, made.status, {"drift_2.passage": HEARD_BEFORE, "lane_2.against": AGAINST})


def shown(readings: str) -> Frame:
    """The same readings of the first instances, without others."""
    given = widened(STATES[readings](alone()), alone())
    return snapshot_of(given=given, plan=alone(), feed=status(100.0, channels=2))


def alone() -> Layout:
    """The layout with the first instances only."""
    return layout(2)


@pytest.mark.parametrize("readings", ["usual", "stale"])
@pytest.mark.parametrize("meter_id", [name for name in ORDER if name != "listening"])
def test_a_face_shows_the_second_instance_as_it_shows_the_first(meter_id: str, readings: str, qtbot) -> None:
    first, second = make(meter_id, qtbot), make(meter_id, qtbot)
    second.stand_for(f"{meter_id}_2", first.title)
    first.show_frame(shown(readings))
    second.show_frame(both(readings))
    assert words_of(second) == words_of(first)
    assert np.array_equal(rows_of(second.grab().toImage()), rows_of(first.grab().toImage()))


@pytest.mark.parametrize("meter_id", [name for name in ORDER if name != "drift"])
def test_a_face_of_the_first_instance_shows_nothing_of_the_second(meter_id: str, qtbot) -> None:
    face, other = make(meter_id, qtbot), make(meter_id, qtbot)
    face.show_frame(both("usual"))
    other.show_frame(shown("not_yet"))
    assert words_of(face) == words_of(other)


BUS_A, BUS_B = Instance("a_2", "a", "part bus"), Instance("b_3", "b", "part bus")
FIRSTS = (Instance("a", "a", "mix"), Instance("b", "b", "mix"))


def test_another_meter_is_looked_for_on_the_same_feed() -> None:
    field = (Field("x", "dB"),)
    names = ("a", "b", "a_2", "b_3")
    instances = (*FIRSTS, BUS_A, BUS_B)
    plan = Layout.build(dict.fromkeys(names, field), dict.fromkeys(names, 1), instances=instances)
    assert plan.key("a_2", "x") == plan.key("a_2", "a.x") == "a_2.x"
    assert (plan.key("a", "b.x"), plan.key("a_2", "b.x")) == ("b.x", "b_3.x")
    without = Layout((), instances=(*FIRSTS, BUS_A))
    assert without.key("a_2", "b.x") == ""
    assert np.isnan(Frame(without, np.empty(0)).number(""))

"""The draw clock: newest snapshot only, nothing while unseen, slower rather than late."""

from __future__ import annotations

import math

import pytest

from meter.gui.kit.draw_clock import BUDGET_SECONDS, RELIEF_SECONDS, SLOWEST_DIVISOR, DrawClock, Pace
from tests.support.frames import FakeLink, frame

TICK = 1 / 60


class FakePanel:
    def __init__(self, name, cost=0.0):
        self.name = name
        self.cost = cost
        self.visible = True
        self.shown = []
        self._spent = 0.0

    def can_be_seen(self):
        return self.visible

    def show_frame(self, given):
        self.shown.append(given)
        self._spent += self.cost

    def drawing_seconds(self):
        spent, self._spent = self._spent, 0.0
        return spent


class Setup:
    def __init__(self, *panels):
        self.link = FakeLink()
        self.panels = list(panels)
        self.seen = True
        self.observed = []
        self.time = 0.0
        self.clock = DrawClock(
            self.link, lambda: self.panels, lambda: self.seen, self.observed.append, now=lambda: self.time
        )

    def turn(self, given=None, times=1):
        for _ in range(times):
            self.link.now = given if given is not None else frame(self.time)
            self.time += TICK
            self.clock.tick()


@pytest.fixture
def two(qapp):
    return Setup(FakePanel("one"), FakePanel("two"))


def test_before_the_first_snapshot_nothing_is_shown(two):
    two.time = 1.0
    two.clock.tick()
    assert two.panels[0].shown == []
    assert two.link.polls == 1


def test_each_snapshot_is_shown_once(two):
    same = frame(1.0)
    two.turn(same, times=5)
    assert [len(panel.shown) for panel in two.panels] == [1, 1]
    two.turn(frame(2.0))
    assert [len(panel.shown) for panel in two.panels] == [2, 2]
    assert len(two.observed) == 2


def test_the_engine_is_looked_after_ten_times_a_second(two):
    same = frame(1.0)
    two.turn(same, times=600)
    assert 80 <= two.link.polls <= 101


def test_unseen_nothing_is_drawn_but_the_feed_is_followed(two):
    two.seen = False
    two.turn(times=10)
    assert two.panels[0].shown == []
    assert len(two.observed) == 10
    two.seen = True
    newest = two.link.now
    two.turn(newest)
    assert [panel.shown for panel in two.panels] == [[newest], [newest]]


def test_a_hidden_panel_gets_the_newest_when_it_is_back(two):
    two.panels[1].visible = False
    two.turn(times=3)
    two.panels[1].visible = True
    two.turn(two.link.now)
    assert len(two.panels[0].shown) == 3
    assert two.panels[1].shown == [two.link.now]


def test_drawing_again_shows_the_same_snapshot_once_more(two):
    same = frame(1.0)
    two.turn(same, times=2)
    two.clock.draw_again()
    two.turn(same, times=2)
    assert [len(panel.shown) for panel in two.panels] == [2, 2]


def test_a_tick_inside_a_tick_is_skipped(two):
    class Nested(FakePanel):
        def show_frame(self, given):
            two.clock.tick()
            super().show_frame(given)

    two.panels = [Nested("nested")]
    two.turn()
    assert two.clock.statistics()["skipped"] == 1
    assert len(two.panels[0].shown) == 1


def test_a_tick_that_fails_does_not_stop_the_next(two):
    two.observed = None
    broken = DrawClock(two.link, lambda: two.panels, lambda: True, lambda _: 1 / 0, now=lambda: two.time)
    two.link.now = frame(1.0)
    with pytest.raises(ZeroDivisionError):
        broken.tick()
    broken.tick()
    assert broken.statistics()["skipped"] == 0


def test_the_dearest_panel_is_halved_after_a_second_and_noted(qapp):
    setup = Setup(FakePanel("cheap", 0.001), FakePanel("dear", 0.009))
    notes = []
    setup.clock.noted.connect(notes.append)
    setup.turn(times=70)
    assert setup.clock.pace.slowed() == {"dear": 2}
    assert len(notes) == 1
    assert notes[0].startswith("dear is drawn at 1/2")
    before = [len(panel.shown) for panel in setup.panels]
    setup.turn(times=20)
    assert [len(panel.shown) - count for panel, count in zip(setup.panels, before, strict=True)] == [20, 10]


def test_a_slowed_panel_shows_the_newest_snapshot_when_its_turn_comes(qapp):
    setup = Setup(FakePanel("dear", 0.009))
    setup.turn(times=70)
    last = frame(99.0)
    setup.turn(last, times=SLOWEST_DIVISOR)
    assert setup.panels[0].shown[-1] is last


def test_a_short_stall_slows_nothing():
    pace = Pace()
    for number in range(120):
        pace.add({"one": 0.400 if number % 10 == 0 else 0.002}, 0.0, number * TICK)
    assert pace.slowed() == {}


def test_rates_stop_at_a_quarter_and_come_back_after_a_light_while():
    pace = Pace()
    now = 0.0
    for _ in range(60 * 10):
        now += TICK
        pace.add({"dear": 2 * BUDGET_SECONDS}, 0.0, now)
    assert pace.slowed() == {"dear": SLOWEST_DIVISOR}
    notes = []
    for _ in range(int(60 * 2.2 * (RELIEF_SECONDS + 2))):
        now += TICK
        notes.append(pace.add({"dear": BUDGET_SECONDS / 10}, 0.0, now))
    assert pace.slowed() == {}
    assert len([note for note in notes if note]) == 2


def test_statistics_are_percentiles_of_the_frames():
    pace = Pace()
    assert math.isnan(pace.statistics()["frame_ms_p50"])
    for number in range(100):
        pace.add({"one": number / 1e5}, 0.001, number / 1e3)
    found = pace.statistics()
    assert found["frames"] == 100
    assert found["frame_ms_p50"] == pytest.approx(1.495)
    assert found["frame_ms_p95"] == pytest.approx(1.9405)


def test_the_timer_is_precise_and_stops(qapp, qtbot):
    setup = Setup(FakePanel("one"))
    setup.clock.start()
    qtbot.waitUntil(lambda: setup.clock.statistics()["ticks"] >= 5, timeout=2000)
    setup.clock.stop()
    assert not setup.clock.running()
    ticks = setup.clock.statistics()["ticks"]
    qtbot.wait(50)
    assert setup.clock.statistics()["ticks"] == ticks

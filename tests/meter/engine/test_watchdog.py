"""The state machine over the time since the last sound, driven by times handed in."""

from __future__ import annotations

from meter.engine.watchdog import BACK_OFF_SECONDS, SourceWatch, Verdict


def opened(at: float = 0.0, latency: float = 0.085, **options: bool) -> SourceWatch:
    watch = SourceWatch(latency, **options)
    watch.opened(at)
    return watch


def judged_until(watch: SourceWatch, start: float, end: float, last_sound: float) -> Verdict:
    """Ask ten times a second, as the engine does at least; the last answer."""
    for tenth in range(round((end - start) * 10)):
        watch.judge(start + tenth / 10, last_sound, faulty=False)
    return watch.judge(end, last_sound, faulty=False)


def test_starting_until_the_first_sound_then_running() -> None:
    watch = opened()
    assert watch.judge(0.3, None, faulty=False) == Verdict("starting")
    assert watch.judge(0.5, 0.45, faulty=False) == Verdict("running")


def test_late_then_lost_then_reopening_with_back_off() -> None:
    watch = opened()
    assert judged_until(watch, 0.5, 1.6, 0.5).state == "late"
    assert judged_until(watch, 1.6, 3.5, 0.5) == Verdict("lost")
    assert watch.judge(3.6, 0.5, faulty=False) == Verdict("reopening", reopen=False)
    assert watch.judge(3.5 + BACK_OFF_SECONDS[0], 0.5, faulty=False).reopen


def test_attempts_are_put_off_longer_each_time_but_never_given_up() -> None:
    watch = opened()
    now = 10.0
    waits = []
    for _ in range(6):
        watch.open_failed(now)
        start = now
        while not watch.judge(now, None, faulty=False).reopen:
            now += 0.05
        waits.append(round(now - start, 1))
    assert waits == [0.5, 1.0, 2.0, 5.0, 5.0, 5.0]
    assert watch.judge(now - 0.1, None, faulty=False).state == "waiting"


def test_a_stream_that_ended_is_lost_at_once() -> None:
    watch = opened()
    assert watch.judge(0.5, 0.5, faulty=True) == Verdict("lost")


def test_sound_after_reopening_is_running_and_the_back_off_starts_over() -> None:
    watch = opened()
    watch.judge(0.5, 0.5, faulty=True)
    watch.opened(1.0)
    assert watch.judge(1.1, None, faulty=False).state == "starting"
    assert watch.judge(1.3, 1.3, faulty=False).state == "running"
    watch.open_failed(2.0)
    assert watch.judge(2.0 + BACK_OFF_SECONDS[0], None, faulty=False).reopen


def test_a_loopback_that_is_silent_is_idle_not_lost() -> None:
    watch = opened(idle_is_normal=True)
    assert judged_until(watch, 0.5, 60.0, 0.5) == Verdict("idle")


def test_a_long_latency_is_given_more_time() -> None:
    watch = opened(latency=0.5)
    assert judged_until(watch, 0.1, 4.0, 0.1).state == "running"
    assert judged_until(watch, 4.0, 6.0, 0.1).state == "late"


def test_who_was_asleep_gives_the_source_time_to_be_heard_again() -> None:
    watch = opened()
    assert judged_until(watch, 0.5, 1.0, 1.0).state == "running"
    assert watch.judge(600.0, 1.0, faulty=False).state == "running"
    assert judged_until(watch, 600.1, 600.9, 1.0).state == "running"
    assert judged_until(watch, 601.0, 602.0, 1.0).state == "late"
    assert judged_until(watch, 602.1, 603.0, 1.0) == Verdict("lost")

"""Captured sound: the newest frames as blocks that stay as they are, and nothing from before a gap."""

from __future__ import annotations

import numpy as np

from dsp.core.captured_stretch import Capture

STREAM = np.arange(300, dtype=np.float32)[None, :] + np.array([[0.0], [1000.0]], dtype=np.float32)


def pushed(capture: Capture, sizes: list[int]) -> Capture:
    start = 0
    for size in sizes:
        capture.push(STREAM[:, start : start + size])
        start += size
    return capture


def test_the_newest_blocks_hold_as_many_frames_as_asked_and_no_block_more() -> None:
    capture = pushed(Capture(100), [40, 40, 40, 40, 40])
    np.testing.assert_array_equal(np.hstack(capture.held()), STREAM[:, 80:200])
    assert capture.held_frames == 120
    assert np.hstack(pushed(Capture(100), [60, 40]).held()).shape[1] == 100


def test_what_is_held_stays_while_more_comes() -> None:
    capture = pushed(Capture(80), [40, 40])
    held = capture.held()
    capture.push(STREAM[:, 80:120])
    capture.cut()
    np.testing.assert_array_equal(np.hstack(held), STREAM[:, :80])


def test_a_gap_lets_go_of_all_before() -> None:
    capture = pushed(Capture(100), [40, 40])
    capture.cut()
    assert capture.held() == ()
    capture.push(STREAM[:, 80:90])
    assert capture.held_frames == 10
    np.testing.assert_array_equal(np.hstack(capture.held()), STREAM[:, 80:90])

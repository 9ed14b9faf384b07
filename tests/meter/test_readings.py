"""Snapshots as the window, the tables and JSON read them."""

from __future__ import annotations

import json

from meter.commands.frame_tables import words_of
from tests.support.frames import frame


def test_nothing_at_all_is_nought_and_has_no_sign() -> None:
    """A loss of a hair below 0 dB is rounded to 0.0, in JSON and in the table of a headless run."""
    for value in (-0.0, -1e-9):
        snapshot = frame(given={"mono_lows.fold_down_loss": value, "stereo.correlation": value})
        found = snapshot.summary()
        assert json.dumps(found["mono_lows.fold_down_loss_db"]) == "0.0"
        assert words_of(snapshot.layout.by_key["mono_lows.fold_down_loss"], value) == "0.0 dB"
        assert words_of(snapshot.layout.by_key["stereo.correlation"], value) == "+0.00"
    assert words_of(snapshot.layout.by_key["mono_lows.fold_down_loss"], -0.06) == "-0.1 dB"

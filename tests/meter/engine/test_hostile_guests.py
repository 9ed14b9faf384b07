"""Meters by others that do harm: each is set aside with a reason, and the others read the same to the last digit."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dsp.core.signals import tone
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.saved_state import EngineState, pack, unpack
from meter.plugin.host import Plugin, discover, usable
from meter.readings import Frame
from tests.support.hostile import METHODS, Hostile, write_hostile
from tests.support.plugins import write_meter

RATE = 48_000
OURS = ("vu", "loudness", "peaks")
FEEDS = {"mix": (0, 1)}


@cache
def ours() -> tuple[Plugin, ...]:
    return tuple(plugin for plugin in usable(discover()) if plugin.id in OURS)


@cache
def sound() -> Any:
    noise = np.random.default_rng(5).normal(0.0, 0.02, (RATE, 2))
    return tone(997.0, -20.0, 1.0, RATE, 2) + noise


def measured(folders: list[Path]) -> tuple[Frame, dict[str, str]]:
    """A second of sound with everything that can happen to a chain in it, and the faults."""
    guests = [plugin for plugin in discover(folders, installed=False) if plugin.usable]
    meters = [GuardedMeter(plugin) for plugin in (*ours(), *guests)]
    chain = Chain(meters, RATE, 2, FEEDS)
    for number, start in enumerate(range(0, RATE, 480)):
        chain.process(sound()[start : start + 480])
        chain.read_live()
        if number == 20:
            chain.skip(480)
        if number == 30:
            left = pack(EngineState(1, "script", 0.0, (0, 0, 0), chain.save_state()), 1_000_000)
            chain.restore_state(unpack(left).meters)
        if number == 40:
            chain.mark()
        for meter in meters:
            meter.stretch("look")
    return Frame(chain.layout, chain.read().copy()), chain.faults


@cache
def alone() -> dict[str, Any]:
    frame, faults = measured([])
    assert faults == {}
    return {slot.key: frame.vector(slot.key) for slot in frame.layout.slots}


def unharmed(folders: list[Path]) -> dict[str, str]:
    """Measure with these guests; all readings of ours must be what they are without any. Returns the faults."""
    frame, faults = measured(folders)
    for key, values in alone().items():
        assert np.array_equal(frame.vector(key), values, equal_nan=True), key
    return faults


@pytest.fixture
def without_interrupts() -> Iterator[None]:
    """As in the engine's process, where Ctrl-C is left to the window."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    yield
    signal.signal(signal.SIGINT, before)


RAISES = {
    "an error": "raise ValueError('no')",
    "exit": "raise SystemExit(3)",
    "an interrupt": "raise KeyboardInterrupt",
    "its own kind of error": "raise type('Odd', (BaseException,), {})('no')",
    "an error without words": "raise type('Odd', (Exception,), {'__str__': lambda self: 1 / 0})()",
}


@pytest.mark.parametrize("kind", RAISES)
@pytest.mark.parametrize("method", METHODS)
def test_what_raises_in_any_method_is_set_aside(
    tmp_path: Path, method: str, kind: str, without_interrupts: None
) -> None:
    guest = write_hostile(tmp_path / "bad", "bad", Hostile({method: RAISES[kind]}))
    good = write_meter(tmp_path / "good", "good")
    faults = unharmed([guest, good])
    if method in ("save_state", "restore_state"):
        assert faults == {}, "that costs only its saved state"
    elif method == "reset":
        assert faults == {}, "nothing was reset"
    else:
        assert list(faults) == ["bad"]
        assert "process.py, line" in faults["bad"]


HARM = {
    "writes to the block": Hostile({"process": "block[:] = 0.0"}),
    "writes to the block by force": Hostile(
        {
            "process": """
            array = block
            while array is not None:
                array.flags.writeable = True
                array[:] = 0.0
                array = array.base
            """
        }
    ),
    "a size too many": Hostile({"read": 'out["total"] = [1.0, 2.0]'}),
    "an unknown field": Hostile({"read": 'out["other"] = 1.0'}),
    "a word": Hostile({"read": 'out["total"] = "loud"'}),
    "a complex number": Hostile({"read": 'out["total"] = 1j'}),
    "an import that is not there": Hostile({}, start="import nothing_of_this_name"),
}
HARMLESS = {
    "writes to the readings of others": Hostile({"read": "out._values[:] = 0.0"}),
    "widens its view of the readings": Hostile(
        {
            "read": """
            view = out._views["total"]
            while view is not None:
                view[...] = 0.0
                view = view.base
            """
        }
    ),
    "not a number": Hostile({"read": 'out["total"] = float("nan")'}),
    "nothing": Hostile({"read": 'out["total"] = None'}),
    "infinite": Hostile({"read": 'out["total"] = float("inf")'}),
    "empties the map of the feeds": Hostile(
        {"prepare": "self.total = 0.0; spec.feeds.clear()"}, manifest='feed = "all"\nservices = ["feed_map"]'
    ),
    "saves what ends the program when it is looked at": Hostile(
        {"save_state": "return {'total': type('Odd', (), {'__array__': lambda *_, **__: exit(3)})()}"}
    ),
    "saves a list that holds itself": Hostile({"save_state": "a = []; a.append(a); return {'total': a}"}),
    "saves far too much": Hostile({"save_state": "import numpy; return {'total': numpy.zeros(10**6)}"}),
    "keeps every block": Hostile(
        {"prepare": "self.total, self.kept = 0.0, []", "process": "self.kept.append(block)"}
    ),
}


@pytest.mark.parametrize("kind", HARM)
def test_what_does_harm_is_set_aside(tmp_path: Path, kind: str) -> None:
    guest = write_hostile(tmp_path / "bad", "bad", HARM[kind])
    faults = unharmed([guest])
    assert list(faults) == ["bad"]


@pytest.mark.parametrize("kind", HARMLESS)
def test_what_cannot_do_harm_changes_nothing(tmp_path: Path, kind: str) -> None:
    unharmed([write_hostile(tmp_path / "odd", "odd", HARMLESS[kind])])


def test_guests_cannot_change_what_other_guests_get(tmp_path: Path) -> None:
    force = write_hostile(tmp_path / "force", "force", HARM["writes to the block by force"])
    good = write_meter(tmp_path / "good", "good")
    frame, faults = measured([force, good])
    assert list(faults) == ["force"]
    assert frame.number("good.total") == pytest.approx(float((sound() ** 2).sum()), rel=1e-12)


def test_readings_that_no_snapshot_has_room_for_leave_the_meter_out(tmp_path: Path) -> None:
    field = '\n[[field]]\nkey = "k{}"\nunit = ""\nsize = 16384\n'
    more = "".join(field.format(number) for number in range(5))
    faults = unharmed([write_hostile(tmp_path / "big", "big", Hostile({}, more=more))])
    assert "no room for the readings" in faults["big"]

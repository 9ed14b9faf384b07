"""An engine on an open-ended script, twice: once with a faulty meter beside the others, once without."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from textwrap import dedent

import numpy as np
from numpy.typing import NDArray

from meter.audio.script import Event, ScriptedSource, Tone
from meter.audio.source import SourceRequest
from meter.engine.engine import Engine
from meter.engine.in_process import Mailbox
from meter.engine.state_saver import StateSaver
from meter.plugin.host import Plugin, discover
from meter.readings import Frame
from tests.support.plugins import write_meter

STEP_SECONDS = 0.04
REQUEST = SourceRequest("script", "a script")
FILLER = Tone(0.5, 997.0, -20.0)

FAULTS = ("none", "raise", "exit", "nan", "shape", "key", "deep", "write")
"""What the faulty meter does when it is told to; "write" is to the sound that others measure too."""

FAULTY = '''
class Faulty:
    """Does what its setting says, in every method that comes after it was set."""

    def configure(self, settings):
        self.fault = settings["fault"]

    def prepare(self, spec):
        self.do()

    reset = mark = prepare

    def __init__(self):
        self.fault = "none"

    def reset(self):
        self.do()

    def mark(self):
        self.do()

    def skip(self, frames):
        self.do()

    def process(self, block):
        self.do(block)

    def read(self, out):
        values = {"nan": float("nan"), "shape": [1.0, 2.0, 3.0], "deep": {"a": 1}}
        if self.fault == "key":
            out["nothing"] = 1.0
        out["total"] = values.get(self.fault, 0.0)

    def save_state(self):
        return {"total": object()} if self.fault == "shape" else {"total": 1.0}

    def restore_state(self, kept):
        self.do()

    def do(self, block=None):
        if self.fault == "raise":
            raise RuntimeError("a fault of the meter, told in a long sentence " * 50)
        if self.fault == "exit":
            raise SystemExit(3)
        if self.fault == "write" and block is not None:
            block *= 0.0
'''


def faulty_meter(folder: Path) -> Path:
    """A meter with the setting ``fault``, one of ``FAULTS``."""
    write_meter(folder, "faulty")
    manifest = folder / "manifest.toml"
    text = manifest.read_text(encoding="utf-8").replace("process:Meter", "process:Faulty")
    choices = ", ".join(f'"{fault}"' for fault in FAULTS)
    setting = f'\n[[setting]]\nkey = "fault"\ndefault = "none"\nchoices = [{choices}]\n'
    manifest.write_text(text + setting, encoding="utf-8")
    (folder / "process.py").write_text(dedent(FAULTY), encoding="utf-8")
    return folder


class StateRegion:
    """As the shared block has one, in this process."""

    def __init__(self) -> None:
        self.room: NDArray[np.uint8] = np.zeros(400_000, np.uint8)
        self.beginning = 0


class _OpenEnd(deque[Event]):
    """Events that never end: a tone follows when there is nothing else."""

    def __bool__(self) -> bool:
        return True

    def popleft(self) -> Event:
        return super().popleft() if len(self) else FILLER


class OpenScript(ScriptedSource):
    """A script that goes on for as long as time does; ``add`` puts an event behind those that were added."""

    def __init__(self, rate_hz: int) -> None:
        super().__init__((), rate_hz=rate_hz)
        self._events = _OpenEnd()

    def add(self, event: Event) -> None:
        """It comes when what was begun is played, half a second later at most."""
        self._events.append(event)

    @property
    def delivered(self) -> int:
        """Frames delivered so far."""
        return int(self.statistics()["frames"])


class Side:
    """One engine at a time on one script and one clock; time moves only by ``run``."""

    def __init__(self, plugins: Sequence[Plugin], rate_hz: int) -> None:
        self._plugins = plugins
        self.source = OpenScript(rate_hz)
        self.region = StateRegion()
        self.at_play = "nothing"
        self.start()

    @classmethod
    def make(cls, rate_hz: int, *folders: Path) -> Side:
        """With our loudness meter and the meters of these folders."""
        ours = [plugin for plugin in discover() if plugin.id == "loudness"]
        return cls([*ours, *discover(folders, installed=False)], rate_hz)

    def start(self) -> None:
        """A new engine, which finds what the one before it left."""
        self.box = Mailbox()
        self.engine = Engine(
            self._plugins,
            self.box,
            clock=self.now,
            open_source=lambda _request: self.source,
            state_saver=StateSaver(self.region),
            threaded_studies=False,
        )
        self.engine.spans.at_play = self.at_play
        self.engine.open(REQUEST)

    def now(self) -> float:
        """Monotonic seconds of the script."""
        return self.source.now_ns() / 1e9

    def run(self, seconds: float, look: Callable[[], None] = lambda: None) -> None:
        """Time goes on; ``look`` is called after each step of the engine."""
        for _ in range(max(1, round(seconds / STEP_SECONDS))):
            self.source.advance(STEP_SECONDS)
            while self.engine.step():
                pass
            look()

    def begin(self) -> None:
        """What the window does before a reset and before another source: what engines left counts no more."""
        self.region.beginning += 1

    @property
    def frame(self) -> Frame:
        """The newest readings."""
        self.engine.step()
        frame = self.box.take()
        assert frame is not None
        return frame

"""A counter that sounds as time goes, and a meter that says what of it never arrived.

The counter stands for the time since its start: a feeder that is started again goes on where it would be by now. So
the step of the counter over a gap, less the silence that was heard in it, is how much sound was missed, whatever the
program says of it.
"""

from __future__ import annotations

import json
import os
import subprocess
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from textwrap import dedent

import numpy as np

from tests.live.server import COUNTER_PERIOD, FEED_LATENCY_MS

RATE_HZ = 48_000
CHUNK_FRAMES = 4800
STARTED = b"Stream started"


class CountingFeeder:
    """One ``pacat`` that plays the counter of this moment to the output that is the default when it starts.

    ``late`` is how many seconds after its first number was due that number sounded: a busy machine takes a while.
    """

    def __init__(self, began: float) -> None:
        command = [
            "pacat", "--raw", "--format=float32le", f"--rate={RATE_HZ}", "--channels=2",
            f"--latency-msec={FEED_LATENCY_MS}", "--verbose",
        ]  # fmt: skip
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            env={**os.environ, "LC_ALL": "C"}, bufsize=0,
        )  # fmt: skip
        self._due = time.monotonic()
        self.late = 0.0
        first = 1 + round((self._due - began) * RATE_HZ)
        self._threads = [
            threading.Thread(target=self._feed, args=(first,), daemon=True),
            threading.Thread(target=self._watch, daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Stop playing; may be called twice."""
        self._process.kill()
        self._process.wait()
        for thread in self._threads:
            thread.join()

    def _watch(self) -> None:
        """Note when sound begins, and keep reading what the player says."""
        assert self._process.stderr is not None
        said = b""
        with self._process.stderr as pipe:
            while words := pipe.read(4096):
                said = (said + words)[-8192:]
                if not self.late and STARTED in said:
                    self.late = time.monotonic() - self._due

    def _feed(self, number: int) -> None:
        assert self._process.stdin is not None
        try:
            with self._process.stdin as pipe:
                while True:
                    numbers = (np.arange(number, number + CHUNK_FRAMES) % COUNTER_PERIOD) / COUNTER_PERIOD
                    pipe.write(np.repeat(numbers.astype("<f4"), 2).tobytes())
                    number += CHUNK_FRAMES
        except OSError:
            return  # stopped, or its server went away


@dataclass(frozen=True)
class Step:
    """One place where the counter did not go on: ``at`` this time of day it sounded again.

    In seconds: the counter went ``on`` by so much, ``silent`` was heard in between, the meter was told of ``told``.
    """

    at: float
    on: float
    silent: float
    told: float

    @property
    def missed(self) -> float:
        """How much sound never arrived."""
        return self.on - self.silent

    @property
    def is_of_the_signal(self) -> bool:
        """Silence and nothing missing: the player or the server stood still, and the capture did not."""
        return not self.told and self.silent > 0.0


def steps_in(path: Path) -> list[Step]:
    """What the meter wrote so far."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return [Step(**json.loads(line)) for line in lines]


def write_witness(folder: Path, notes: Path) -> Path:
    """The folder of a meter that writes each ``Step`` to ``notes``; its state outlives an engine."""
    folder.mkdir()
    manifest = """
        id = "witness"
        name = "Witness"
        version = "0.1.0"
        contract = "2.0"
        processor = "process:Witness"

        [[field]]
        key = "heard"
        unit = "frames"
    """
    (folder / "manifest.toml").write_text(dedent(manifest), encoding="utf-8")
    code = PROCESS.replace("NOTES", repr(str(notes))).replace("PERIOD", str(COUNTER_PERIOD))
    (folder / "process.py").write_text(code.replace("RATE_HZ", str(RATE_HZ)), encoding="utf-8")
    return folder


PROCESS = """
import json
import time

import numpy as np


MOST_STEPS = 1000  # a counter that is no counter steps at each frame


class Witness:
    written = 0

    def configure(self, settings):
        pass

    def prepare(self, spec):
        self.reset()

    def reset(self):
        self.last, self.lost, self.silent, self.heard = -1, 0, 0, 0

    def skip(self, frames):
        self.lost += frames

    def process(self, block):
        numbers = np.rint(block[:, 0] * PERIOD).astype(np.int64)
        sounding = np.flatnonzero(numbers)
        if not len(sounding):
            self.silent += len(numbers)
            return
        cuts = np.flatnonzero((np.diff(sounding) != 1) | (np.diff(numbers[sounding]) % PERIOD != 1)) + 1
        end = 0
        for run in np.split(sounding, cuts):
            self.silent += int(run[0]) - end
            self.arrive(int(numbers[run[0]]))
            end, self.last = int(run[-1]) + 1, int(numbers[run[-1]])
            self.heard += len(run)
        self.silent += len(numbers) - end

    def arrive(self, number):
        # A player that starts late may begin a little before where the last one ended: no step of almost a period.
        jump = (number - self.last - 1 + PERIOD // 2) % PERIOD - PERIOD // 2 if self.last >= 0 else 0
        if (jump or self.lost or self.silent) and self.last >= 0 and self.written < MOST_STEPS:
            self.written += 1
            step = {"on": jump / RATE_HZ, "silent": self.silent / RATE_HZ, "told": self.lost / RATE_HZ}
            with open(NOTES, "a", encoding="utf-8") as file:
                file.write(json.dumps({"at": time.time(), **step}) + "\\n")
        self.lost = self.silent = 0

    def read(self, out):
        out["heard"] = self.heard

    def save_state(self):
        return {"last": self.last, "lost": self.lost, "silent": self.silent, "heard": self.heard}

    def restore_state(self, kept):
        self.last, self.lost = int(kept["last"]), int(kept["lost"])
        self.silent, self.heard = int(kept["silent"]), int(kept["heard"])
"""

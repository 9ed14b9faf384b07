"""Inputs of PortAudio, queried in a child process with a deadline, because a driver may block for minutes.

PortAudio starts when it is loaded, and on Linux queries every ALSA plug-in then; one whose sound server does not
answer never returns. ``python -m meter.audio.driver_query`` is the child: it prints ``ASKING`` before it loads the
library, then one JSON object with ``inputs`` or with ``error``, one sentence.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from dataclasses import asdict
from types import TracebackType

from meter.audio import portaudio
from meter.audio.portaudio import InputDevice
from meter.audio.source import SourceError
from meter.children import end_with_input, interrupts_held

ANSWER_SECONDS = 3.0
START_SECONDS = 20.0
"""Time for the child to load Python; the driver's deadline starts after that."""
ASKING = "asking"


class DriverQuery:
    """A query that starts when it is created. Use it as a context manager, so that the child ends."""

    def __init__(self) -> None:
        self._lines: queue.Queue[str] = queue.Queue()
        with interrupts_held():
            self._child = subprocess.Popen(
                [sys.executable, "-m", "meter.audio.driver_query"],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8",
                errors="replace",
            )  # fmt: skip
        threading.Thread(target=self._read, name="driver query", daemon=True).start()

    def inputs(self) -> list[InputDevice]:
        """Every device with at least one input. Raises SourceError, also without an answer in ``ANSWER_SECONDS``."""
        try:
            if self._lines.get(timeout=START_SECONDS).strip() != ASKING:
                raise SourceError("The program that asks for sound inputs did not start; install Earwitness again.")
            return _from_json(self._lines.get(timeout=ANSWER_SECONDS))
        except queue.Empty as error:
            raise SourceError(
                f"PortAudio has not answered for {ANSWER_SECONDS:g} s: a sound driver or the sound server hangs; "
                "restart the sound server, or unplug the interface and plug it in again."
            ) from error
        except ValueError as error:
            raise SourceError(
                "PortAudio ended the program that asked for sound inputs; update the driver of the interface."
            ) from error

    def close(self) -> None:
        """Kill the child; may be called twice."""
        self._child.kill()
        self._child.wait()
        if self._child.stdin is not None:
            self._child.stdin.close()

    def __enter__(self) -> DriverQuery:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read(self) -> None:
        assert self._child.stdout is not None
        with self._child.stdout as stream:
            for line in stream:
                self._lines.put(line)
        self._lines.put("")


def _from_json(text: str) -> list[InputDevice]:
    """Decode an answer. Raises ValueError for other text, SourceError for an answer with ``error``."""
    try:
        plain = json.loads(text)
        if "error" in plain:
            raise SourceError(str(plain["error"]))
        return [InputDevice(**device) for device in plain["inputs"]]
    except (KeyError, TypeError) as error:
        raise ValueError(text) from error


def main() -> int:
    """Query and print. Always returns 0, since ``error`` is an answer as well."""
    end_with_input()
    print(ASKING, flush=True)
    try:
        answer: dict[str, object] = {"inputs": [asdict(device) for device in portaudio.input_devices()]}
    except SourceError as error:
        answer = {"error": str(error)}
    print(json.dumps(answer), flush=True)
    # Skip the library's own exit, which may block like its start.
    os._exit(0)


if __name__ == "__main__":
    sys.exit(main())

"""Watchdog of a source of the sound server: reports removal, moves, a new rate, a new default.

When a source is removed, the server moves its capture to another source without an error, so the stream shows
nothing. ``pactl subscribe`` reports that something changed; the server is then queried for its present state.
"""

from __future__ import annotations

import os
import subprocess
import threading

from meter.audio import pulse
from meter.audio.pulse import PulseServer, PulseSource
from meter.audio.source import SourceError

READ_BYTES = 65_536
STOP_SECONDS = 2.0
RELEVANT = (b" on source #", b" on sink #", b" on server", b"'change' on source-output #")

SUBSCRIBE_UNTIL_INPUT_ENDS = '"$1" subscribe </dev/null & exec >&-; cat >/dev/null; kill $!'
"""pactl does not end when its reader is gone; this shell ends it with the program, even after a kill."""


class SourceWatcher:
    """One ``pactl subscribe`` child and a thread. ``change`` is empty until the source changes, then one sentence.

    ``note`` is the sentence about volumes from the last check; ``checked`` is True after the first check.
    """

    def __init__(self, source: PulseSource, recorder_pid: int, follows_default: bool) -> None:
        self._source = source
        self._recorder_pid = recorder_pid
        self._follows_default = follows_default
        self._child: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._stopping = False
        self.change = ""
        self.note = ""
        self.checked = False

    def start(self) -> None:
        """Start to watch. Raises SourceError when ``pactl`` is missing."""
        self._child = subprocess.Popen(
            ["/bin/sh", "-c", SUBSCRIBE_UNTIL_INPUT_ENDS, "sh", pulse.require_tool("pactl")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=pulse.tool_environment(),
            bufsize=0,
        )
        self._thread = threading.Thread(target=self._run, name="source watcher", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the child and the thread; may be called twice."""
        self._stopping = True
        if self._child is not None:
            assert self._child.stdin is not None
            self._child.stdin.close()
            end_child(self._child, ask=False)
        if self._thread is not None:
            self._thread.join(STOP_SECONDS)
            if self._thread.is_alive():
                return  # the server does not answer and the thread still reads the pipe, so the pipe stays open
        if self._child is not None and self._child.stdout is not None:
            self._child.stdout.close()

    def _run(self) -> None:
        try:
            self._check()  # what happened between opening and subscribing
            self._follow()
        except SourceError as error:
            self._say(str(error))
        except Exception as error:  # otherwise a failed watcher looks like a source without changes
            self._say(f"Watching '{self._source.description}' failed inside Earwitness ({error!r}); select it again.")

    def _follow(self) -> None:
        """Read events as they arrive; events that arrive together cause one check."""
        assert self._child is not None
        assert self._child.stdout is not None
        pipe = self._child.stdout.fileno()
        while not self._stopping and not self.change and (events := os.read(pipe, READ_BYTES)):
            if any(word in events for word in RELEVANT):
                self._check()
        if not self.change:
            self._say(f"The sound server stopped, and '{self._source.description}' with it; {pulse.SERVER_FIX}.")

    def _say(self, sentence: str) -> None:
        if not self._stopping:
            self.change = sentence

    def _check(self) -> None:
        server = pulse.query_server()
        change = compare(self._source, server, self._follows_default)
        if not change and (moved := self._moved()):  # often caused by a change between the two queries
            change = compare(self._source, pulse.query_server(), self._follows_default) or moved
        self._say(change)
        self.note = server.volume_note(server.source(self._source.name) or self._source)
        self.checked = True

    def _moved(self) -> str:
        """One sentence when the server or a mixer program moved the capture to another source; empty otherwise."""
        for output in pulse.list_outputs_to_clients():
            if str(output.get("properties", {}).get("application.process.id")) != str(self._recorder_pid):
                continue
            if int(output.get("source", self._source.index)) == self._source.index:
                return ""
            return f"The capture of '{self._source.description}' was moved to another source; it is opened again."
        return ""


def compare(opened: PulseSource, server: PulseServer, follows_default: bool) -> str:
    """One sentence when ``opened`` is removed or different on ``server``; an empty string otherwise."""
    now = server.source(opened.name)
    name = opened.description
    if now is None:
        return f"The source changed: '{name}' was removed; reconnect it or choose another."
    if now.index != opened.index:
        return f"The source changed: '{name}' was removed and came back; it is opened again."
    if (now.rate_hz, now.channels, now.positions) != (opened.rate_hz, opened.channels, opened.positions):
        return (
            f"The source changed: '{name}' now runs at {now.rate_hz:,} Hz with {now.channels} channels; "
            "it is opened again."
        )
    if now.port != opened.port:
        return f"The output of '{name}' switched from '{opened.port}' to '{now.port}'; it is opened again."
    default = server.default_monitor()
    if follows_default and default is not None and default.name != opened.name:
        return f"The default output changed to '{default.description}'; it is opened instead."
    return ""


def end_child(child: subprocess.Popen[bytes], *, ask: bool = True) -> None:
    """Terminate a child (with ``ask``), then kill it if it has not ended after ``STOP_SECONDS``."""
    if ask:
        child.terminate()
    try:
        child.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()

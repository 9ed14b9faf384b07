"""A full /dev/shm is one sentence with the fix, never a process that ends: tried on one that really is full."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.engine.snapshot import NAME_PREFIX, SharedMemoryError, SharedSnapshot
from meter.engine.supervisor import Supervisor

SMALL = 'mount -t tmpfs -o size=2m earwitness-test /dev/shm && exec "$@"'


def may_have_a_small_shared_memory() -> bool:
    words = ["unshare", "--map-root-user", "--mount", "sh", "-c", SMALL, "sh", "true"]
    try:
        return subprocess.run(words, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def in_small_shared_memory(code: str) -> subprocess.CompletedProcess[str]:
    words = ["unshare", "--map-root-user", "--mount", "sh", "-c", SMALL, "sh", sys.executable, "-c", code]
    return subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)


needs_small = pytest.mark.skipif(not may_have_a_small_shared_memory(), reason="no mount namespaces here")

WRITE = """
import numpy as np
from meter.engine.snapshot import SharedMemoryError, SharedSnapshot
try:
    block = SharedSnapshot.create()
except SharedMemoryError as error:
    print(error)
else:
    block.room[:] = 1
"""

WINDOW = """
import os
os.environ["QT_QPA_PLATFORM"] = "offscreen"
from meter.app import SupervisedEngine, make_application, surroundings
from meter.audio.source import SourceRequest
from meter.audio.source import SourceRequest
from meter.engine.process import EngineOrder
from meter.settings import Settings, SourceChoice
application = make_application()
from meter.gui.window import Window
kept = Settings(cautions_read=True, source=SourceChoice("demo"))
window = Window(SupervisedEngine(EngineOrder(SourceRequest("demo"))), kept, surroundings(None, [], ""))
window.resize(1280, 800)
window.show()
for _ in range(5):
    window.clock.tick()
    application.processEvents()
print(window.feed_line.words.whole)
window.close()
"""


@needs_small
def test_a_block_that_does_not_fit_is_one_sentence() -> None:
    done = in_small_shared_memory(WRITE)
    assert (done.returncode, done.stderr) == (0, "")
    [sentence] = done.stdout.splitlines()
    assert "/dev/shm) is full" in sentence
    assert "2 MB are free" in sentence
    assert "remount,size=256M /dev/shm" in sentence


@needs_small
def test_the_window_says_what_is_full() -> None:
    done = in_small_shared_memory(WINDOW)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Shared memory (/dev/shm) is full" in done.stdout


def test_nothing_is_left_of_a_block_that_did_not_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int, _offset: int, _size: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "posix_fallocate", full, raising=False)
    with pytest.raises(SharedMemoryError):
        SharedSnapshot.create()
    assert list(Path("/dev/shm").glob(f"{NAME_PREFIX}-{os.getpid()}-*")) == []


def test_choosing_a_source_again_tries_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> SharedSnapshot:
        raise SharedMemoryError("It is full.")

    with monkeypatch.context() as patch:
        patch.setattr(SharedSnapshot, "create", full)
        supervisor = Supervisor(EngineOrder())
        frame = supervisor.take()
        assert frame is not None
        assert (frame.status.state, frame.status.sentence, frame.status.gaps) == ("failed", "It is full.", 0)
        supervisor.poll()
        supervisor.reset()
        assert supervisor.engine_pid is None
    supervisor.open(SourceRequest("file", "gone.wav"))
    assert supervisor.engine_pid is not None
    supervisor.close()
    supervisor.close()

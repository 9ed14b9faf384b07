"""For all tests: Qt draws without a screen unless ``EARWITNESS_HEADED=1`` asks for one; Ctrl-C is heard.

The demo's music is made once in a run, in a cache folder that all workers and the commands they start share.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

pytest_plugins = ("tests.support.slow",)


# A slow machine is no failure: tests do not time.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


CACHE = "XDG_CACHE_HOME"
WORKER = "PYTEST_XDIST_WORKER"


def pytest_configure() -> None:
    if WORKER not in os.environ:
        os.environ[CACHE] = tempfile.mkdtemp(prefix="earwitness-tests-cache-")
    if not os.environ.get("EARWITNESS_HEADED"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


def pytest_unconfigure() -> None:
    if WORKER not in os.environ:
        shutil.rmtree(os.environ.pop(CACHE), ignore_errors=True)


@pytest.fixture(scope="session")
def demo_music() -> Path:
    """The cache folder with the demo's music in it."""
    import fcntl

    from meter.demo.store import CHANNELS, prepare

    cache = Path(os.environ[CACHE])
    with (cache / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        prepare(keys=tuple(CHANNELS))
    return cache


def pytest_runtest_setup() -> None:
    # A main function of ours that a test before this one called, or the shell that began it all, may have it ignored,
    # and the commands that a test starts inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def _plain_text_scale() -> Iterator[None]:
    """A window that a test enlarged leaves its text scale to no other test."""
    yield
    theme = sys.modules.get("meter.gui.kit.theme")
    if theme is not None:
        theme._text_scale = 1.0

"""For all tests: Qt draws without a screen unless ``EARWITNESS_HEADED=1`` asks for one; Ctrl-C is heard."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator

import pytest
from hypothesis import settings

pytest_plugins = ("tests.support.slow",)


# A slow machine is no failure: tests do not time.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


def pytest_configure() -> None:
    if not os.environ.get("EARWITNESS_HEADED"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


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

"""For all tests: Qt draws without a screen unless ``EARWITNESS_HEADED=1`` asks for one."""

from __future__ import annotations

import os


def pytest_configure() -> None:
    if not os.environ.get("EARWITNESS_HEADED"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

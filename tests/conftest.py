"""For all tests: Qt draws without a screen unless ``EARWITNESS_HEADED=1`` asks for one; Ctrl-C is heard."""

from __future__ import annotations

import os
import signal


def pytest_configure() -> None:
    if not os.environ.get("EARWITNESS_HEADED"):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        # A shell has its background jobs ignore it, and the commands that tests start and stop would inherit that.
        signal.signal(signal.SIGINT, signal.default_int_handler)

"""The real program with its real settings, driven from outside: ``python -m tests.support.driven_window``.

Each line on standard input is a JSON string of Python, evaluated between two events of the window; the answer is one
JSON line, ``{"value": …}`` or ``{"error": …}``. The names in it are those of ``Driver.names``. The engine process
imports this module as well, so nothing heavy is imported at its top: the real program has nothing there either.
"""

from __future__ import annotations

import sys
import time
from typing import Any

if __name__ == "__main__":
    BEGAN = time.monotonic()
    from meter import app
    from meter.cli import main

    undriven = app.make_application

    def driven() -> Any:
        """The application, with a driver in its thread."""
        from tests.support.driver import Driver

        application = undriven()
        application.driver = Driver(BEGAN)
        return application

    app.make_application = driven
    sys.exit(main(["window"]))

"""Run every command, then the window with its engine, and tell in one line of JSON whether one asked for a network.

``python -m tests.support.every_command FOLDER``: the folder is the home; two sound files are made in it. What every
child would leave readable for others stays so: the mask of file modes is 0.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import socket
import sys
import time
from pathlib import Path
from typing import Any

PATIENCE_SECONDS = 120.0
HEARD_SECONDS = 2.0
COMMANDS = {
    "demo": ["--headless", "--seconds", "0.2"],
    "measure": ["{home}/song.wav"],
    "lowend": ["{home}/parts"],
    "compare": ["{home}/song.wav", "{home}/song.wav", "--picture", "{home}/card.png"],
    "lane": ["{home}/song.wav", "--reference", "{home}/song.wav"],
    "tone-test": ["write", "{home}/tones.wav"],
    "devices": [],
    "exposure": [],
    "plugins": ["new", "tilt", "--in", "{home}"],
    "presets": ["import", "{home}/mine.toml"],
    "selftest": ["exposure"],
    "bench": ["--seconds", "1", "--no-processes"],
    "doctor": [],
    "window": ["{home}/song.wav"],
    "log": ["--json"],
}
PRESET = 'kind = "alignment"\nversion = 1\nname = "low"\nlevel_dbfs = -21.0\nsource = "Our own choice."\n'


def make_files(home: Path) -> None:
    """What the commands work on: ten seconds of a tone, a folder of two parts, a preset."""
    import numpy as np
    import soundfile

    (home / "parts").mkdir()
    for name, hertz in (("song", 440.0), ("parts/kick", 55.0), ("parts/bass", 41.2)):
        sine = 0.1 * np.sin(2.0 * np.pi * hertz * np.arange(480_000) / 48_000.0)
        soundfile.write(home / f"{name}.wav", np.stack([sine, sine], axis=1), 48_000)
    (home / "mine.toml").write_text(PRESET, encoding="utf-8")


def shorten_bench() -> None:
    """One pass of the bench over a second of sound instead of many."""
    from meter.commands import bench

    bench.SHORTEST_SECONDS, bench.PASSES, bench.LIVE_SECONDS = 1, 1, 1
    bench.CHANNEL_COUNTS, bench.WARM_UP_LOOPS, bench.LOOPS_MEASURED = (2,), 1, 1


def close_when_heard(told: dict[str, Any]) -> None:
    """Let the next window close itself as soon as its engine has measured something."""
    from meter import app

    plain = app.make_application

    def made() -> Any:
        from PySide6.QtCore import QTimer

        application = plain()
        timer = QTimer(application)
        began = time.monotonic()

        def look() -> None:
            window = next((each for each in application.topLevelWidgets() if hasattr(each, "feed_line")), None)
            frame = window._link.take() if window is not None else None
            heard = frame is not None and frame.status.elapsed_seconds >= HEARD_SECONDS
            if window is not None and (heard or time.monotonic() - began > PATIENCE_SECONDS):
                told["heard"] = heard
                window.close()

        timer.timeout.connect(look)
        timer.start(50)
        return application

    app.make_application = made


def run_all(home: Path) -> dict[str, Any]:
    """Exit code of each command, and whether the window's engine measured."""
    from meter.cli import main

    shorten_bench()
    told: dict[str, Any] = {"codes": {}, "said": {}, "heard": False}
    for name, words in COMMANDS.items():
        if name == "window":
            close_when_heard(told)
        sys.argv = ["earwitness", name, *(word.format(home=home) for word in words)]
        with contextlib.redirect_stdout(io.StringIO()) as said:
            told["codes"][name] = main()
        told["said"][name] = said.getvalue()
    return told


if __name__ == "__main__":
    from tests.support.no_network import Unwatchable, watch

    os.umask(0)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    folder = Path(sys.argv[1])
    make_files(folder)
    try:
        asked = watch()
    except Unwatchable as error:
        print(json.dumps({"unwatchable": str(error)}))
        sys.exit(0)
    with contextlib.suppress(OSError):  # proof that a request is seen
        socket.socket(socket.AF_INET)
    seen = len(asked)
    answer = run_all(folder)
    print(json.dumps({**answer, "seen": seen, "asked": asked[seen:]}))

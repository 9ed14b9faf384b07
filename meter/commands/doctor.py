"""Examine this machine and name what is missing, with the line that installs it."""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from meter.audio.driver_query import DriverQuery
from meter.audio.pulse import query_server
from meter.audio.source import SourceError
from meter.commands import screen, terminal
from meter.commands.errors import MISSING_PART
from meter.demo.store import default_cache
from meter.logbook.store import logbook_folder
from meter.plugin.host import discover
from meter.settings import settings_path

PACTL_PACKAGES = {
    "apt": "sudo apt install pulseaudio-utils libasound2-plugins",
    "dnf": "sudo dnf install pulseaudio-utils alsa-plugins-pulseaudio",
    "pacman": "sudo pacman -S libpulse alsa-plugins",
}
BAD_QT = {"6.9.1", "6.12.0"}
"""Releases with faults: 6.12.0 drops references of None on Python 3.11 and ends the process, 6.9.1 breaks drawing."""
LEAST_SHARED_BYTES = 4 << 20
LEAST_FOLDER_BYTES = 1 << 20
"""Room for the exposure record and the settings of a long sitting; the demo plays from memory without room."""


@dataclass(frozen=True)
class Finding:
    """Result of one check. A ``needed`` thing that is missing makes the exit code 3."""

    name: str
    good: bool
    words: str
    fix: str = ""
    needed: bool = True


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the option for JSON."""
    parser.add_argument("--json", action="store_true", help="one object per line")


def run(arguments: argparse.Namespace) -> int:
    """Run every check and print it, without home folder and user name; 3 when something needed is missing."""
    lacking = False
    for found in examine():
        finding = replace(found, words=terminal.to_pass_on(found.words), fix=terminal.to_pass_on(found.fix))
        lacking |= finding.needed and not finding.good
        if arguments.json:
            print(json.dumps(asdict(finding)), flush=True)
            continue
        mark = "ok     " if finding.good else "missing" if finding.needed else "without"
        print(f"{mark}  {finding.name}: {terminal.visible(finding.words)}", flush=True)
        if finding.fix and not finding.good:
            print(f"         {terminal.visible(finding.fix)}", flush=True)
    return MISSING_PART if lacking else 0


def examine() -> Iterator[Finding]:
    """Yield every finding as soon as it is known, most basic first; servers and drivers have 3 s each."""
    yield _found("Python", _python)
    # First, because sound libraries make folders in the home folder.
    yield _found("own folders", _folders)
    with DriverQuery() as query:  # runs while the rest is examined
        checks: dict[str, Callable[[], Finding]] = {
            "window library": _window_library,
            "screen": _screen,
            "screen libraries": _screen_libraries,
            "what plays on an output": _what_plays,
            "sound input": partial(_sound_input, query),
            "shared memory": _shared_memory,
            "meters": _meters,
        }
        for name, check in checks.items():
            yield _found(name, check)


def _found(name: str, check: Callable[[], Finding]) -> Finding:
    try:
        return check()
    except Exception as error:  # a check that fails is a finding as well
        return Finding(name, False, f"the check failed ({type(error).__name__}: {error})")


def _python() -> Finding:
    good = (3, 11) <= sys.version_info[:2] <= (3, 13)
    return Finding("Python", good, platform.python_version(), "Use Python 3.11, 3.12 or 3.13.")


def _window_library() -> Finding:
    try:
        found = version("PySide6-Essentials")
    except PackageNotFoundError:
        return Finding("window library", False, "PySide6-Essentials is not installed", "Run: meter/start.sh doctor")
    good = found not in BAD_QT
    return Finding("window library", good, f"PySide6-Essentials {found}", "Install the release of requirements.lock.")


def _screen() -> Finding:
    if sys.platform != "linux":
        return Finding("screen", True, "the system's own")
    why = screen.why_no_screen()
    named = (os.environ.get(name) for name in ("QT_QPA_PLATFORM", "WAYLAND_DISPLAY", "DISPLAY"))
    fix = "Start it from a desktop session; “measure” and the demo without a window work without a screen."
    return Finding("screen", not why, why or next(filter(None, named), ""), fix, needed=False)


def _screen_libraries() -> Finding:
    if sys.platform != "linux":
        return Finding("screen libraries", True, "come with the window library")
    missing = screen.missing_libraries()
    words = f"not found: {', '.join(missing)}" if missing else f"all {len(screen.LIBRARIES)} found"
    return Finding("screen libraries", not missing, words, screen.install_line(screen.PACKAGES))


def _sound_input(query: DriverQuery) -> Finding:
    try:
        inputs = query.inputs()
    except SourceError as error:
        return Finding("sound input", False, str(error), needed=False)
    fix = "Connect an interface, or start the sound server; “earwitness devices” lists the sources."
    words = f"PortAudio lists {len(inputs) or 'no'} input{'' if len(inputs) == 1 else 's'}"
    return Finding("sound input", bool(inputs), words, fix, needed=False)


def _what_plays() -> Finding:
    name = "what plays on an output"
    if sys.platform != "linux":
        return Finding(name, True, "see the README for this system", needed=False)
    missing = [tool for tool in ("pactl", "parec") if shutil.which(tool) is None]
    if missing:
        words = f"{' and '.join(missing)} missing, so no output can be measured"
        return Finding(name, False, words, screen.install_line(PACTL_PACKAGES), needed=False)
    try:
        server = query_server()
    except SourceError as error:
        return Finding(name, False, str(error), needed=False)
    kind = "PipeWire" if server.is_pipewire else "PulseAudio"
    outputs = len(server.sinks)
    words = f"pactl and parec are there, {kind} answers with {outputs or 'no'} output{'' if outputs == 1 else 's'}"
    return Finding(
        name, bool(outputs), words, "Connect or switch on an output in the system's settings.", needed=False
    )


def _shared_memory() -> Finding:
    folder = Path("/dev/shm")
    if not folder.is_dir():
        return Finding("shared memory", True, "the system's own")
    free = shutil.disk_usage(folder).free
    fix = "Free some space in /dev/shm, or give the container more (--shm-size)."
    return Finding("shared memory", free >= LEAST_SHARED_BYTES, f"{free >> 20} MiB free", fix)


def _folders() -> Finding:
    places = [settings_path().parent, logbook_folder(), default_cache()]
    for place in places:
        nearest = next(folder for folder in (place, *place.parents) if folder.exists())
        if not os.access(nearest, os.W_OK):
            own = nearest.is_relative_to(Path.home())
            fix = f"Make {nearest} writable" if own else "Set HOME, or the XDG folders, to what you may write"
            fix += "; until then no settings are saved."
            return Finding("own folders", False, f"{place} cannot be written", fix, needed=False)
        if shutil.disk_usage(nearest).free < LEAST_FOLDER_BYTES:
            fix = f"Free some space on the disk of {nearest}; until then no new settings are saved."
            return Finding("own folders", False, f"the disk of {place} is full", fix, needed=False)
    return Finding("own folders", True, ", ".join(str(place) for place in places))


def _meters() -> Finding:
    plugins = discover()
    refused = [plugin.refusal for plugin in plugins if plugin.refusal]
    good = bool(plugins) and not refused
    words = " ".join(refused) or f"{len(plugins)} found"
    return Finding("meters", good, words, "Reinstall with meter/start.sh." if not plugins else "")

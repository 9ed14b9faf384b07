"""Listen to a built-in, invented ensemble in a stone chapel: needs no sound hardware."""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path

from rich.live import Live
from rich.table import Table

from meter.audio.source import SourceRequest
from meter.commands.errors import CommandError
from meter.commands.frame_tables import as_json, faces_table, readings_table
from meter.commands.meters import asked_meters, enabled_meters
from meter.commands.screen import require_libraries, why_no_screen
from meter.commands.terminal import console, progress, visible
from meter.engine.child_process import listen_apart
from meter.engine.in_process import listen
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.plugin.host import Plugin
from meter.plugin.manifest import PAIR_FEEDS
from meter.readings import Frame

DEMO = SourceRequest("demo")
WITH_PARTS = SourceRequest("demo", options={"feeds": "all"})
"""The mix and every part, so that the low-end page of the window has parts to show."""
DEFAULT_SECONDS = 20.0
PICTURE = Path("earwitness-demo.png")
KEPT_FRAMES = 100
LEAST_WIDTH = 80
SOME_FAILED = 1
LONGEST_SECONDS = 24 * 3600.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options for a demo without a window."""
    parser.add_argument("--headless", action="store_true", help="no window: readings in the terminal")
    parser.add_argument(
        "--seconds", type=float, help=f"how long to listen without a window (default {DEFAULT_SECONDS:g})"
    )
    parser.add_argument(
        "--json", action="store_true", help="without a window: one object a second, the last one whole"
    )
    parser.add_argument(
        "--all", action="store_true", help="without a window: every reading, where one line for each face is usual"
    )
    parser.add_argument("--plugins", type=Path, action="append", default=[], metavar="FOLDER", help="also this meter")


def run(arguments: argparse.Namespace) -> int:
    """Open the window on the demo, or listen to it without one."""
    seconds = DEFAULT_SECONDS if arguments.seconds is None else arguments.seconds
    if not 0 < seconds <= LONGEST_SECONDS:
        raise CommandError(f"--seconds takes more than 0 and at most {LONGEST_SECONDS:g}, not {seconds:g}.")
    if arguments.headless or arguments.json:
        return listen_without_window(arguments, seconds)
    if why := why_no_screen():
        print(f"{why}, so the demo runs {seconds:g} s without a window.", flush=True)
        return listen_without_window(arguments, seconds, picture=PICTURE)
    require_libraries()
    prepare_demo(WITH_PARTS)
    from meter.app import open_window

    return open_window(WITH_PARTS, arguments.plugins)


def listen_without_window(arguments: argparse.Namespace, seconds: float, picture: Path | None = None) -> int:
    """Run the engine in real time without a window; with ``picture`` the page is drawn into that file at the end."""
    enabled = enabled_meters()
    asked, refused = asked_meters(arguments.plugins, enabled)
    plugins = [plugin for plugin in asked if not is_of_pairs(plugin)]  # this is the mix alone
    prepare_demo(DEMO)
    kept: deque[Frame] = deque(maxlen=KEPT_FRAMES)
    set_aside: dict[str, str] = {}
    own = all(plugin.ours for plugin in plugins)
    order = EngineOrder(DEMO, folders=tuple(map(str, arguments.plugins)), enabled=enabled)
    received = listen(plugins, DEMO, seconds, {}) if own else listen_watched(order, seconds, set_aside)
    frames = keep(received, kept)
    table = readings_table if arguments.all else partial(faces_table, plugins=plugins)
    last = print_json(frames) if arguments.json else show_table(frames, table)
    failed = {**(last.status.quarantined if last else {}), **set_aside}
    for sentence in (*refused, *failed.values()):
        print(f"{visible(sentence).removesuffix('.')}; fix it or leave it out.", file=sys.stderr)
    if last is None or last.status.state == "failed":
        raise CommandError(last.status.sentence if last else "The demo gave no reading.", SOME_FAILED)
    try:
        if picture is not None:
            from meter.app import draw_page

            print(draw_page(list(kept), picture, arguments.plugins))
    finally:
        if not arguments.json and not arguments.all:
            print("Every reading of every meter: the same command with --all.", flush=True)
    return SOME_FAILED if refused or failed else 0


def is_of_pairs(plugin: Plugin) -> bool:
    """Whether a meter needs a named pair."""
    return plugin.manifest is not None and plugin.manifest.feed == PAIR_FEEDS


def listen_watched(order: EngineOrder, seconds: float, set_aside: dict[str, str]) -> Iterator[Frame]:
    """Listen with meters by others, in an engine process that is replaced when one hangs; fills ``set_aside``."""
    supervisor = Supervisor(order)
    try:
        yield from listen_apart(supervisor, seconds)
    finally:
        supervisor.close()
        set_aside.update(supervisor.set_aside)


def prepare_demo(request: SourceRequest) -> None:
    """Render the demo's music at its first use, with a progress bar on standard error."""
    from meter.audio.demo import FEEDS
    from meter.demo import prepare

    with progress() as bar:
        task = bar.add_task("Making the demo's music, once", total=1.0, visible=False)
        music = prepare(
            lambda share: bar.update(task, completed=share, visible=True), FEEDS[request.options.get("feeds", "mix")]
        )
    if music.note:
        print(music.note, file=sys.stderr)


def keep(frames: Iterable[Frame], kept: deque[Frame]) -> Iterator[Frame]:
    """Pass frames on and keep the newest in ``kept``."""
    for frame in frames:
        kept.append(frame)
        yield frame


def print_json(frames: Iterable[Frame]) -> Frame | None:
    """One line a second, and the last frame as the last line; returns the last frame."""
    last, due = None, time.monotonic() + 1.0
    for last in frames:
        now = time.monotonic()
        if now >= due:
            # Seconds without a frame get no line.
            due += math.floor(now - due) + 1.0
            print(json.dumps(as_json(last), allow_nan=False), flush=True)
    if last is not None:
        print(json.dumps(as_json(last), allow_nan=False), flush=True)
    return last


def show_table(frames: Iterable[Frame], table_of: Callable[[Frame], Table]) -> Frame | None:
    """Show a live table on a terminal, on a pipe only its last state. Returns the last frame."""
    screen = console(least_width=LEAST_WIDTH)
    last: Frame | None = None
    if not screen.is_terminal:
        last = next(iter(deque(frames, maxlen=1)), None)
        if last is not None:
            screen.print(table_of(last))
        return last
    with Live(console=screen, refresh_per_second=4) as live:
        for last in frames:
            live.update(table_of(last))
    return last

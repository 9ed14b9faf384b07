"""Open the window on the last source, listening."""

from __future__ import annotations

import argparse
from pathlib import Path

from meter.audio.open import make_source
from meter.audio.source import SourceError, SourceRequest
from meter.commands.errors import MISSING_PART, CommandError
from meter.commands.meters import named_meters
from meter.commands.screen import require_libraries, why_no_screen


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add a file in place of the last source, and folders with meters."""
    parser.add_argument("file", nargs="?", type=Path, help="play-through of a sound file as the source")
    parser.add_argument("--plugins", type=Path, action="append", default=[], metavar="FOLDER", help="also this meter")


def run(arguments: argparse.Namespace) -> int:
    """Open the window; returns when it is closed. A file that cannot be played ends it with one sentence."""
    request = file_request(arguments.file) if arguments.file else None
    if why := why_no_screen():
        sentence = f"{why}; use “earwitness demo --headless” or “earwitness measure FILE”."
        raise CommandError(sentence, MISSING_PART)
    require_libraries()
    if arguments.plugins:
        named_meters(arguments.plugins)
    from meter.app import open_window

    return open_window(request, arguments.plugins)


def file_request(path: Path) -> SourceRequest:
    """The request that plays a file over and over; raises CommandError where it cannot be read as sound."""
    request = SourceRequest("file", str(path.resolve()), {"loop": True}, path.name)
    source = make_source(request)
    try:
        source.open()
    except SourceError as error:
        raise CommandError(str(error)) from error
    finally:
        source.stop()
    return request

"""List the sources of this machine."""

from __future__ import annotations

import argparse
import json

from meter.audio.listing import surveyed
from meter.sound_lists import SourceEntry, encode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the option for JSON."""
    parser.add_argument(
        "--json",
        action="store_true",
        help="one object per line; audio systems that could not be queried under “missing”",
    )


def run(arguments: argparse.Namespace) -> int:
    """Print each source as soon as it is listed; always 0: a machine without sound is no error."""
    found = 0
    for listing in surveyed():
        found += len(listing.sources)
        for entry in listing.sources:
            print(encode(entry) if arguments.json else line_of(entry), flush=True)
        for sentence in listing.missing:
            print(json.dumps({"missing": sentence}) if arguments.json else sentence, flush=True)
    if not arguments.json and not found:
        print("No source was found; “earwitness demo” needs no sound hardware.")
    return 0


def line_of(entry: SourceEntry) -> str:
    """The line of one source."""
    facts = [
        f"{entry.rate_hz:,} Hz" if entry.rate_hz else "",
        f"{entry.channels} channels",
        entry.host_api,
        entry.hint,
    ]
    name = entry.label or entry.name
    label = f"what plays on {name}" if entry.kind == "monitor" and entry.loopback else name
    label += f", now {entry.now}" if entry.now else ""
    return f"{entry.kind:8} {label}  ({', '.join(fact for fact in facts if fact)})"

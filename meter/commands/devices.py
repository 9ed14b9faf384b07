"""List what can be listened to on this machine."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict

from meter.audio.listing import SourceEntry, survey


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The form of the answer."""
    parser.add_argument("--json", action="store_true", help="one object per line, what is missing under “missing”")


def run(arguments: argparse.Namespace) -> int:
    """Print every source, then what could not be asked; always 0, since a machine without sound is no error."""
    listing = survey()
    for entry in listing.sources:
        print(json.dumps(asdict(entry)) if arguments.json else line_of(entry))
    for sentence in listing.missing:
        print(json.dumps({"missing": sentence}) if arguments.json else sentence)
    if not arguments.json and not listing.sources:
        print("Nothing to listen to was found; “earwitness demo” needs no sound hardware.")
    return 0


def line_of(entry: SourceEntry) -> str:
    """One source on one line."""
    facts = [
        f"{entry.rate_hz:,} Hz" if entry.rate_hz else "",
        f"{entry.channels} channels",
        entry.host_api,
        entry.hint,
    ]
    return f"{entry.kind:8} {entry.label}  ({', '.join(fact for fact in facts if fact)})"

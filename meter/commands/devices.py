"""List what can be listened to on this machine."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict

from meter.audio.listing import SourceEntry, surveyed


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The form of the answer."""
    parser.add_argument("--json", action="store_true", help="one object per line, what is missing under “missing”")


def run(arguments: argparse.Namespace) -> int:
    """Print what is known as soon as it is; always 0, since a machine without sound is no error."""
    found = 0
    for listing in surveyed():
        found += len(listing.sources)
        for entry in listing.sources:
            print(json.dumps(asdict(entry)) if arguments.json else line_of(entry), flush=True)
        for sentence in listing.missing:
            print(json.dumps({"missing": sentence}) if arguments.json else sentence, flush=True)
    if not arguments.json and not found:
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

"""Write a file of tones to play through a stage, or read harmonics and intermodulation from what came back."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import msgspec
from rich.table import Table

from meter import figures
from meter.audio.source import SourceError
from meter.commands.errors import CommandError
from meter.commands.new_file import write_new
from meter.commands.terminal import console, visible
from meter.stage.findings import plain_json
from meter.stage.tones import CAUTION, RATES_HZ, ToneTestError, ToneTestFindings, read_tone_test, tone_test_file

HARMONICS = range(2, 8)
QUIETEST_SHOWN_DB = -120.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Which way, and the file."""
    parser.add_argument("action", choices=("write", "read"), help="write the test, or read what came back")
    parser.add_argument("file", type=Path, metavar="FILE", help="the file to write or to read")
    parser.add_argument("--rate", type=int, default=48_000, choices=RATES_HZ, metavar="HZ", help="rate, for “write”")
    parser.add_argument("--json", action="store_true", help="one object with everything, for “read”")


def run(arguments: argparse.Namespace) -> int:
    """Raises CommandError for a file that cannot be written or read."""
    if arguments.action == "write":
        path = arguments.file if arguments.file.suffix else arguments.file.with_suffix(".wav")
        try:
            written = write_new(path, tone_test_file(arguments.rate))
        except OSError as error:
            raise CommandError(f"{path} cannot be written ({error.strerror}); choose another folder.") from error
        print(f"Written: {visible(str(written))}. {CAUTION}")
        return 0
    try:
        found = read_tone_test(arguments.file)
    except (ToneTestError, SourceError) as error:
        raise CommandError(str(error)) from error
    if arguments.json:
        print(json.dumps(plain_json(msgspec.to_builtins(found)), allow_nan=False))
    else:
        _print(found)
    return 0


def _print(found: ToneTestFindings) -> None:
    table = Table(title="Harmonics re the fundamental, dB", title_justify="left", box=None, pad_edge=False)
    for heading in ("tone Hz", "level dBFS", "gain dB", "THD %", *(f"h{n}" for n in HARMONICS), "odd/even dB",
                    "growth dB per dB"):  # fmt: skip
        table.add_column(heading, justify="right", no_wrap=True)
    for tone in found.tones:
        harmonics = [
            figures.figure(level) if level > QUIETEST_SHOWN_DB else figures.NOT_YET for level in tone.harmonics_db
        ]
        harmonics += [figures.NOT_YET] * (len(HARMONICS) - len(harmonics))
        table.add_row(
            f"{tone.hz}", figures.figure(tone.level_dbfs, 0), figures.figure(tone.gain_db),
            figures.figure(tone.thd_percent, 3), *harmonics, figures.figure(tone.odd_over_even_db, 0),
            figures.figure(tone.growth_db_per_db),
        )  # fmt: skip
    console(least_width=120).print(table)
    for level_dbfs, percent in found.intermodulation:
        print(f"Intermodulation, 60 Hz and 7 kHz at {figures.figure(level_dbfs, 0)} dBFS: {percent:.3f} %")

"""Compare the sound before and after a stage: was it fair, how hard does it work, what did it add and cost."""

from __future__ import annotations

import argparse
import json
import math
import sys
from pathlib import Path

from rich.table import Table

from meter import figures
from meter.audio.source import SourceError
from meter.commands.errors import CommandError
from meter.commands.stage_card import draw_stage, picture_path
from meter.commands.terminal import console, visible
from meter.stage.files import CompareError, compare, read_sides
from meter.stage.findings import StageFindings
from meter.stage.next_stage import with_next
from meter.stage.words import verdicts


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The two files and the form of the answer."""
    parser.add_argument("before", type=Path, metavar="BEFORE", help="the sound that goes into the stage")
    parser.add_argument("after", type=Path, metavar="AFTER", help="the same stretch, out of the stage")
    parser.add_argument("--next", type=Path, metavar="FILE", help="the same stretch, out of the stage that follows")
    parser.add_argument("--json", action="store_true", help="one object with everything")
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the card of the stage into a PNG file")


def run(arguments: argparse.Namespace) -> int:
    """Compare and print. Raises CommandError for files that cannot be read or compared."""
    picture = picture_path(arguments.picture) if arguments.picture is not None else None
    try:
        found = compare(read_sides(arguments.before, arguments.after))
        if arguments.next is not None:
            found = with_next(found, compare(read_sides(arguments.after, arguments.next)))
    except (CompareError, SourceError) as error:
        raise CommandError(str(error)) from error
    if arguments.json:
        print(json.dumps({**found.to_json(), "verdicts": verdicts(found)}, allow_nan=False))
    else:
        _print(found)
    if picture is not None:
        drawn = draw_stage(found, f"{arguments.before.name} → {arguments.after.name}", picture)
        print(visible(drawn), file=sys.stderr if arguments.json else sys.stdout)
    return 0


def _print(found: StageFindings) -> None:
    for sentence in verdicts(found):
        print(visible(sentence))
    print()
    console().print(_table(found))
    for note in found.notes:
        print(visible(note), file=sys.stderr)


def _table(found: StageFindings) -> Table:
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column(no_wrap=True)
    held, linear, paid_for = found.squeeze, found.linear, found.receipt
    rows = (
        ("delay", found.lag_samples, "samples", 1), ("", found.lag_ms, "ms", 2),
        ("loudness change", found.loudness_change_lu, "LU", 1), ("20–120 Hz change", found.low_change_db, "dB", 1),
        ("squeeze, median", held.median_db, "dB", 1), ("squeeze, 90th percentile", held.p90_db, "dB", 1),
        ("squeeze, most", held.max_db, "dB", 1), ("over 1 dB", held.over_1_db_percent, "%", 0),
        ("make-up", held.make_up_db, "dB", 1), ("attack", held.attack_ms, "ms", 1),
        ("recovery", held.recovery_ms, "ms", 0), ("kick holds down more", held.kick_dip_db, "dB", 1),
        ("lows re middle", linear.lows_db, "dB", 1),
        ("top re middle", linear.tilt_db, "dB", 1), ("added re after", found.added_db, "dB", 0),
        ("true peak change", found.true_peak_change_db, "dB", 1),
        ("peak to loudness change", found.peak_to_loudness_change_lu, "LU", 1),
        ("boosted band re the rest", paid_for.band_db, "dB", 1), ("from", paid_for.band_low_hz, "Hz", 0),
        ("to", paid_for.band_high_hz, "Hz", 0), ("attack level change", paid_for.attack_db, "dB", 1),
        ("low end of the power, before", paid_for.low_share_before_percent, "%", 0),
        ("low end of the power, after", paid_for.low_share_after_percent, "%", 0),
        ("next stage holds down more", paid_for.next_squeeze_db, "dB", 1), ("compared", found.seconds, "s", 1),
    )  # fmt: skip
    for name, value, unit, digits in rows:
        table.add_row(name, figures.figure(value, digits), "" if math.isnan(value) else unit)
    return table

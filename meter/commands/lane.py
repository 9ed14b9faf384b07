"""Compare a mix with up to five references, matched in loudness: tone and width by band, peak to loudness, lows."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from pathlib import Path

from rich.progress import Progress
from rich.table import Table

from meter import figures
from meter.audio.source import SourceError
from meter.commands.errors import FAILED, CommandError
from meter.commands.terminal import console, progress, visible
from meter.lane.analysis import Analysed, analysed, default_cache, fault_of
from meter.lane.findings import FOUND, LaneFindings, LaneReference
from meter.lane.study import fault_of_part, lane, part_of
from meter.lane.words import band_words, lane_words, match_words, sentence
from meter.reference_files import MOST_REFERENCES, ReferenceError, ReferenceFile, parse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The mix, the references and the form of the answer."""
    parser.add_argument("mix", metavar="MIX[@START-END]", help="the mix; without a stretch its loud part")
    parser.add_argument(
        "--reference", action="append", required=True, metavar="FILE[@START-END]",
        help="a reference, such as song.wav@1:10-1:40; without a stretch its loud part; up to five",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="one object with everything")


def run(arguments: argparse.Namespace) -> int:
    """Compare and print. Raises CommandError where no reference, or not the mix, can be read."""
    if len(arguments.reference) > MOST_REFERENCES:
        raise CommandError(
            f"There are {len(arguments.reference)} references; {MOST_REFERENCES} at most are compared."
        )
    try:
        mix, *references = (parse(text) for text in (arguments.mix, *arguments.reference))
    except ReferenceError as error:
        raise CommandError(str(error)) from error
    with progress() as bar:
        found = _compared(mix, references, bar)
    if arguments.json:
        print(json.dumps({**found.to_json(), "verdicts": [sentence(found)]}, allow_nan=False))
    else:
        _print(found)
    faults = [reference.fault for reference in found.references if reference.fault]
    for said in (*(() if arguments.json else found.notes), *faults):
        print(visible(said), file=sys.stderr)
    return FAILED if faults else 0


def _compared(mix: ReferenceFile, references: Sequence[ReferenceFile], bar: Progress) -> LaneFindings:
    try:
        found = _analysed(mix, bar)
    except SourceError as error:
        raise CommandError(fault_of(Path(mix.path), error)) from error
    part = part_of(mix, found)
    if fault := fault_of_part(mix.name, part):
        raise CommandError(fault)
    findings = lane(part, [_read(reference, bar) for reference in references], found.notes, f"'{mix.name}'")
    if findings.state != FOUND:
        raise CommandError(" ".join(reference.fault for reference in findings.references))
    return findings


def _analysed(file: ReferenceFile, bar: Progress) -> Analysed:
    task = bar.add_task(visible(file.name), total=1.0)
    return analysed(Path(file.path), default_cache(), lambda share: bar.update(task, completed=share))


def _read(reference: ReferenceFile, bar: Progress) -> LaneReference | tuple[ReferenceFile, Analysed]:
    try:
        return reference, _analysed(reference, bar)
    except SourceError as error:
        return LaneReference(reference.name, read=0.0, fault=fault_of(Path(reference.path), error))


def _print(found: LaneFindings) -> None:
    print(visible(sentence(found)))
    print(f"{lane_words(found).capitalize()}; mix: {found.stretch}, {found.seconds:.0f} s.")
    for words in match_words(found):
        print(visible(words))
    print()
    console().print(_table(found))


def _table(found: LaneFindings) -> Table:
    table = Table(box=None, pad_edge=False)
    for name in ("", "tone, dB", "lane", "width, dB", "lane"):
        table.add_column(name, justify="left" if not name else "right", no_wrap=True)
    for band in found.bands:
        table.add_row(
            band_words(band.low_hz, band.high_hz),
            figures.figure(band.difference_db, plus=True), _range(band.lane_low_db, band.lane_high_db),
            figures.figure(band.width_difference_db, plus=True),
            _range(band.width_lane_low_db, band.width_lane_high_db),
        )  # fmt: skip
    for name, each in (
        ("20–120 Hz re the middle", found.lows_db),
        ("peak to loudness", found.peak_to_loudness_lu),
        ("loudness range", found.loudness_range_lu),
    ):
        table.add_row(name, figures.figure(each.difference, plus=True), _range(each.lane_low, each.lane_high))
    return table


def _range(low: float, high: float) -> str:
    return "" if math.isnan(low) else f"{figures.figure(low, plus=True)} to {figures.figure(high, plus=True)}"

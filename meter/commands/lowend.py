"""The low-end ledger of a set of parts: owners, lowest notes, rumble, high-pass prices, mono, ring, kick and bass."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from pathlib import Path

from rich.table import Table
from rich.text import Text

from meter.audio.file import is_file, is_folder
from meter.audio.source import SourceError
from meter.commands.errors import CommandError
from meter.commands.measure import sound_files_in
from meter.commands.terminal import console, progress, visible
from meter.lowend.account import measure_low_end
from meter.lowend.findings import LowEndFindings, Offer, PartFindings
from meter.lowend.sources import LowEndError, PartSource, from_file
from meter.lowend.words import verdicts, warnings

MIX_NAME = "mix"
CANNOT_SAY = "–"
TABLE_WIDTH = 1000
"""Wider than any table, so that each is as wide as its figures need; a narrow terminal wraps the lines."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Parts, the mix, and the form of the answer."""
    parser.add_argument(
        "folder", nargs="?", type=Path, metavar="FOLDER",
        help=f"a folder of stems: every sound file is a part, one named “{MIX_NAME}” is the mix",
    )  # fmt: skip
    parser.add_argument(
        "--part",
        action="append",
        default=[],
        metavar="NAME=FILE",
        help="a part, mono or stereo; say it once for each",
    )
    parser.add_argument("--mix", type=Path, metavar="FILE", help="the real mix, to see what the mix bus does")
    parser.add_argument("--json", action="store_true", help="one object with everything")
    parser.add_argument("--tempo", type=float, metavar="BPM", help="tempo, to hold the ring against half a beat")
    parser.add_argument(
        "--pair", nargs=2, metavar=("KICK", "BASS"), help="names of two parts to compare, else found by name"
    )
    parser.add_argument(
        "--cutoff", type=float, metavar="HZ", help="try this high-pass instead of the highest affordable"
    )
    parser.add_argument("--resample", action="store_true", help="convert parts of another rate")


def run(arguments: argparse.Namespace) -> int:
    """Measure and print. Raises CommandError for parts that cannot be read or compared."""
    if arguments.tempo is not None and not 20.0 <= arguments.tempo <= 400.0:
        raise CommandError(f"A tempo of {arguments.tempo:g} is not one we can use; give 20 to 400 beats per minute.")
    if arguments.cutoff is not None and not 5.0 <= arguments.cutoff <= 2000.0:
        raise CommandError(f"A cut-off of {arguments.cutoff:g} Hz cannot be tried; give 5 to 2000 Hz.")
    if arguments.pair and arguments.pair[0] == arguments.pair[1]:
        raise CommandError(f"“{arguments.pair[0]}” cannot be compared with itself; name two parts after --pair.")
    try:
        account = _measure(arguments)
    except (LowEndError, SourceError) as error:
        raise CommandError(str(error)) from error
    if arguments.json:
        print(
            json.dumps(
                {"warnings": warnings(account), **account.to_json(), "verdicts": verdicts(account)}, allow_nan=False
            )
        )
    else:
        _print(account)
    return 0


def _measure(arguments: argparse.Namespace) -> LowEndFindings:
    parts, mix = _sources(arguments.folder, arguments.part, arguments.mix)
    total = min((source.frames for source in [*parts, *([mix] if mix else [])]), default=0)
    with progress() as bar:
        task = bar.add_task(f"{len(parts)} parts", total=total)
        return measure_low_end(
            parts,
            mix,
            resample=arguments.resample,
            tempo_bpm=math.nan if arguments.tempo is None else arguments.tempo,
            cutoff_hz=arguments.cutoff,
            pair_names=tuple(arguments.pair) if arguments.pair else None,
            progress=lambda frames: bar.advance(task, frames),
        )


def _sources(
    folder: Path | None, named: Sequence[str], mix: Path | None
) -> tuple[list[PartSource], PartSource | None]:
    """Parts and mix as named, with those of the folder after them."""
    parts = [from_file(*_name_and_file(text)) for text in named]
    for path in _in_folder(folder) if folder is not None else []:
        if path.stem.casefold() == MIX_NAME and mix is None:
            mix = path
        elif mix is None or not _same_file(path, mix):
            parts.append(from_file(path.stem, path))
    return parts, from_file(MIX_NAME, mix) if mix is not None else None


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # one of them went away, which opening it explains
        return False


def _name_and_file(text: str) -> tuple[str, Path]:
    """``NAME=FILE``; a file alone is named after itself."""
    name, equals, file = text.partition("=")
    if not equals or is_file(Path(text)):
        return Path(text).stem, Path(text)
    if not name.strip() or not file:
        raise CommandError(f"“{text}” is not NAME=FILE; write for example --part kick=kick.wav.")
    return name.strip(), Path(file)


def _in_folder(folder: Path) -> list[Path]:
    if not is_folder(folder):
        raise CommandError(f"“{folder}” is not a folder; name a folder of stems, or files with --part NAME=FILE.")
    files, unread = sound_files_in(folder, deep=False)
    if unread:
        raise CommandError(f"{unread[0]}; put it right, or name the files with --part.")
    if not files:
        raise CommandError(f"There is no sound file in the folder {folder}; name another, or files with --part.")
    return files


def _print(account: LowEndFindings) -> None:
    screen = console(least_width=TABLE_WIDTH)
    for sentence in verdicts(account):
        print(visible(sentence))
    print()
    screen.print(_parts_table(account))
    if any(part.high_pass for part in account.parts):
        print()
        screen.print(_prices_table(account))
    for note in account.notes:
        print(visible(note), file=sys.stderr)


def _parts_table(account: LowEndFindings) -> Table:
    table = Table(title="Parts, 20 to 120 Hz", title_justify="left", box=None, pad_edge=False)
    bands = [f"{low:.0f}–{high:.0f}" for low, high in account.bands_hz]
    for heading in (
        "part",
        "share %",
        *bands,
        "lowest note",
        "rumble dB",
        "of mix low end",
        "mono dB",
        "ring ms",
        "left dB",
    ):
        table.add_column(heading, justify="left" if heading in ("part", "lowest note") else "right", no_wrap=True)
    for part in sorted(account.parts, key=lambda part: -part.share_percent if part.share_percent > 0 else 0.0):
        table.add_row(
            Text(visible(part.name)), _figure(part.share_percent), *map(_figure, part.share_by_band_percent),
            _floor(part),
            _figure(part.rumble_db), _figure(part.rumble_against_mix_lows_db), _figure(part.mono_loss_db),
            _figure(part.ring_ms, 0), _figure(part.overhang_db),
        )  # fmt: skip
    return table


def _floor(part: PartFindings) -> str:
    if math.isnan(part.floor_hz):
        return f"{CANNOT_SAY} {part.why.get('floor_hz', '')}"
    lower = f" or {part.floor_lower_note}, {part.floor_lower_hz:.1f} Hz" if part.floor_lower_note else ""
    return f"{part.floor_note} {part.floor_cents:+z.0f} ct, {part.floor_hz:.1f} Hz{lower}"


def _prices_table(account: LowEndFindings) -> Table:
    table = Table(title="High-pass: room to cut, and what it costs", title_justify="left", box=None, pad_edge=False)
    headings = ("part", "dB/oct", "cut-off Hz", "note dB", "phase °", "delay cycles", "rumble %", "peak dB",
                "mix peak dB", "mix low end dB", "ring ms")  # fmt: skip
    for heading in headings:
        table.add_column(heading, justify="left" if heading == "part" else "right", no_wrap=True)
    for part in account.parts:
        for number, offer in enumerate(part.high_pass):
            table.add_row(Text(visible(part.name)) if number == 0 else "", *_price(offer))
    return table


def _price(offer: Offer) -> list[str]:
    return [
        f"{offer.slope_db_per_octave}", _figure(offer.cutoff_hz, 0), _figure(-offer.loss_at_floor_db, 2),
        _figure(offer.phase_lead_degrees, 0), _figure(offer.delay_cycles, 2),
        _figure(offer.rumble_removed_percent, 0), _figure(offer.true_peak_change_db),
        _figure(offer.mix_true_peak_change_db), _figure(offer.mix_low_band_change_db),
        _figure(offer.ring_change_ms, 0),
    ]  # fmt: skip


def _figure(value: float, digits: int = 1) -> str:
    """The number, with a minus sign that is one; ``–`` where nothing can be said."""
    if math.isnan(value):
        return CANNOT_SAY
    if math.isinf(value):
        return "none"
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")

"""Print every reading of sound files as a table, JSON or CSV."""

from __future__ import annotations

import argparse
import csv
import json
import os
import stat
import sys
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from pathlib import Path

from rich.table import Table
from rich.text import Text

from meter.audio.file import is_folder, open_blocks
from meter.audio.source import SourceError
from meter.commands.errors import WRONG_INPUT, CommandError
from meter.commands.meters import asked_meters, one_or_more
from meter.commands.terminal import console, progress, visible
from meter.commands.watched import Outcome, WatchedMeasuring, measure_one
from meter.measure import Measurement, has_file_readings
from meter.plugin.host import Plugin

SOUND_SUFFIXES = {".wav", ".wave", ".rf64", ".w64", ".aif", ".aiff", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".caf"}
SOME_FAILED = 1
MOST_WORKERS = 60
"""Most processes of one pool on any system."""
LEAST_WIDTH = 72


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add files, folders and the form of the answer."""
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="sound file, or a folder of them")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="one object per line")
    form.add_argument("--csv", action="store_true", help="a header, then one line per file")
    parser.add_argument("--plugins", type=Path, action="append", default=[], metavar="FOLDER", help="also this meter")
    jobs = os.cpu_count() or 1
    parser.add_argument(
        "--jobs", type=one_or_more, default=jobs, metavar="N", help=f"files measured at once (default {jobs})"
    )


def run(arguments: argparse.Namespace) -> int:
    """Measure and print; 0 all measured, 1 some failed, a meter among them, 2 no file could be read."""
    troubles = Troubles()
    paths = list(_spread(arguments.files, troubles.report))
    plugins = _file_meters(arguments.plugins, troubles.report)
    failures = 0
    results: list[Measurement] = []
    with closing(_measure_all(paths, plugins, arguments.jobs, troubles.report)) as outcomes:
        for outcome in outcomes:
            if isinstance(outcome, str):
                troubles.report(outcome)
                failures += 1
                continue
            for sentence in outcome.faults:
                troubles.report(sentence)
            if arguments.json:
                print(json.dumps(outcome.to_json(), allow_nan=False), flush=True)
            else:
                results.append(outcome)
    if arguments.csv:
        _print_csv(results)
    elif results:
        _print_table(results)
    if failures == len(paths):
        return WRONG_INPUT
    return SOME_FAILED if troubles.printed else 0


class Troubles:
    """Prints failures to standard error, each sentence once; ``printed`` has those that were printed."""

    def __init__(self) -> None:
        self.printed: list[str] = []

    def report(self, sentence: str) -> None:
        """Print the sentence, unless it was printed before."""
        if sentence not in self.printed:
            print(visible(sentence), file=sys.stderr, flush=True)
            self.printed.append(sentence)


def _file_meters(folders: Sequence[Path], report: Callable[[str], None]) -> list[Plugin]:
    """Meters with readings of a whole file; prints a sentence for a named folder whose meter has none."""
    plugins, refused = asked_meters(folders)
    for sentence in refused:
        report(sentence)
    for plugin in plugins:
        if plugin.folder in folders and not has_file_readings(plugin):
            sentence = (
                f"Meter “{plugin.id}” has no reading of a file: give a field “summary = true”, unless live_only."
            )
            print(visible(sentence), file=sys.stderr)
    return [plugin for plugin in plugins if has_file_readings(plugin)]


def _spread(paths: Sequence[Path], report: Callable[[str], None]) -> Iterator[Path]:
    """Yield the files, and for a folder its sound files in order of name; raises CommandError for an empty one."""
    for path in paths:
        if not is_folder(path):
            yield path
            continue
        inside, unread = sound_files_in(path)
        for reason in unread:
            report(f"{reason}; it is not measured.")
        if not inside:
            raise CommandError(f"There is no sound file in the folder {path}; name a file or another folder.")
        yield from inside


def sound_files_in(folder: Path, *, deep: bool = True) -> tuple[list[Path], list[str]]:
    """Sound files in a folder, with ``deep`` also in its subfolders, in order of name; links to folders are left out.

    The second value names each folder that cannot be listed and each sound file that is none, with the reason. What
    is removed meanwhile is left out.
    """
    found: list[Path] = []
    unread: list[str] = []
    waiting = [folder]
    while waiting:  # not by recursion: folders may be deeper than the interpreter's stack
        place = waiting.pop()
        try:
            with os.scandir(place) as entries:
                names = [(Path(entry.path), entry.is_dir(follow_symlinks=False)) for entry in entries]
        except FileNotFoundError:
            continue
        except OSError as error:
            unread.append(f"The folder {place} cannot be listed ({error.strerror})")
            continue
        waiting += [path for path, is_a_folder in names if is_a_folder and deep]
        for path in (path for path, is_a_folder in names if not is_a_folder):
            if path.suffix.lower() in SOUND_SUFFIXES and _is_readable(path, unread):
                found.append(path)
    return sorted(found), sorted(unread)


def _is_readable(path: Path, unread: list[str]) -> bool:
    """Whether a path is an ordinary file; where it is none and no folder either, the reason is noted."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        if path.is_symlink():
            unread.append(f"{path} is a link to a file that is not there")
        return False
    except OSError as error:
        unread.append(f"{path} cannot be read ({error.strerror})")
        return False
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        unread.append(f"{path} is not an ordinary file")
    return stat.S_ISREG(mode)


def _measure_all(
    paths: Sequence[Path], plugins: Sequence[Plugin], jobs: int, on_stall: Callable[[str], None]
) -> Generator[Outcome, None, None]:
    """Yield outcomes in the order of the files; one file has a bar of its frames, several one of files."""
    with progress() as bar:
        if len(paths) == 1:
            task = bar.add_task(visible(paths[0].name), total=_frames_of(paths[0]))
            if all(plugin.ours for plugin in plugins):
                yield measure_one(paths[0], plugins, lambda frames: bar.advance(task, frames))
                return
            watched = WatchedMeasuring(plugins, 1, on_stall, lambda frames: bar.update(task, completed=frames))
            yield from watched.outcomes(paths)
            return
        task = bar.add_task(f"{len(paths)} files", total=len(paths))
        with closing(WatchedMeasuring(plugins, min(jobs, MOST_WORKERS), on_stall).outcomes(paths)) as outcomes:
            for outcome in outcomes:
                yield outcome
                bar.advance(task)


def _frames_of(path: Path) -> int | None:
    try:
        with open_blocks(path) as reader:
            return reader.frames
    except SourceError:
        return None


def _print_csv(results: Sequence[Measurement]) -> None:
    rows = [
        {
            key: " ".join(value) if isinstance(value, list) else value
            for key, value in result.to_json().items()
            if key not in ("why", "notes")
        }
        for result in results
    ]
    columns = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.DictWriter(sys.stdout, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


def _print_table(results: Sequence[Measurement]) -> None:
    for result in results:
        title = Text(visible(result.file))
        table = Table(title=title, title_justify="left", show_header=False, box=None, pad_edge=False)
        table.add_column(no_wrap=True)
        table.add_column(overflow="fold")
        minutes, seconds = divmod(result.seconds, 60)
        table.add_row("length", f"{int(minutes)}:{seconds:04.1f}, {result.rate_hz:,} Hz, {result.channels} channels")
        if channels := result.channel_facts:
            table.add_row("channels", f"{' '.join(channels['channel_roles'])} ({channels['channel_roles_from']})")
        why = result.readings.get("why", {})
        for key, value in result.readings.items():
            if key != "why":
                table.add_row(key, f"{value:z.2f}" if value is not None else Text(f"– {why[key]}"))
        console(least_width=LEAST_WIDTH).print(table)
        for note in result.notes:
            print(visible(note))
        print()

"""The day record as CSV: one row for each second and feed, and one for each event."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

import numpy as np

from meter.commands.errors import FAILED, CommandError
from meter.logbook.recorded_day import Event, FeedRecord, FloatArray, Keys, read
from meter.logbook.recorded_days import recorded_feeds
from meter.readings import JSON_SUFFIX

PRIVATE_FILE = 0o600
TIMES = ("utc", "local", "feed")
EVENT_HEADER = ("utc", "local", "kind", "feed", "seconds", "words", "figures")
DIGITS = 8
"""Significant digits: float32 has no more than these, so that sums over the rows agree."""


def write_csv(paths: Sequence[Path], since: float, seconds: Path, events: Path) -> tuple[int, int, str]:
    """Write two new files that only their owner can read; how many rows each, and one sentence about a fault.

    An unknown figure is empty, silence is ``-inf``. Raises CommandError.
    """
    known = recorded_feeds(paths)
    widest: dict[str, tuple[str, int]] = {}
    for keys in known.values():
        for key, unit, size in keys:
            widest[key] = (unit, max(size, widest.get(key, ("", 0))[1]))
    whole = tuple((key, unit, size) for key, (unit, size) in widest.items())
    day = read(paths, since, feeds=())
    said = [day.sentence]
    written = 0
    with _NewFile(seconds) as out, _NewFile(events) as listed:
        csv.writer(out, lineterminator="\n").writerow([*TIMES, *column_names(whole)])
        for feed in known:
            found = read(paths, since, feeds=[feed])
            said.append(found.sentence)
            if feed in found.feeds:
                written += _write_feed(feed, found.feeds[feed], whole, out)
        _write_events(day.events, listed)
        if not written:
            raise CommandError("Nothing was recorded in this time; no file was made.", FAILED)
    return written, len(day.events), " ".join(dict.fromkeys(words for words in said if words))


def column_names(keys: Keys) -> list[str]:
    """``loudness.short_term_lufs``; a figure of several values has a number before its unit."""
    names = []
    for key, unit, size in keys:
        suffix = JSON_SUFFIX.get(unit, "")
        for number in range(1, size + 1):
            names.append("_".join(filter(None, [key, str(number) if size > 1 else "", suffix])))
    return names


def _write_feed(feed: str, record: FeedRecord, keys: Keys, out: TextIO) -> int:
    """One row a second; formatted whole, since ``csv`` takes five times as long for a row of numbers."""
    columns: list[FloatArray] = []
    for key, _unit, size in keys:
        values = np.full((len(record.at), size), math.nan)
        if key in record.columns:
            found = record.columns[key].reshape(len(record.at), -1)
            values[:, : found.shape[1]] = found
        columns.append(values)
    row = ",".join([f"%.{DIGITS}g"] * sum(size for _, _, size in keys)) + "\n"
    name = _quoted(feed)
    for at, values in zip(record.at.tolist(), np.hstack(columns).tolist(), strict=True):
        out.write(f"{utc(at)},{local(at)},{name},{(row % tuple(values)).replace('nan', '')}")
    return len(record.at)


def _write_events(events: Sequence[Event], out: TextIO) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(EVENT_HEADER)
    for event in events:
        length = "" if math.isnan(event.seconds) else f"{event.seconds:.3f}"
        figures = "; ".join(f"{key} {value:.{DIGITS}g}" for key, value in event.figures.items() if value == value)
        told = (event.kind, event.feed, length, event.words, figures)
        writer.writerow([utc(event.at), local(event.at), *map(_no_formula, told)])


def utc(at: float) -> str:
    """A moment as ``2026-11-28T09:00:00Z``, a time outside the calendar as its seconds since 1970."""
    try:
        return f"{datetime.fromtimestamp(at, UTC):%Y-%m-%dT%H:%M:%S}Z"
    except (ValueError, OverflowError, OSError):
        return f"{at:.0f}"


def local(at: float) -> str:
    """The same in local time: ``2026-11-28 10:00:00``."""
    try:
        return f"{datetime.fromtimestamp(at):%Y-%m-%d %H:%M:%S}"
    except (ValueError, OverflowError, OSError):
        return ""


def _quoted(text: str) -> str:
    """A word as one cell."""
    return '"' + _no_formula(text).replace('"', '""') + '"'


def _no_formula(text: str) -> str:
    """A cell that no spreadsheet takes for a formula: names of feeds and marks come from others."""
    return f"'{text}" if text[:1] in ("=", "+", "@", "\t", "\r") else text


class _NewFile:
    """A new file to write; removed again when it could not be written whole. Raises CommandError."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: TextIO | None = None

    def __enter__(self) -> TextIO:
        try:
            handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
        except FileExistsError as error:
            raise CommandError(f"{self._path} is there already; name a new file.") from error
        except OSError as error:
            raise self._unwritable(error) from error
        self._file = os.fdopen(handle, "w", encoding="utf-8", newline="")
        return self._file

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        assert self._file is not None
        try:
            self._file.close()
        except OSError as closing:
            error = closing
        if error is not None:
            with suppress(OSError):
                self._path.unlink()
        if isinstance(error, OSError):
            raise self._unwritable(error) from error

    def _unwritable(self, error: OSError) -> CommandError:
        return CommandError(f"{self._path} cannot be written ({error.strerror}); name another place.")

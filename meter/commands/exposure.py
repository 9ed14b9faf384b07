"""Show, export or delete the exposure record of a person: an estimate, stored on this machine only."""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import sys
from pathlib import Path

from dsp.exposure.exposure import Rule
from meter import settings as settings_file
from meter.app import allowed_settings
from meter.commands.errors import CommandError
from meter.commands.exposure_tables import (
    CAUTIONS,
    as_json,
    clock_time,
    days_table,
    estimate,
    gap_lines,
    table_of,
    write_minutes,
)
from meter.commands.terminal import console, visible
from meter.engine.recorder import context_of
from meter.exposure_rules import ExposureRule, find_rules
from meter.logbook.clock import machine_clock
from meter.logbook.day_forget import forget_listening
from meter.logbook.day_record import record_folder
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_recorder import Context
from meter.logbook.exposure_summary import NEVER, WEEK_MINUTES, summarise
from meter.logbook.store import Store, kept_aside, logbook_path, open_store
from meter.logbook.stored_levels import SECONDS_PER_MINUTE
from meter.plugin.host import discover, usable
from meter.plugin.services import RECORDER, holder
from meter.whole_file import open_new

FAILED = 1
LEAST_WIDTH = 60


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add person, rule, form of the answer, export and deletion."""
    parser.add_argument("--json", action="store_true", help="one object; an unknown figure is null, with a reason")
    parser.add_argument("--week", action="store_true", help="also day by day; with --export only the last 7 days")
    parser.add_argument("--person", metavar="NAME", help="whose record (default: the person chosen in the window)")
    parser.add_argument("--rule", metavar="NAME", help="a rule's name or part of it (default: the chosen rule)")
    action = parser.add_mutually_exclusive_group()
    action.add_argument("--export", type=Path, metavar="FILE.csv", help="write every minute into a new file")
    action.add_argument("--forget", action="store_true", help="delete the whole record of this person")
    parser.add_argument("--yes", action="store_true", help="with --forget: without a question")


def run(arguments: argparse.Namespace) -> int:
    """Show, export or delete. Raises CommandError."""
    chosen = chosen_context()
    person = arguments.person if arguments.person is not None else chosen.person
    rules = _rules()
    rule = _rule_named(arguments.rule, rules) if arguments.rule is not None else chosen.rule
    store = _open()
    ledger = ExposureRecord(store, machine_clock())
    try:
        if arguments.forget:
            return _forget(ledger, store, person, asked=not arguments.yes)
        if arguments.export is not None:
            return _export(ledger, person, arguments.export, week=arguments.week)
        return _show(ledger, Context(person, rule, chosen.count_gaps), rules.get(rule.name), arguments)
    finally:
        ledger.close()


def chosen_context() -> Context:
    """Person, rule and counting of gaps from the settings; defaults where there are none."""
    kept, _sentence = settings_file.load(settings_file.settings_path())
    plugin = holder(RECORDER, usable(discover()))
    if plugin is None or plugin.manifest is None:
        raise CommandError("No meter records listening time; install the program again.", FAILED)
    return context_of(plugin.manifest.settings(allowed_settings(kept, ()).get(plugin.id, {})))


def _open() -> Store:
    """Open the logbook; a missing one is not made."""
    path = logbook_path()
    return open_store(path if path.exists() else None)


def _rules() -> dict[str, ExposureRule]:
    """All rules by name; a file that cannot be used is named on standard error."""
    rules, sentences = find_rules(settings_file.presets_folder())
    for sentence in sentences:
        print(visible(sentence), file=sys.stderr)
    return rules


def _rule_named(words: str, rules: dict[str, ExposureRule]) -> Rule:
    """The rule of this name, or the only one whose name contains the words; raises CommandError."""
    found = [words] if words in rules else [name for name in rules if words.lower() in name.lower()]
    if len(found) == 1:
        return rules[found[0]].rule
    trouble = "More than one rule is called" if found else "No rule is called"
    names = "\n".join(f"  {name}" for name in found or rules)
    raise CommandError(f"{trouble} “{words}”; name one of these:\n{names}")


def _show(ledger: ExposureRecord, context: Context, rule: ExposureRule | None, arguments: argparse.Namespace) -> int:
    clock = machine_clock()
    now = clock.now()
    # The present second is not complete.
    summary = summarise(
        ledger, context.person, context.rule, now - 1, clock.offset_minutes(now), count_gaps=context.count_gaps
    )
    notes = _notes(ledger, context.person)
    if arguments.json:
        found = as_json(context.person, rule, summary, counted=context.count_gaps, notes=notes)
        print(json.dumps(found, allow_nan=False, ensure_ascii=False))
        return 0
    screen = console(highlight=False, least_width=LEAST_WIDTH)
    screen.print(
        f"Listening of “{context.person}”: an {estimate(summary)}, in whole decibels and minutes.", markup=False
    )
    screen.print(f"Rule: {context.rule.name}", markup=False)
    if NEVER in summary.why.values():
        screen.print(f"{NEVER}.".capitalize())
    else:
        screen.print(table_of(summary))
    if arguments.week and summary.days:
        screen.print()
        screen.print(days_table(summary))
    for line in gap_lines(summary.gaps, counted=context.count_gaps):
        screen.print(line, markup=False)
    screen.print()
    for line in (*notes, *([rule.caution] if rule else []), *CAUTIONS):
        screen.print(line, markup=False)
    return 0


def _notes(ledger: ExposureRecord, person: str) -> list[str]:
    """Sentences about the file, and about an unknown name."""
    others = [name for name in ledger.persons() if name != person]
    unknown = f"There is no record of “{person}”, only of {', '.join(others)}; check the name."
    return [
        words for words in (ledger.sentence, unknown if others and ledger.extent(person) is None else "") if words
    ]


def _export(ledger: ExposureRecord, person: str, path: Path, *, week: bool) -> int:
    """Write a new file that only its owner can read; an existing file is not overwritten."""
    now = machine_clock().now()
    since = now - WEEK_MINUTES * SECONDS_PER_MINUTE if week else 0.0
    history = ledger.history(person, since, with_gaps=False)
    if not history.heard_seconds.any():
        raise CommandError(f"There is no record of “{person}” to export; no file was made.", FAILED)
    handle = -1
    try:
        handle = open_new(path)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            written = write_minutes(history, person, file)
    except FileExistsError as error:
        raise CommandError(f"{path} is there already; name a new file.") from error
    except OSError as error:
        if handle >= 0:  # incomplete, and in the way of the next export
            path.unlink(missing_ok=True)
        raise CommandError(f"{path} cannot be written ({error.strerror}); name another place.") from error
    print(
        f"{written:,} minutes of “{person}” are in {path}. They are estimates, each with its uncertainty, and "
        f"private: only you should read them."
    )
    return 0


def _forget(ledger: ExposureRecord, store: Store, person: str, *, asked: bool) -> int:
    """Show the extent of the record, ask, and delete it."""
    kept = ledger.extent(person)
    if store.sentence:
        print(store.sentence, file=sys.stderr)
    if kept is None:
        print(f"There is no record of “{person}”; nothing was deleted.")
        return 0
    clock = machine_clock()
    first, last = (
        clock_time(minute * SECONDS_PER_MINUTE, clock.offset_minutes(minute * SECONDS_PER_MINUTE))
        for minute in (kept.first, kept.last)
    )
    what = f"{kept.minutes:,} minutes of “{person}”, from {first:%d %B %Y} to {last:%d %B %Y}"
    if asked and not _agreed(f"{what}, and the listening levels of all day records"):
        print("Nothing was deleted.")
        return 0
    if store.path is None:
        raise CommandError(f"{what} cannot be deleted, because the file cannot be written.", FAILED)
    try:
        ledger.forget(person)
    except sqlite3.Error as error:
        raise CommandError(f"{what} could not be deleted ({error}); try again.", FAILED) from error
    print(f"Deleted: {what}.")
    changed, left = forget_listening(record_folder())
    if changed:
        print(f"Listening levels are removed from {changed:,} day record{'s' * (changed != 1)}; they name no person.")
    for path in [*kept_aside(store.path), *left]:
        print(f"This file could not be read and may hold more; delete it yourself: {path}")
    return 0


def _agreed(what: str) -> bool:
    """Ask for consent; raises CommandError without a terminal."""
    if not sys.stdin.isatty():
        raise CommandError(f"This would delete {what}; add --yes to do it without a question.")
    return input(f"This deletes {what}, for good. Type “yes” to do it: ").strip().lower() == "yes"

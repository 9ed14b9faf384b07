"""All kinds of presets: find one by its words, keep a file as the user's own, write one into a new file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from meter.alignments import ALIGNMENTS
from meter.commands.errors import FAILED, CommandError
from meter.commands.new_file import write_new
from meter.exposure_rules import EXPOSURE_RULES
from meter.gui.page.layout import PAGES
from meter.preset_files import (
    SUFFIX,
    VERSION,
    Kind,
    Preset,
    PresetError,
    file_name,
    find_presets,
    our_folder,
    read_text_as,
    table_of,
    text_of,
)
from meter.settings import presets_folder
from meter.whole_file import write_whole

KINDS: tuple[Kind[Any], ...] = (PAGES, EXPOSURE_RULES, ALIGNMENTS)


def checked(path: Path) -> tuple[Kind[Any], str, Any]:
    """Kind, text and content of a preset file of any kind; raises PresetError."""
    text = text_of(path)
    word = table_of(text, path).get("kind")
    kind = next((kind for kind in KINDS if kind.word == word), None)
    if kind is None:
        known = ", ".join(f'"{kind.word}"' for kind in KINDS)
        reason = "it does not say what it is" if word is None else "its kind is not known here"
        raise PresetError(f"{path}, line 1: {reason}; write kind = one of {known} first, then version = {VERSION}.")
    return kind, text, read_text_as(text, path, kind)


def all_presets() -> tuple[dict[str, Preset[Any]], list[str]]:
    """Every preset by its words, such as ``pages/low_end``, and sentences about unusable files of the user's."""
    presets: dict[str, Preset[Any]] = {}
    sentences: list[str] = []
    for kind in KINDS:
        found = find_presets(kind, presets_folder())
        presets |= {f"{kind.folder}/{name}": preset for name, preset in found.presets.items()}
        sentences += found.sentences
    return presets, sentences


def preset_named(words: str) -> Preset[Any]:
    """The preset of these words: ``pages/low_end``, or its last part where only one has it; raises CommandError."""
    presets, _sentences = all_presets()
    found = [words] if words in presets else [name for name in presets if name.partition("/")[2] == words]
    if len(found) == 1:
        return presets[found[0]]
    trouble = f"“{words}” may be {', '.join(found)}" if found else f"There is no preset “{words}”"
    raise CommandError(f"{trouble}; “earwitness presets” lists them.")


def keep(path: Path, *, replace: bool) -> str:
    """Check a file and keep a copy among the user's presets; returns a sentence. Raises CommandError."""
    try:
        kind, text, content = checked(path)
    except PresetError as error:
        raise CommandError(str(error)) from error
    name = file_name(path.stem)
    if not name:
        raise CommandError(f"{path} has no letter or digit in its name; rename it.")
    place = presets_folder() / kind.folder / f"{name}{SUFFIX}"
    if place.exists() and not replace:
        raise CommandError(f"There is {place} already; rename the file, or import it with --replace.")
    if said := _name_taken(kind, name, content):
        raise CommandError(said)
    try:
        write_whole(place, text.encode())
    except OSError as error:
        raise CommandError(
            f"{place} cannot be written ({error.strerror}); check that the folder is writable.", FAILED
        ) from error
    covers = (our_folder(kind) / place.name).is_file()
    instead = ", in the place of the program's own" if covers else ""
    return f"The {kind.title} “{content.name}” is kept as {place}{instead}; a window shows it at its next start."


def write_copy(preset: Preset[Any], path: Path) -> Path:
    """Write a preset's file into a new one and return its path; raises CommandError."""
    try:
        return write_new(path, preset.path.read_bytes())
    except OSError as error:
        raise CommandError(f"{path} cannot be written ({error.strerror}); name another place.", FAILED) from error


def import_file(path: Path) -> str:
    """Keep a file from the window's menu; returns the sentence to show."""
    try:
        return keep(path, replace=False)
    except CommandError as error:
        return str(error)


def export_page(name: str, path: Path) -> str:
    """Write the page layout with this file name into a new file; returns the sentence to show."""
    preset = find_presets(PAGES, presets_folder()).presets.get(name)
    if preset is None:
        return "This page comes from no file; choose another page to export."
    try:
        return f"The page “{preset.content.name}” is in {write_copy(preset, path)}."
    except CommandError as error:
        return str(error)


def _name_taken(kind: Kind[Any], name: str, content: Any) -> str:
    """Why a rule cannot be kept under its name: another file has it."""
    if kind is not EXPOSURE_RULES:
        return ""
    others = find_presets(kind, presets_folder()).presets
    taken = any(other.content.name == content.name for file, other in others.items() if file != name)
    return f"There is a rule “{content.name}” already; give this one another name in its file." if taken else ""

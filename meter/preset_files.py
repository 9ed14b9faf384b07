"""Presets: TOML files of data, ours in the folder ``presets``, the user's in the folder of the settings.

A file begins with its kind and the version of that kind::

    kind = "alignment"
    version = 1

A file of the user takes the place of ours with the same file name. One that cannot be used is named in one sentence,
with its line; then ours counts.
"""

from __future__ import annotations

import errno
import os
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, Generic, TypeVar

import msgspec

from meter.toml_lines import WrongEntry, line_of, line_of_error, without_place
from meter.whole_file import plain_words, read_limited

Content = TypeVar("Content", bound=msgspec.Struct)

VERSION = 1
"""Of every kind so far."""
SUFFIX = ".toml"
MAX_FILE_BYTES = 100_000
MOST_FILES = 200
"""Of one folder; a folder with more is no folder of presets."""
FIX = "fix or remove it"


class PresetError(ValueError):
    """A preset that cannot be used; the text is one sentence that names the file, the line and the fix."""


@dataclass(frozen=True)
class Kind(Generic[Content]):
    """One kind of preset: ``word`` stands in the file, ``title`` in sentences, ``folder`` is where files of it are.

    ``check`` raises WrongEntry for content that ``type`` allows and the program cannot use.
    """

    word: str
    title: str
    folder: str
    type: type[Content]
    check: Callable[[Content], None] = lambda _content: None


@dataclass(frozen=True)
class Preset(Generic[Content]):
    """One file that can be used. ``own`` is the user's; ``covers`` that it takes the place of one of ours."""

    name: str
    path: Path
    content: Content
    own: bool = False
    covers: bool = False


@dataclass
class Found(Generic[Content]):
    """Presets by file name, in its order, and one sentence for each file that cannot be used."""

    presets: dict[str, Preset[Content]] = field(default_factory=dict)
    sentences: list[str] = field(default_factory=list)


def our_folder(kind: Kind[Any]) -> Path:
    """The folder of one kind that comes with the program, in a checkout or an installed copy."""
    return Path(str(resources.files("presets"))) / kind.folder


def find_presets(kind: Kind[Content], own: Path | None, ours: Path | None = None) -> Found[Content]:
    """All presets of a kind. ``own`` is the user's folder of presets, None for none. Never raises."""
    found: Found[Content] = Found()
    for folder, of_user in ((ours or our_folder(kind), False), (own / kind.folder if own else None, True)):
        if folder is None or (of_user and not folder.exists()):
            continue
        for path in _files(folder, found.sentences):
            try:
                content = read_preset(path, kind)
            except PresetError as error:
                found.sentences.append(str(error))
                continue
            found.presets[path.stem] = Preset(
                path.stem, path, content, of_user, of_user and path.stem in found.presets
            )
    found.presets = dict(sorted(found.presets.items()))
    return found


def read_preset(path: Path, kind: Kind[Content]) -> Content:
    """Read and check one file; raises PresetError."""
    return read_text_as(text_of(path, kind.title), path, kind)


def text_of(path: Path, title: str = "preset") -> str:
    """The text of a file that may be a preset; raises PresetError."""
    try:
        content = _content_of(path)
    except OSError as error:
        raise PresetError(f"The {title} {path} cannot be read ({error.strerror}); check the name.") from error
    except ValueError as error:  # a path that no system takes
        raise PresetError(f"The {title} {str(path)!a} cannot be read ({error}); check the name.") from error
    if len(content) > MAX_FILE_BYTES:
        raise PresetError(f"{path} is far too large to be a {title}; {FIX}.")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise PresetError(f"{path}, line {line}: this is not UTF-8 text; save it as such.") from error


def _content_of(path: Path) -> bytes:
    """As much of an ordinary file as a preset may have, and one byte."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "not an ordinary file")
    return read_limited(path, MAX_FILE_BYTES)


def read_text_as(text: str, path: Path, kind: Kind[Content]) -> Content:
    """Check a preset's text; ``path`` is what sentences call it. Raises PresetError."""
    table = table_of(text, path, kind.title)
    try:
        _check_head(table, kind)
        entries = {key: value for key, value in table.items() if key not in ("kind", "version")}
        content = msgspec.convert(entries, kind.type)
        kind.check(content)
        if not str(getattr(content, "name", "")).isprintable():
            raise WrongEntry("its name holds what cannot be shown; use letters, digits and signs", "name")
    except (msgspec.ValidationError, RecursionError) as error:
        line = line_of_error(text, error)
        reason = f"this is not a valid {kind.title}: {plain_words(without_place(str(error)))}; {FIX}."
        raise PresetError(_placed(path, line, reason)) from error
    except WrongEntry as error:
        raise PresetError(_placed(path, line_of(text, error.place) or 1, f"{error}.")) from error
    return content


def table_of(text: str, path: Path, title: str = "preset") -> dict[str, Any]:
    """The text as a table; raises PresetError for what is not TOML."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, and a number of thousands of digits
        line = line_of_error(text, error)
        reason = f"this is not a valid {title}: {plain_words(without_place(str(error)))}; {FIX}."
        raise PresetError(_placed(path, line, reason)) from error


def file_name(words: str) -> str:
    """Words as the file name of a preset, without suffix: small letters, digits and underscores; "" for none."""
    return re.sub(r"[^a-z0-9]+", "_", words.casefold()).strip("_")[:60]


def _files(folder: Path, sentences: list[str]) -> list[Path]:
    """The TOML files of a folder by name; a folder that cannot be read adds a sentence."""
    try:
        with os.scandir(folder) as entries:
            names = sorted(entry.name for entry in entries if entry.name.endswith(SUFFIX))
    except OSError as error:
        sentences.append(f"The presets in {folder} cannot be read ({error.strerror}); check the folder.")
        return []
    names = [name for name in names if not name.startswith(".")]
    if len(names) > MOST_FILES:
        sentences.append(f"{folder} holds {len(names):,} presets; only the first {MOST_FILES} are read.")
    return [folder / name for name in names[:MOST_FILES]]


def _check_head(table: Mapping[str, Any], kind: Kind[Any]) -> None:
    if "kind" not in table:
        raise WrongEntry(f'it does not say what it is; write kind = "{kind.word}" first')
    if table["kind"] != kind.word:
        raise WrongEntry(f"its kind is {plain_words(repr(table['kind']))}, and {kind.word!r} is wanted here", "kind")
    version = table.get("version")
    if version is None:
        raise WrongEntry(f"it has no version; write version = {VERSION} below its kind")
    if type(version) is not int or version < 1:
        raise WrongEntry(f"its version is {plain_words(repr(version))}; write version = {VERSION}", "version")
    if version > VERSION:
        reason = (
            f"it has version {plain_words(str(version))}, and this program reads up to {VERSION}; update the program"
        )
        raise WrongEntry(reason, "version")


def _placed(path: Path, line: int, reason: str) -> str:
    return f"{path}, line {line}: {reason}" if line else f"{path}: {reason}"

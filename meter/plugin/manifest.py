"""``manifest.toml`` of a meter, read and checked without importing anything of the meter."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from meter.plugin.api import CONTRACT, Setting, Settings
from meter.plugin.services import FEED_MAP, why_not, why_single
from meter.readings import ID_PATTERN, JSON_SUFFIX, PER_CHANNEL, PER_PART, RECORD_EACH, RECORDED, Field
from meter.toml_lines import Place, WrongEntry, line_in_message, line_of, place_in_message, without_place
from meter.whole_file import plain_words, read_limited

MANIFEST_NAME = "manifest.toml"
MAX_FIELD_SIZE = 16_384
MAX_EACH = 256
MAX_FILE_BYTES = 1_000_000
MOST_EVERY_SECONDS = 0.5
LONGEST_NAME, LONGEST_TEXT = 60, 1000
LONGEST_REFUSAL = 400
ALL_FEEDS, PAIR_FEEDS = "all", "pair"
MAIN_FACE = "face"
"""What the face without a view's name is called in ``titles``."""


class ManifestError(ValueError):
    """A manifest that cannot be used; the text is one sentence that names the file and the fix."""


class SettingEntry(msgspec.Struct, forbid_unknown_fields=True):
    """One ``[[setting]]`` table: a number with bounds, a choice of words, or a switch.

    ``presets = "alignment"`` offers the levels of the alignments, ours and the user's.
    """

    key: Annotated[str, msgspec.Meta(pattern=ID_PATTERN)]
    default: Setting
    label: str = ""
    unit: str = ""
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()
    presets: Literal["", "alignment"] = ""

    def check(self, value: Setting) -> Setting:
        """The value if it is allowed; raises ValueError with one sentence otherwise."""
        wanted = type(self.default)
        if wanted is float and isinstance(value, (int, float)) and not isinstance(value, bool):
            value = float(value)
        if type(value) is not wanted:
            raise ValueError(f"Setting “{self.key}” takes a {wanted.__name__}, not {value!r}.")
        if self.choices and value not in self.choices:
            raise ValueError(f"Setting “{self.key}” takes one of {', '.join(self.choices)}, not {value!r}.")
        if isinstance(value, float):
            low = self.least if self.least is not None else float("-inf")
            high = self.most if self.most is not None else float("inf")
            if not low <= value <= high:
                raise ValueError(f"Setting “{self.key}” takes {low:g} to {high:g} {self.unit}, not {value:g}.")
        return value


class StudyEntry(msgspec.Struct, forbid_unknown_fields=True):
    """One ``[[study]]`` table: a slow analysis, run outside the DSP loop.

    ``function`` and ``findings`` are ``"module:name"`` of a plain function and of the msgspec.Struct it returns. It
    runs at most once in ``every_seconds``, 0.05 to 3600.
    """

    key: Annotated[str, msgspec.Meta(pattern=ID_PATTERN)]
    function: str
    findings: str
    every_seconds: Annotated[float, msgspec.Meta(ge=0.05, le=3600.0)] = 1.0


class Manifest(msgspec.Struct, forbid_unknown_fields=True):
    """All that the host knows of a meter before it imports anything.

    ``processor`` and ``face`` are ``"module:Class"``; in a plain folder the module is a file beside the manifest.
    ``feed`` names the feed it listens to, or is "all", or "pair": then the meter stands once for every pair of the
    source, by itself, and its blocks hold the channels before, then as many after. ``services`` are those of
    ``meter.plugin.services`` that it asks for. ``views`` are further faces by name, for meters that fill a page of
    their own. ``titles`` holds the title of each face, under its view's name or "face"; a face without one has the
    meter's. ``live_only`` keeps it out of file measurement, ``on_pages`` false off the pages. ``sitting`` says that
    it counts the whole sitting: a reset leaves it as it is. ``single`` says that it stands only once; others can
    stand on several feeds, unless they take all feeds or hold a service. ``every_seconds``, 0 to 0.5, is how much
    live sound is gathered for one call of ``process``: 0 for what moves with the sound, 0.1 for a figure that nobody
    sees move faster; it costs less.
    """

    id: Annotated[str, msgspec.Meta(pattern=ID_PATTERN)]
    name: str
    version: str
    contract: str
    processor: str
    face: str = ""
    feed: str = "mix"
    summary: str = ""
    live_only: bool = False
    sitting: bool = False
    on_pages: bool = True
    single: bool = False
    every_seconds: Annotated[float, msgspec.Meta(ge=0.0, le=MOST_EVERY_SECONDS)] = 0.0
    services: tuple[str, ...] = ()
    views: dict[str, str] = {}
    titles: dict[str, str] = {}
    field: list[Field] = []
    setting: list[SettingEntry] = []
    study: list[StudyEntry] = []

    @property
    def fields(self) -> tuple[Field, ...]:
        """The readings this meter reports, in the order of the manifest."""
        return tuple(self.field)

    @property
    def why_single(self) -> str:
        """Why there is only one instance of it; empty when it can stand on several feeds."""
        if self.feed == ALL_FEEDS:
            return why_single(self.services) or "it takes all feeds"
        if self.feed == PAIR_FEEDS:
            return "it stands for every pair by itself"
        return "its author made it to stand once" if self.single else why_single(self.services)

    def title_of(self, view: str = "") -> str:
        """The title of a face: that of ``titles``, otherwise the name of the meter, with that of the view."""
        return self.titles.get(view or MAIN_FACE) or (f"{self.name}, {view}" if view else self.name)

    def named_code(self) -> list[tuple[Place, str]]:
        """Everything in it that is ``"module:name"``, each with its place in the file."""
        named: list[tuple[Place, str]] = [(("processor",), self.processor)]
        named += [(("face",), self.face)] if self.face else []
        named += [(("views", view), name) for view, name in self.views.items()]
        for number, study in enumerate(self.study):
            named += [
                (("study", number, "function"), study.function),
                (("study", number, "findings"), study.findings),
            ]
        return named

    def settings(self, chosen: Settings) -> dict[str, Setting]:
        """Defaults overlaid with ``chosen``; raises ValueError for an unknown key or a value out of bounds."""
        entries = {entry.key: entry for entry in self.setting}
        unknown = sorted(set(chosen) - set(entries))
        if unknown:
            raise ValueError(f"Meter “{self.id}” has no setting “{unknown[0]}”.")
        return {key: entry.check(chosen.get(key, entry.default)) for key, entry in entries.items()}


def read_manifest(path: Path) -> Manifest:
    """Read and check one manifest; raises ManifestError."""
    try:
        if not path.is_file() and path.exists():
            raise ManifestError(f"{path} is not an ordinary file; put the manifest's text there.")
        content = read_limited(path, MAX_FILE_BYTES)
        if len(content) > MAX_FILE_BYTES:
            raise ManifestError(f"{path} is far too large to be a manifest; put the manifest's text there.")
        text = content.decode("utf-8")
    except OSError as error:
        raise ManifestError(f"{path} cannot be read ({error.strerror}); check that the file is there.") from error
    except UnicodeDecodeError as error:
        raise ManifestError(f"{path} is not UTF-8 text; save it as such.") from error
    try:
        manifest = msgspec.convert(tomllib.loads(text), Manifest)
        _check(manifest)
    except WrongEntry as error:
        reason = f"{plain_words(error, LONGEST_REFUSAL)}."
        raise ManifestError(_placed(path, line_of(text, error.place), reason)) from error
    except (ValueError, msgspec.ValidationError, RecursionError) as error:  # thousands of digits are a ValueError
        line = line_in_message(str(error)) or line_of(text, place_in_message(str(error)))
        reason = f"this is not a valid manifest: {plain_words(without_place(str(error)))}."
        raise ManifestError(_placed(path, line, reason)) from error
    return manifest


def _placed(path: Path, line: int, reason: str) -> str:
    return f"{path}, line {line}: {reason}" if line else f"{path}: {reason}"


def is_dotted_name(name: str) -> bool:
    """True for identifiers joined by dots: what can be imported and names no other place of the disk."""
    return all(part.isidentifier() for part in name.split("."))


def _check(manifest: Manifest) -> None:
    if manifest.contract != CONTRACT:
        raise WrongEntry(f"it was made for contract {manifest.contract}; this program has {CONTRACT}.", "contract")
    _check_words(msgspec.to_builtins(manifest))
    _check_names(manifest)
    _check_fields(manifest)
    _check_services(manifest)
    for number, setting in enumerate(manifest.setting):
        try:
            setting.check(setting.default)
        except ValueError as error:
            raise WrongEntry(f"the default is not allowed. {error}", "setting", number, "default") from error


def _check_words(value: object, *place: str | int) -> None:
    """Every text is one line that can be shown: names, labels and reasons stand in sentences and on cards."""
    if isinstance(value, str) and not (value.isprintable() and len(value) <= LONGEST_TEXT):
        raise WrongEntry(f"a text is one line of at most {LONGEST_TEXT} letters that can be shown.", *place)
    if isinstance(value, dict):
        for key, part in value.items():
            _check_words(key, *place, key)
            _check_words(part, *place, key)
    elif isinstance(value, (list, tuple)):
        for number, part in enumerate(value):
            _check_words(part, *place, number)


def _check_names(manifest: Manifest) -> None:
    if not manifest.name.strip() or len(manifest.name) > LONGEST_NAME:
        raise WrongEntry(f"a meter needs a name of at most {LONGEST_NAME} letters.", "name")
    for place, name in manifest.named_code():
        module, colon, inside = name.partition(":")
        if not (colon and is_dotted_name(module) and inside.isidentifier()):
            raise WrongEntry(f'processor, face, views and studies look like "module:Class", not {name!r}.', *place)
    for view in manifest.titles:
        if view not in manifest.views and view != MAIN_FACE:
            known = ", ".join([MAIN_FACE, *manifest.views])
            raise WrongEntry(f"there is no view “{view}” to give a title; known are {known}.", "titles", view)
    _check_keys("study", [study.key for study in manifest.study])


def _check_keys(table: str, keys: list[str]) -> None:
    for number, key in enumerate(keys):
        if key in keys[:number]:
            raise WrongEntry(f"{table} “{key}” is there twice.", table, number, "key")


def _check_fields(manifest: Manifest) -> None:
    _check_keys("field", [entry.key for entry in manifest.field])
    counters = {entry.key for entry in manifest.field if (entry.size, entry.each) == (1, 1)}
    for number, entry in enumerate(manifest.field):
        if wrong := _wrong_in(entry):
            key, reason = wrong
            raise WrongEntry(f"field “{entry.key}” {reason}.", "field", number, key)
        if entry.counted_by and entry.counted_by not in counters:
            reason = f"is counted by “{entry.counted_by}”, which is no field of a single value"
            raise WrongEntry(f"field “{entry.key}” {reason}.", "field", number, "counted_by")


def _wrong_in(entry: Field) -> tuple[str, str] | None:
    """Which key of a field is wrong, and why."""
    if entry.unit not in JSON_SUFFIX:
        known = ", ".join(unit for unit in JSON_SUFFIX if unit)
        return "unit", f"has the unit {entry.unit!r}; known are {known}"
    fixed = isinstance(entry.size, int) and 1 <= entry.size <= MAX_FIELD_SIZE
    if not fixed and entry.size not in (PER_CHANNEL, PER_PART):
        return "size", f"needs a size of 1 to {MAX_FIELD_SIZE}, “channels” or “parts”"
    if not 1 <= entry.each <= MAX_EACH:
        return "each", f"may have 1 to {MAX_EACH} values for each"
    if entry.summary and (entry.size, entry.each) != (1, 1):
        return "summary", "is in the summary, so it must be a single value"
    if entry.record and entry.record not in RECORDED:
        return "record", f"may be recorded as {', '.join(RECORDED)}, not {entry.record!r}"
    if entry.record == RECORD_EACH and not entry.counted_by:
        return "record", "needs counted_by, the key of the field that counts its values"
    return None


def _check_services(manifest: Manifest) -> None:
    defaults = {entry.key: entry.default for entry in manifest.setting}
    for service in manifest.services:
        if reason := why_not(service, manifest.field, defaults):
            raise WrongEntry(f"{reason}.", "services")
    for number, entry in enumerate(manifest.field):
        if entry.size == PER_PART and FEED_MAP not in manifest.services:
            fix = 'ask for the parts with services = ["feed_map"]'
            raise WrongEntry(f"field “{entry.key}” has a value for each part; {fix}.", "field", number, "size")

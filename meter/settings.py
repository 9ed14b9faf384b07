"""Saved settings: one JSON file in the user's configuration folder.

A file that cannot be used is kept beside the new one and reported in one sentence.
The file also holds calibrations, so only its owner may read it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import msgspec
import platformdirs

from meter.feeds import FeedMap, FeedMapError, read_feed_map
from meter.instances import Instance
from meter.marks import AT_PLAY, AT_PLAY_PASS
from meter.whole_file import move_aside, plain_words, write_whole

VERSION = 1
FILE_NAME = "settings.json"
PRESETS = "presets"
"""Folder of the user's presets, beside the settings."""
MAX_FILE_BYTES = 4_000_000
"""Far above the size of a settings file; a larger file is foreign and is not read into memory."""

THEMES = ("system", "dark", "light")

LOUDSPEAKERS, HEADPHONES = "loudspeakers", "headphones"
HEARD_ON = (LOUDSPEAKERS, HEADPHONES)
FULL = "full"
PRESET_SETTINGS = {FULL: 0.0, "−10": -10.0, "−20": -20.0}
"""Monitor settings that always exist, in dB re full."""
DOUBT_OF_UNKNOWN_METER_DB = 6.0
"""Uncertainty of a calibration made with an unknown meter (common practice, no source)."""

CHOOSES_CHANNELS = ("device", "monitor")
"""Kinds of source whose channels can be chosen; the others deliver all."""

MOST_POINTS = 100_000
"""Limit of a window's size; Qt takes no number far above it."""
MOST_DB = 1000.0
NUL = "\0"

Points = Annotated[int, msgspec.Meta(ge=0, le=MOST_POINTS)]
Decibels = Annotated[float, msgspec.Meta(ge=-MOST_DB, le=MOST_DB)]
Columns = dict[str, tuple[int, ...]]


class SourceChoice(msgspec.Struct, frozen=True):
    """The source last listened to: kind, stable name and options of that kind."""

    kind: str
    name: str = ""
    options: dict[str, Any] = {}
    label: str = ""


class Calibration(msgspec.Struct, frozen=True):
    """The listening level for one source, one listening device and one monitor setting.

    ``offset_db`` is the listening level in dB(A) minus the A-weighted level of the feed in dBFS, all channels summed
    in power; ``doubt_db`` is the uncertainty of an estimate, either way. ``measured_on`` is an ISO 8601 date.
    ``typed_db`` is what the user typed, for the left or only loudspeaker, with ``weighting`` "A" or "C" while
    ``noise`` ("band" or "wide") played; both are empty for headphones from a data sheet, where ``typed_db`` is the
    level of a full-scale sine in dB SPL. ``details`` describes the other entries in words.
    """

    source: str
    offset_db: Decibels
    measured_on: str
    typed_db: Decibels
    weighting: str
    noise: str
    heard_on: str = LOUDSPEAKERS
    setting: str = FULL
    meter: str = ""
    position: str = ""
    doubt_db: Decibels = DOUBT_OF_UNKNOWN_METER_DB
    details: str = ""


class MonitorSetting(msgspec.Struct, frozen=True):
    """A place of the monitor control that the user named, ``change_db`` above or below "full" as typed."""

    source: str
    heard_on: str
    name: str
    change_db: Decibels


class MonitorState(msgspec.Struct, frozen=True):
    """The user's last choice for one source: listening device and monitor control setting."""

    source: str
    heard_on: str = LOUDSPEAKERS
    setting: str = FULL


class Settings(msgspec.Struct):
    """All saved settings. ``meters`` has per meter id what the user chose, without the defaults.

    ``theme`` is one of ``THEMES``, ``at_play`` one of ``AT_PLAY``. ``geometry`` is the window system's own record,
    base64; ``width`` and ``height`` in points serve where a window may not place itself. ``feed_maps`` is the job
    file of each source that has one, by ``source_key``. ``instances`` are further instances of meters, each on a feed
    of its own.
    """

    version: int = VERSION
    source: SourceChoice | None = None
    theme: str = "system"
    at_play: str = AT_PLAY_PASS
    always_on_top: bool = False
    cautions_read: bool = False
    page: str = "page"
    geometry: str = ""
    width: Points = 0
    height: Points = 0
    meters: dict[str, dict[str, float | str | bool]] = {}
    calibrations: list[Calibration] = []
    monitor_settings: list[MonitorSetting] = []
    monitor_states: list[MonitorState] = []
    feed_maps: dict[str, str] = {}
    instances: list[Instance] = []

    def calibrations_for(self, source: str, heard_on: str) -> list[Calibration]:
        """The calibrations made with ``source``, one for each monitor setting at which it was made."""
        return [entry for entry in self.calibrations if (entry.source, entry.heard_on) == (source, heard_on)]

    def keep_calibration(self, entry: Calibration) -> None:
        """Keep one calibration per source, way of listening and monitor setting; the new one replaces the old."""
        place = (entry.source, entry.heard_on, entry.setting)
        others = [old for old in self.calibrations if (old.source, old.heard_on, old.setting) != place]
        self.calibrations = [*others, entry]

    def forget_calibrations(self, source: str, heard_on: str) -> None:
        """Delete the calibrations of ``source`` for one listening device."""
        gone = self.calibrations_for(source, heard_on)
        self.calibrations = [entry for entry in self.calibrations if entry not in gone]

    def rename_source(self, old: str, new: str) -> None:
        """Move everything kept for one source to another name."""
        for entry in (entry for entry in list(self.calibrations) if entry.source == old):
            self.calibrations.remove(entry)
            self.keep_calibration(msgspec.structs.replace(entry, source=new))
        for named in (named for named in list(self.monitor_settings) if named.source == old):
            self.monitor_settings.remove(named)
            self.keep_monitor_setting(msgspec.structs.replace(named, source=new))
        for state in (state for state in list(self.monitor_states) if state.source == old):
            self.monitor_states.remove(state)
            self.keep_state(msgspec.structs.replace(state, source=new))

    def changes_of(self, source: str, heard_on: str) -> dict[str, float]:
        """Every monitor setting by name, dB re full: the fixed ones, then the user's own."""
        own = {
            entry.name: entry.change_db
            for entry in self.monitor_settings
            if (entry.source, entry.heard_on) == (source, heard_on)
        }
        return {**PRESET_SETTINGS, **{name: own[name] for name in own if name not in PRESET_SETTINGS}}

    def keep_monitor_setting(self, entry: MonitorSetting) -> None:
        """Keep a setting that the user named; a name in use gets the new change."""
        place = (entry.source, entry.heard_on, entry.name)
        others = [old for old in self.monitor_settings if (old.source, old.heard_on, old.name) != place]
        self.monitor_settings = [*others, entry]

    def state_of(self, source: str) -> MonitorState:
        """The last choice for ``source``; loudspeakers at full by default."""
        return next((entry for entry in self.monitor_states if entry.source == source), MonitorState(source))

    def keep_state(self, state: MonitorState) -> None:
        """Store the choice for a source."""
        others = [entry for entry in self.monitor_states if entry.source != state.source]
        self.monitor_states = [*others, state]


def source_key(source: SourceChoice) -> str:
    """Key of a source in mappings of the settings."""
    return f"{source.kind} {source.name}".strip()


def jobs_folder() -> Path:
    """Default folder of job files; it may not exist yet."""
    return settings_path().parent / "jobs"


def presets_folder() -> Path:
    """The user's folder of presets; it may not exist."""
    return settings_path().parent / PRESETS


def kept_feeds(settings: Settings, source: SourceChoice | None) -> tuple[FeedMap | None, Columns | None, str]:
    """The feed map of the job kept for a source, its columns, and one sentence if it cannot be used; never raises."""
    kept = settings.feed_maps.get(source_key(source), "") if source is not None else ""
    if not kept or source is None:
        return None, None, ""
    try:
        feeds = read_feed_map(Path(kept))
        return feeds, feeds.columns(taken_channels(source.options)), ""
    except FeedMapError as error:
        return None, None, str(error)


def with_map_channels(settings: Settings, source: SourceChoice) -> SourceChoice:
    """The source with the channels of its saved map, unless the choice has channels."""
    if source.kind not in CHOOSES_CHANNELS or "channels" in source.options:
        return source
    kept = settings.feed_maps.get(source_key(source), "")
    try:
        channels = read_feed_map(Path(kept)).channels if kept else ()
    except FeedMapError:  # reported where the feeds are made
        return source
    options = {**source.options, "channels": list(channels)} if channels else source.options
    return msgspec.structs.replace(source, options=options)


def taken_channels(options: Mapping[str, Any]) -> tuple[int, ...]:
    """The chosen channels of a source, from 1; empty for its default ones."""
    channels = options.get("channels", ())
    return tuple(channels) if isinstance(channels, (list, tuple)) else ()


def settings_path() -> Path:
    """Path of this user's settings file; the folder may not exist yet."""
    return Path(platformdirs.user_config_dir("earwitness", appauthor=False)) / FILE_NAME


def load(path: Path) -> tuple[Settings, str]:
    """Load the settings of ``path``, with one sentence about a fault, or empty; never raises."""
    try:
        if path.exists() and not path.is_file():
            return Settings(), f"The settings {path} are not an ordinary file; this session starts with defaults."
        if path.stat().st_size > MAX_FILE_BYTES:
            return _set_aside(path, "it is far too large")
        settings = msgspec.json.decode(path.read_bytes(), type=Settings)
    except FileNotFoundError:
        return Settings(), ""
    except OSError as error:
        return (
            Settings(),
            f"The settings in {path} cannot be read ({error.strerror}); this session starts with defaults.",
        )
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return _set_aside(path, plain_words(error))
    if _holds_nul(msgspec.to_builtins(settings)):
        return _set_aside(path, "a name or path in it holds a NUL character")
    if settings.version > VERSION:
        return _set_aside(path, "a newer version of this program wrote it")
    settings.version = VERSION
    if settings.theme not in THEMES:
        settings.theme = "system"
    if settings.at_play not in AT_PLAY:
        settings.at_play = AT_PLAY_PASS
    return settings, ""


def _holds_nul(value: object) -> bool:
    """True for text that no system takes as a name or path."""
    if isinstance(value, str):
        return NUL in value
    if isinstance(value, dict):
        return any(_holds_nul(part) for pair in value.items() for part in pair)
    return isinstance(value, (list, tuple)) and any(map(_holds_nul, value))


def save(settings: Settings, path: Path) -> str:
    """Write ``settings`` whole or not at all; an empty string, or one sentence saying why it failed."""
    if path.exists() and not path.is_file():
        return f"The settings cannot be saved as {path}, which is no file; choose another place."
    text = msgspec.json.format(msgspec.json.encode(settings), indent=2)
    try:
        write_whole(path, text)
    except OSError as error:
        return f"The settings cannot be saved in {path.parent} ({error.strerror}); check that the folder is writable."
    return ""


def _set_aside(path: Path, reason: str) -> tuple[Settings, str]:
    try:
        aside = move_aside(path)
    except OSError as error:
        return Settings(), f"The settings in {path} are unusable ({reason}) and cannot be moved: {error.strerror}."
    return (
        Settings(),
        f"The settings file was unusable ({reason}); it is kept as {aside.name}, and defaults are used.",
    )

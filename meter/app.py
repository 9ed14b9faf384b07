"""The one place that wires the rooms together: settings, meters, engine and window.

Nothing of Qt is imported before a window is wanted: Qt ends the process when its system libraries are missing.
"""

from __future__ import annotations

import contextlib
import gc
import importlib.resources
import locale
import os
import signal
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from meter import settings as settings_file
from meter.alignments import find_alignments
from meter.audio.monitor import DEFAULT_MONITOR
from meter.audio.source import SourceRequest
from meter.calibration.noise import write_noise
from meter.commands.errors import FAILED, MISSING_PART, CommandError
from meter.commands.figure_labels import figure_labels
from meter.commands.new_file import write_new
from meter.commands.played_frames import PlayedFrames
from meter.commands.preset_store import export_page, import_file
from meter.commands.set_aside_meters import SetAsideMeters, begin_run, now_set_aside
from meter.commands.window_meters import (
    enable_other,
    leave_out_faces,
    meter_entries,
    other_meters,
    refuse_forbidden_calls,
)
from meter.engine.messages import RecordEvent
from meter.engine.process import EngineOrder
from meter.engine.supervisor import Supervisor
from meter.exposure_rules import ExposureRule, find_rules
from meter.gui.engine_link import DayRecords, RuleEntry, Surroundings
from meter.gui.source.source_list import DEFAULT_TITLE
from meter.instances import Instance
from meter.logbook.day_record import record_folder
from meter.logbook.exposure_record import persons_in
from meter.logbook.store import logbook_folder, logbook_path
from meter.marks import Mark
from meter.marks_file import FILE_NAME as MARKS_NAME
from meter.marks_file import MarksFile
from meter.plugin.api import Setting
from meter.plugin.enabled import NOTHING_ENABLED, Enabled
from meter.plugin.host import discover, usable
from meter.readings import Frame
from meter.settings import Settings, SourceChoice

PICTURE_WIDTH, PICTURE_HEIGHT = 1280, 800
SWITCH_INTERVAL_SECONDS = 0.001
LABELS = {"demo": "the demo: an invented ensemble"}


def open_window(request: SourceRequest | None, folders: Sequence[Path] = ()) -> int:
    """Open the window on ``request``, or on the source of last time; returns the exit code when it is closed.

    The engine starts first: it loads its libraries while this process loads those of the window.
    """
    path = settings_file.settings_path()
    kept, notice = settings_file.load(path)
    starting = starting_source(request, kept)
    first = None if starting or kept.source else first_source()
    source = starting or kept.source or first
    feed_map, feeds, _ = settings_file.kept_feeds(kept, source)  # the window shows what cannot be used
    enabled, words = leave_out_faces(path.parent)
    enabled, aside = begin_run(enabled, folders)
    refuse_forbidden_calls(folders, enabled)
    notice = " ".join(said for said in (notice, words) if said)
    order = EngineOrder(
        request=as_request(to_plain(source)) if source else None,
        feeds=feeds,
        folders=tuple(str(folder) for folder in folders),
        enabled=enabled,
        set_aside=aside,
        instances=tuple(kept.instances),
        settings=allowed_settings(kept, folders, enabled),
        logbook=str(logbook_path()),
        job=feed_map.name if feed_map is not None else "",
    )
    engine = SupervisedEngine(order)
    try:
        around = surroundings(path, folders, notice, starting, enabled, first)
        return _show_window(engine, kept, replace(around, marks_file=marks_file(source)), folders)
    finally:
        engine.close()


def _show_window(engine: SupervisedEngine, kept: Settings, around: Surroundings, folders: Sequence[Path]) -> int:
    application = make_application()
    from PySide6.QtCore import QTimer

    from meter.gui.kit.face_guard import GUARD
    from meter.gui.page.foreign_meters_menu import OthersMenu
    from meter.gui.page.presets_menu import PresetsMenu
    from meter.gui.page.try_again import TryAgain
    from meter.gui.window import Window

    if around.settings_path is not None:
        GUARD.use_folder(around.settings_path.parent)
    window = Window(engine, kept, around)
    again = TryAgain(engine, window.cards.names, window.feed_line)
    window.pages.try_again_asked.connect(again.try_again)
    engine.set_aside.say = again.tell
    others = partial(other_meters, folders)
    OthersMenu(window.more.others, others, enable_other, window.feed_line.say, again.by_name, again.try_name)
    PresetsMenu(window.more.presets, import_file, export_page, lambda: window.pages.file, window.feed_line.say)
    window.show()
    # The draw clock keeps the interpreter awake, so a signal is met within a frame; closing waits for its end.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: QTimer.singleShot(0, window.close))
    sys.setswitchinterval(SWITCH_INTERVAL_SECONDS)
    gc.collect()
    gc.freeze()
    return int(application.exec())


def draw_page(frames: Sequence[Frame], path: Path, folders: Sequence[Path] = (), theme: str = "dark") -> str:
    """Draw the page without a screen from these frames, the last one shown; returns a sentence that names the file.

    The file is a new one: numbered where ``path`` is taken. Raises CommandError where it cannot be drawn or written.
    """
    os.environ["QT_QPA_PLATFORM"] = os.environ.get("QT_QPA_PLATFORM") or "offscreen"
    try:
        picture = _picture_of(frames, folders, theme)
    except CommandError as error:
        raise CommandError(f"The page could not be drawn: {error}", error.exit_code) from error
    try:
        written = write_new(Path(path), picture)
    except OSError as error:
        reason = error.strerror or error
        sentence = f"The picture of the page could not be written to {Path(path).absolute()} ({reason})"
        raise CommandError(f"{sentence}; start it in a folder where you may write.", FAILED) from error
    return f"The page as a window would show it: {written.absolute()}"


def _picture_of(frames: Sequence[Frame], folders: Sequence[Path], theme: str) -> bytes:
    """The page with the last of these frames, as PNG; raises CommandError where Qt cannot be loaded."""
    application = make_application()
    from PySide6.QtCore import QBuffer, QIODevice

    from meter.gui.window import Window

    kept = Settings(theme=theme, cautions_read=True, source=SourceChoice("demo", label=LABELS["demo"]))
    window = Window(PlayedFrames(frames), kept, surroundings(None, list(folders), ""))
    window.resize(PICTURE_WIDTH, PICTURE_HEIGHT)
    window.show()
    for _ in frames:
        window.clock.tick()
        application.processEvents()
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    window.grab().save(buffer, "PNG")
    window.close()
    return bytes(buffer.data().data())


def make_application() -> Any:
    """The one QApplication; raises CommandError with the fix when the system lacks what it needs."""
    try:
        from PySide6.QtWidgets import QApplication
    except ImportError as error:
        sentence = f"The window's library cannot be loaded ({error}); run “earwitness doctor” for the fix."
        raise CommandError(sentence, MISSING_PART) from error
    if locale.setlocale(locale.LC_CTYPE) in ("C", "POSIX"):
        os.environ["LC_ALL"] = "C.UTF-8"  # which Qt takes anyway, but not without four lines about it
    # Qt would share the rows of small fills out among threads, and waking those costs more than the filling.
    os.environ.setdefault("QT_NO_GUI_THREADPOOL", "1")
    application = QApplication.instance() or QApplication(sys.argv[:1])
    application.setApplicationName("earwitness")
    return application


def surroundings(
    path: Path | None,
    folders: Sequence[Path],
    notice: str,
    starting_source: SourceChoice | None = None,
    enabled: Enabled = NOTHING_ENABLED,
    first: SourceChoice | None = None,
) -> Surroundings:
    """What the window needs besides an engine."""
    own = path.parent / settings_file.PRESETS if path is not None else None
    rules, unusable = find_rules(own)
    alignments, more = find_alignments(own)
    return Surroundings(
        settings_path=path,
        pages_folder=Path(str(importlib.resources.files("presets"))) / "pages",
        list_command=listing_command(),
        write_noise=write_noise,
        noise_command=noise_command(),
        meters=meter_entries(folders, enabled, alignments),
        notice=" ".join(said for said in (notice, *unusable, *more) if said),
        starting_source=starting_source,
        first_source=first,
        rules=rule_entries(rules),
        people=partial(persons_in, logbook_path()),
        records=DayRecords(record_folder(), partial(figure_labels, folders, enabled)),
    )


def starting_source(request: SourceRequest | None, kept: Settings) -> SourceChoice | None:
    """The source of ``request``, None without one; it or the source of last time gets the channels of its map."""
    if request is not None:
        label = request.label or LABELS.get(request.kind, request.name)
        return settings_file.with_map_channels(kept, SourceChoice(request.kind, request.name, request.options, label))
    if kept.source is not None:
        kept.source = settings_file.with_map_channels(kept, kept.source)
    return None


def marks_file(source: SourceChoice | None) -> MarksFile | None:
    """The file of marks, beside the exposure record; those of the demo are not kept."""
    if source is not None and source.kind == "demo":
        return None
    return MarksFile(logbook_folder() / MARKS_NAME)


def first_source() -> SourceChoice | None:
    """What plays on the default output, where the system can tell; None where the list of sources has to be asked."""
    return SourceChoice("monitor", DEFAULT_MONITOR, {}, DEFAULT_TITLE) if sys.platform == "linux" else None


def allowed_settings(
    kept: Settings, folders: Sequence[Path], enabled: Enabled = NOTHING_ENABLED
) -> dict[str, dict[str, Setting]]:
    """What was kept by instance, without what no meter here knows or allows any more."""
    manifests = {plugin.id: plugin.manifest for plugin in usable(discover(folders, enabled=enabled))}
    further = {each.id: manifests.get(each.meter) for each in kept.instances}
    allowed: dict[str, dict[str, Setting]] = {}
    for name, manifest in {**further, **manifests}.items():
        for entry in manifest.setting if manifest else ():
            value = kept.meters.get(name, {}).get(entry.key)
            if value is None:
                continue
            with contextlib.suppress(ValueError):
                allowed.setdefault(name, {})[entry.key] = entry.check(value)
    return allowed


def rule_entries(rules: Mapping[str, ExposureRule]) -> tuple[RuleEntry, ...]:
    """The exposure rules as the window takes them."""
    return tuple(RuleEntry(rule.name, rule.caution, rule.settings) for rule in rules.values())


def to_plain(source: SourceChoice) -> dict[str, Any]:
    """A kept choice of source as the mapping the link takes."""
    return {"kind": source.kind, "name": source.name, "options": source.options, "label": source.label}


class SupervisedEngine:
    """A supervisor as the window wants it: requests are plain mappings."""

    def __init__(self, order: EngineOrder) -> None:
        self._supervisor = Supervisor(order)
        self.set_aside = SetAsideMeters(order, self._supervisor.record)

    @property
    def engine_pid(self) -> int:
        """Process number of the engine; 0 while none lives."""
        return self._supervisor.engine_pid or 0

    def take(self) -> Frame | None:
        """The newest snapshot; the same object when nothing new came."""
        return self._supervisor.take()

    def open(self, request: Mapping[str, Any], feeds: Mapping[str, tuple[int, ...]] | None = None) -> None:
        """Listen to ``{"kind", "name", "options", "job"}`` with these feeds."""
        self._supervisor.open(as_request(request), feeds, str(request.get("job", "")))

    def hold(self, held: bool) -> None:
        """Freeze or release the readings."""
        self._supervisor.hold(held)

    def reset(self) -> None:
        """Forget what was measured."""
        self._supervisor.reset()

    def suspend(self, reason: str) -> None:
        """Count nothing for this reason until it is empty."""
        self._supervisor.suspend(reason)

    def mark(self) -> None:
        """Restart the figures since the mark."""
        self._supervisor.mark()

    def choose_at_play(self, choice: str) -> None:
        """What happens when play starts."""
        self._supervisor.choose_at_play(choice)

    def name_mark(self, number: int, name: str) -> None:
        """Name the mark with this index."""
        self._supervisor.name_mark(number, name)

    def put_back_marks(self, marks: tuple[Mark, ...]) -> None:
        """Have the marks of an earlier run in the list."""
        self._supervisor.put_back_marks(marks)

    def clear_marks(self) -> None:
        """Drop the marks whose spans have ended."""
        self._supervisor.clear_marks()

    def configure(self, meter_id: str, settings: Mapping[str, Setting]) -> None:
        """Change settings of one meter."""
        self._supervisor.configure(meter_id, settings)

    def use_instances(self, instances: tuple[Instance, ...]) -> None:
        """Measure these further instances of meters."""
        self._supervisor.use_instances(instances)

    def meters_set_aside(self) -> dict[str, str]:
        """Instances that are set aside now, with one sentence each."""
        frame = self._supervisor.take()
        return now_set_aside(frame.status.quarantined) if frame is not None else {}

    def try_again(self, meter_id: str) -> None:
        """Let a meter that was set aside measure again."""
        self.set_aside.try_again(meter_id)
        self._supervisor.try_again(meter_id)

    def record(self, kind: str, words: str, feed: str = "") -> None:
        """Put what just happened into the day record."""
        self._supervisor.record(RecordEvent(kind, words, time.time(), feed))

    def poll(self) -> None:
        """Look after the engine, and keep which meters were set aside."""
        self._supervisor.poll()
        frame = self._supervisor.take()
        if frame is not None:
            self.set_aside.follow(frame, self._supervisor.set_aside)

    def close(self) -> None:
        """End the engine."""
        self._supervisor.close()


def as_request(request: Mapping[str, Any]) -> SourceRequest:
    """The request of a plain mapping, with defaults for missing keys."""
    name, label = str(request.get("name", "")), str(request.get("label", ""))
    return SourceRequest(str(request["kind"]), name, dict(request.get("options", {})), label)


def listing_command() -> list[str]:
    """The command line of the child that lists sources as JSON."""
    return [sys.executable, "-m", "meter.audio.listing"]


def noise_command() -> list[str]:
    """The command line of the child that plays calibration noise."""
    return [sys.executable, "-m", "meter.calibration.noise_player"]

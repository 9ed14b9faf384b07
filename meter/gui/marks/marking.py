"""What K, N and J do: marks are set, named and listed, and kept for the next start."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QWidget

from meter.gui.engine_link import EngineLink
from meter.gui.marks.mark_line import MarkLine
from meter.gui.marks.mark_list import MarkList
from meter.gui.marks.span_words import Incident, incidents
from meter.gui.page.more_menu import MoreMenu
from meter.gui.source.feed_line import FeedLine
from meter.marks import AT_PLAY_PASS
from meter.marks_file import MarksFile
from meter.readings import Frame
from meter.settings import Settings

LIST_EVERY_SECONDS = 0.25
SAVE_EVERY_SECONDS = 60.0
"""The figures of a span that goes on are saved so often: what a power cut may cost."""


class Marking(QObject):
    """Wires the line below the page and the list to the engine.

    ``file`` keeps the marks, None keeps nothing; ``wall`` tells the time of day.
    """

    def __init__(
        self,
        link: EngineLink,
        feed_line: FeedLine,
        menu: MoreMenu,
        settings: Settings,
        save: Callable[[], None],
        parent: QWidget,
        file: MarksFile | None = None,
        wall: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(parent)
        self._link = link
        self._feed_line = feed_line
        self._file = file
        self._wall = wall
        self._saved_at, self._unsaved, self._complaint = wall(), False, ""
        self._frame: Frame | None = None
        self._seen: dict[tuple[str, float], float] = {}
        self._listed_at = 0.0
        self.line = MarkLine()
        self.list = MarkList(parent)
        for place in (feed_line, menu):
            place.mark_asked.connect(link.mark)
        menu.marks_asked.connect(self.show_list)
        menu.at_play_chosen.connect(self._choose_at_play)
        self._menu, self._settings, self._save = menu, settings, save
        menu.show_at_play(settings.at_play)
        if settings.at_play != AT_PLAY_PASS:  # what a new engine does by itself
            link.choose_at_play(settings.at_play)
        self.line.named.connect(link.name_mark)
        self.line.list_asked.connect(self.show_list)
        self.list.named.connect(link.name_mark)
        self.list.cleared.connect(link.clear_marks)
        self._put_back()

    def _put_back(self) -> None:
        """Have the marks of last time in the list."""
        marks, said = self._file.load(self._wall()) if self._file else ((), "")
        if marks:
            self._link.put_back_marks(marks)
        if said:
            self._feed_line.say(said)

    def _choose_at_play(self, choice: str) -> None:
        """Keep and use another choice of what happens when play starts."""
        self._settings.at_play = choice
        self._link.choose_at_play(choice)
        self._menu.show_at_play(choice)
        self._save()

    def name_last(self) -> None:
        """Have the newest mark named."""
        self.line.name_last()

    def observe(self, frame: Frame) -> None:
        """Look at a snapshot."""
        changed = self._frame is None or frame.marks is not self._frame.marks
        self._unsaved = self._unsaved or (changed and self._frame is not None)
        self._frame = frame
        now = self._wall()
        if not changed and 0.0 <= now - self._listed_at < LIST_EVERY_SECONDS:
            return
        self._listed_at = now
        self._save_now_and_then(now)
        self.line.show_frame(frame, now)
        self.list.squeezes.observe(frame)
        found = self.incidents(frame, now)
        if self.list.isVisible():
            self.list.show_frame(frame, found, now)

    def incidents(self, frame: Frame, now: float) -> list[Incident]:
        """Overs and clipped runs since R, each with the time of day at which it was first seen."""
        found = []
        seen: dict[tuple[str, float], float] = {}
        for each in incidents(frame, now):
            key = (each.kind, each.place)
            seen[key] = self._seen.get(key, each.at)
            found.append(replace(each, at=seen[key]))
        self._seen = seen
        return found

    def show_list(self) -> None:
        """Bring up the list."""
        self.list.bring_up()
        if self._frame is not None:
            now = self._wall()
            self.list.show_frame(self._frame, self.incidents(self._frame, now), now)

    def _save_now_and_then(self, now: float) -> None:
        """Save a change at once, and the figures of a running span every minute."""
        marks = self._frame.marks if self._frame is not None else ()
        due = not 0.0 <= now - self._saved_at < SAVE_EVERY_SECONDS and bool(marks) and marks[-1].running
        if self._unsaved or due:
            self.save()

    def save(self) -> None:
        """Write the marks; a failure is said once."""
        self._saved_at, self._unsaved = self._wall(), False
        if self._file is None or self._frame is None:
            return
        frame = self._frame
        said = self._file.save(frame.marks, frame.status.elapsed_seconds, frame.since_mark())
        if said and said != self._complaint:
            self._feed_line.say(said)
        self._complaint = said

    def shut_down(self) -> None:
        """Close the list and save the marks as they stand."""
        self.list.close()
        if self._unsaved or (self._frame is not None and self._frame.marks):
            self.save()

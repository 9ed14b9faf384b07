"""What K, N and J do: marks are set, named and listed."""

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
from meter.readings import Frame
from meter.settings import Settings

LIST_EVERY_SECONDS = 0.25


class Marking(QObject):
    """Wires the line below the page and the list to the engine; ``wall`` tells the time of day."""

    def __init__(
        self,
        link: EngineLink,
        feed_line: FeedLine,
        menu: MoreMenu,
        settings: Settings,
        save: Callable[[], None],
        parent: QWidget,
        wall: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(parent)
        self._link = link
        self._wall = wall
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
        self._frame = frame
        now = self._wall()
        if not changed and 0.0 <= now - self._listed_at < LIST_EVERY_SECONDS:
            return
        self._listed_at = now
        self.line.show_frame(frame)
        found = self.incidents(frame, now)
        if self.list.isVisible():
            self.list.show_frame(frame, found)

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
            self.list.show_frame(self._frame, self.incidents(self._frame, self._wall()))

    def put_away(self) -> None:
        """Close the list."""
        self.list.close()

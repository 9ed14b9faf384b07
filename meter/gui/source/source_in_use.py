"""The source that is heard: chosen, opened with its feeds, and kept for the next start."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec
from PySide6.QtCore import QObject, Signal

from meter.gui.source.source_list import source_title
from meter.settings import Columns, Settings, SourceChoice, with_map_channels

OpenSource = Callable[[Mapping[str, Any], Columns | None], None]


class SourceInUse(QObject):
    """``named`` carries the title of another source, ``tried`` that of one that nobody chose, ``opened`` says that it
    was asked for.

    ``starting`` is opened first without being kept for the next start.
    """

    named = Signal(str)
    tried = Signal(str)
    opened = Signal()

    def __init__(self, settings: Settings, open_source: OpenSource, starting: SourceChoice | None = None) -> None:
        super().__init__()
        self._settings = settings
        self._open = open_source
        self.columns: Callable[[], Columns | None] = lambda: None
        """The feeds that are kept for the source in use, as columns."""
        self.job: Callable[[], str] = lambda: ""
        """The name of the feed map that ``columns`` gave last; it is in the request under "job"."""
        self.current = starting or settings.source

    @property
    def title(self) -> str:
        """What the source is called, empty where none was chosen."""
        return source_title(self.current) if self.current is not None else ""

    @property
    def request(self) -> dict[str, Any]:
        """The request that opens it; empty where none was chosen."""
        source = self.current
        if source is None:
            return {}
        return {"kind": source.kind, "name": source.name, "options": source.options, "label": self.title}

    def choose(self, request: Mapping[str, Any], title: str) -> None:
        """Take another source, to be opened, and keep it for the next start."""
        name, options = str(request.get("name", "")), dict(request.get("options", {}))
        chosen = SourceChoice(str(request["kind"]), name, options, title)
        self._settings.source = self.current = with_map_channels(self._settings, chosen)
        self.named.emit(title)

    def try_out(self, request: Mapping[str, Any], title: str) -> None:
        """Open a source that nobody chose; it is not kept."""
        name, options = str(request.get("name", "")), dict(request.get("options", {}))
        self.current = SourceChoice(str(request["kind"]), name, options, title)
        self.tried.emit(title)
        self.listen_again()

    def listen_to(self, request: Mapping[str, Any], title: str) -> None:
        """Take another source and open it."""
        self.choose(request, title)
        self.listen_again()

    def take(self, numbers: Sequence[int]) -> None:
        """Open these channels of the source in use, numbered from 1; its usual ones when empty."""
        source = self.current
        if source is None:
            return
        options = {key: value for key, value in source.options.items() if key != "channels"}
        options |= {"channels": list(numbers)} if numbers else {}
        kept = self._settings.source is source
        self.current = msgspec.structs.replace(source, options=options)
        if kept:
            self._settings.source = self.current
        self.listen_again()

    def listen_again(self) -> None:
        """Open the source in use with the feeds that are kept for it."""
        if self.current is not None:
            columns, job = self.columns(), self.job()
            self._open({**self.request, "job": job} if job else self.request, columns)
            self.opened.emit()

"""The first start: listen to what plays, without a question; what sounds is kept, and silence shows the ways in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Signal

from meter.gui.source.feed_words import is_broken
from meter.gui.source.listing_process import SourceLister
from meter.gui.source.moving import SIGNAL_DBFS
from meter.gui.source.source_in_use import SourceInUse
from meter.gui.source.source_list import DEFAULT_OUTPUT, PLAYING, Listing, SourceEntry
from meter.plugin.services import CHANNEL_LEVEL
from meter.readings import Frame
from meter.settings import Settings, SourceChoice

QUIET_SECONDS = 2.0
"""Silence of this length, after the source was opened, shows the ways in."""


class FirstStart(QObject):
    """``quiet`` says that nothing sounds, ``heard`` that something does: the source is kept from then on.

    Does nothing where a source was kept or named at the start, and ends when the user chooses one. ``meter_id`` is
    the meter that reads the level of each channel.
    """

    quiet = Signal()
    heard = Signal()

    def __init__(
        self,
        source: SourceInUse,
        settings: Settings,
        lister: SourceLister,
        now: Callable[[], float],
        meter_id: str,
    ) -> None:
        super().__init__()
        self._source, self._settings, self._lister, self._now = source, settings, lister, now
        self._levels = f"{meter_id}.{CHANNEL_LEVEL}"
        self._trying = False
        self._first: SourceChoice | None = None
        self._looked = False
        self._silent = False
        self._others: list[SourceEntry] = []
        self._opened_at: float | None = None

    def begin(self, first: SourceChoice | None) -> None:
        """Try ``first``, which the engine opens already; without it, what this machine lists as playing."""
        if self._source.current is not None and self._source.current is not first:
            return
        self._trying = True
        self._source.named.connect(self._end)
        self._lister.listed.connect(self._listed)
        self._source.current = self._first = first
        if first is None:
            self._nothing_sounds()

    @property
    def listening(self) -> bool:
        """True while a source that nobody chose is listened to."""
        return self._trying and self._source.current is not None

    def observe(self, frame: Frame) -> None:
        """Look at a snapshot."""
        if not self._trying or self._source.current is None:
            return
        levels = frame.vector(self._levels)
        if bool(np.any(levels > SIGNAL_DBFS)):
            self._settings.source = self._source.current
            self._end()
            self.heard.emit()
        elif is_broken(frame.status):
            self._nothing_sounds()
        elif frame.status.state != "starting":
            if self._opened_at is None:
                self._opened_at = self._now()
            if self._now() - self._opened_at >= QUIET_SECONDS:
                self._nothing_sounds()

    def _nothing_sounds(self) -> None:
        """Show the ways in, and try what else may play: first ask this machine, then one after another."""
        if not self._silent:
            self._silent = True
            self.quiet.emit()
        if not self._looked:
            self._looked = True
            self._lister.start()
        elif self._others:
            entry = self._others.pop(0)
            self._try(entry.request(), entry.title)
        elif self._first is not None and self._source.current != self._first:
            self._try({"kind": self._first.kind, "name": self._first.name}, self._first.label)

    def _listed(self, listing: Listing) -> None:
        """Outputs to which a program plays now, and devices that carry what an output plays."""
        if not self._looked:
            return
        playing = [entry for entry in listing.entries if entry.group == PLAYING and entry.name != DEFAULT_OUTPUT]
        default = next((entry.now for entry in listing.entries if entry.name == DEFAULT_OUTPUT), "")
        self._others = [entry for entry in playing if entry.playing and entry.label != default]
        self._others += [entry for entry in playing if entry.kind == "device"]
        if self._others:
            self._nothing_sounds()

    def _try(self, request: Mapping[str, Any], title: str) -> None:
        self._opened_at = None
        self._source.try_out(request, title)

    def _end(self) -> None:
        if self._trying:
            self._trying = False
            self._source.named.disconnect(self._end)
            self._lister.listed.disconnect(self._listed)

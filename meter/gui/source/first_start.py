"""The first start: listen to what plays, without a question; what sounds is kept, and silence shows the ways in."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QObject, Signal

from meter.gui.source.feed_words import is_broken
from meter.gui.source.listing_process import SourceLister
from meter.gui.source.moving import SIGNAL_DBFS
from meter.gui.source.source_in_use import SourceInUse
from meter.gui.source.source_list import PLAYING, Listing
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
        self._looked = False
        self._opened_at: float | None = None

    def begin(self, first: SourceChoice | None) -> None:
        """Try ``first``, which the engine opens already; without it, what this machine lists as playing."""
        if self._source.current is not None and self._source.current is not first:
            return
        self._trying = True
        self._source.named.connect(self._end)
        self._lister.listed.connect(self._listed)
        self._source.current = first
        if first is None:
            self.quiet.emit()
            self._look()

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
            self.quiet.emit()
            self._look()
        elif frame.status.state != "starting":
            if self._opened_at is None:
                self._opened_at = self._now()
            if self._now() - self._opened_at >= QUIET_SECONDS:
                self.quiet.emit()

    def _look(self) -> None:
        """Ask once what this machine has: a system without a sound server may have loopback devices."""
        if not self._looked:
            self._looked = True
            self._lister.start()

    def _listed(self, listing: Listing) -> None:
        """Try the first device that carries what an output plays."""
        if not self._trying or not self._looked:
            return
        entry = next((entry for entry in listing.entries if entry.group == PLAYING and entry.kind == "device"), None)
        if entry is not None:
            self._opened_at = None
            self._source.try_out(entry.request(), entry.title)

    def _end(self) -> None:
        if self._trying:
            self._trying = False
            self._source.named.disconnect(self._end)
            self._lister.listed.disconnect(self._listed)

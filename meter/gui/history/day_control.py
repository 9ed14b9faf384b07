"""What D does: the day in place of the page, and back. The view is made at first use: its library loads slowly."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QStackedWidget, QWidget

from meter.gui.engine_link import DayRecords

if TYPE_CHECKING:
    from meter.gui.history.day_view import DayView


class DayControl(QObject):
    """Shows the day in ``body``; ``back`` tells that the page is shown again."""

    back = Signal()

    def __init__(self, records: DayRecords | None, body: QStackedWidget, window: QWidget) -> None:
        super().__init__(window)
        self._records, self._body, self._window = records, body, window
        self._before = 0
        self.view: DayView | None = None

    @property
    def shown(self) -> bool:
        """Whether the day is in front."""
        return self.view is not None and self._body.currentWidget() is self.view

    def toggle(self) -> None:
        """Show the newest day, or go back to what was shown before."""
        if self.shown:
            self.leave()
        elif self._records is not None:
            view = self._made(self._records)
            self._before = self._body.currentIndex()
            self._body.setCurrentWidget(view)
            view.refresh()
            view.setFocus()

    def leave(self) -> None:
        """Go back to what was shown before the day."""
        if self.shown:
            self._body.setCurrentIndex(self._before)
            self._window.setFocus()
            self.back.emit()

    def _made(self, records: DayRecords) -> DayView:
        if self.view is None:
            from meter.gui.history.day_source import DaySource
            from meter.gui.history.day_view import DayView

            self.view = DayView(DaySource(records.folder, records.labels()))
            self.view.left.connect(self.leave)
            self._body.addWidget(self.view)
        return self.view

"""The cautions about hearing: shown before the first calibration, and one click away from then on."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from meter.gui.kit.theme import CARD_RADIUS_PX, TEXT_PX, TITLE_PX, current_theme, font
from meter.gui.kit.widgets import KeyButton, Paragraph

WIDTH_PX = 760
EDGE_PX = 24

TITLE = "About listening time and your ears"
CAUTIONS = (
    "Level and listening time here are estimates, not a medical or legal measurement.",
    "At best they are right within 3 dB; 3 dB are already a factor of two in time.",
    "The room, the rest of your day and a volume knob turned later are not in them.",
    "Rules at your workplace and in your country come first; keeping one is no proof of no harm.",
    "Ringing, dullness or pain: stop, rest your ears, and see an audiologist or doctor.",
)
"""One line each."""


class Cautions(QFrame):
    """A panel over the page, in the middle of its parent. ``read`` is emitted when its button is pressed."""

    read = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self._then: Callable[[], None] = lambda: None
        self._title = QLabel(TITLE)
        self._title.setFont(font(TITLE_PX + 2, bold=True))
        self._paragraphs = [Paragraph(text, size_px=TEXT_PX) for text in CAUTIONS]
        self.done = KeyButton("I have read this", "↵", outlined=True)
        column = QVBoxLayout(self)
        column.setContentsMargins(EDGE_PX, EDGE_PX, EDGE_PX, EDGE_PX)
        column.setSpacing(12)
        column.addWidget(self._title)
        for paragraph in self._paragraphs:
            column.addWidget(paragraph)
        foot = QHBoxLayout()
        foot.addStretch(1)
        foot.addWidget(self.done)
        column.addLayout(foot)
        self.setAccessibleName(TITLE)
        self.done.clicked.connect(self._read)
        parent.installEventFilter(self)
        self.hide()

    def bring_up(self, then: Callable[[], None] = lambda: None) -> None:
        """Show the panel above everything on the page; ``then`` is called once it was read."""
        self._then = then
        self._centre()
        self.show()
        self.raise_()
        self.done.setFocus()

    def _read(self) -> None:
        self.hide()
        self.read.emit()
        self._then()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Stay in the middle when the parent changes its size."""
        if event.type() == QEvent.Type.Resize and self.isVisible():
            self._centre()
        return False

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Return says that it was read, Escape leaves it."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._read()
        elif event.key() == Qt.Key.Key_Escape:
            self.hide()
        else:
            super().keyPressEvent(event)

    def _centre(self) -> None:
        parent = self._over
        width = min(WIDTH_PX, parent.width() - EDGE_PX)
        layout = self.layout()
        wanted = layout.heightForWidth(width) if layout is not None else self.sizeHint().height()
        height = min(wanted, parent.height())
        self.setGeometry((parent.width() - width) // 2, (parent.height() - height) // 2, width, height)

    def paintEvent(self, event: QPaintEvent) -> None:
        """A card with an outline."""
        theme = current_theme()
        painter = QPainter(self)
        painter.fillRect(self.rect(), theme.page)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(theme.line)
        painter.setBrush(theme.card)
        painter.drawRoundedRect(self.rect().adjusted(1, 1, -2, -2), CARD_RADIUS_PX, CARD_RADIUS_PX)

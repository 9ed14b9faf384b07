"""The cautions about hearing: shown at first start, and one click away ever after."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from meter.gui.kit.theme import CARD_RADIUS_PX, TEXT_PX, TITLE_PX, current_theme, font
from meter.gui.kit.widgets import KeyButton, Paragraph

WIDTH_PX = 620
EDGE_PX = 24

TITLE = "About listening time and your ears"
CAUTIONS = (
    "The listening level and the listening time are an estimate made from the audio this computer sends out and a "
    "calibration you did. It is not a medical or legal measurement.",
    "It leaves out the room, the rest of your day, and a volume knob turned after the calibration. At best it is "
    "right within 3 dB either way, and 3 dB are already a factor of two in time.",
    "Rules at your workplace and in your country come first. Staying within the rule you chose is no promise that "
    "your hearing takes no harm.",
    "Ringing, dullness or pain after listening: stop, rest your ears, and see an audiologist or doctor. That it "
    "passes is no proof of no harm. This program does not test hearing.",
    "It only listens, and never changes your monitor level. The one sound it plays is the calibration noise, only "
    "after you press for it. What it notes of your listening stays on this machine.",
)


class Cautions(QFrame):
    """A panel over the page, in the middle of its parent. ``read`` is emitted when it is put away."""

    read = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
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
        self.done.clicked.connect(self.put_away)
        parent.installEventFilter(self)
        self.hide()

    def bring_up(self) -> None:
        """Show the panel above everything on the page."""
        self._centre()
        self.show()
        self.raise_()
        self.done.setFocus()

    def put_away(self) -> None:
        """Hide the panel and say that it was read."""
        self.hide()
        self.read.emit()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Stay in the middle when the parent changes its size."""
        if event.type() == QEvent.Type.Resize and self.isVisible():
            self._centre()
        return False

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Return and Escape put it away."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Escape):
            self.put_away()
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

"""Every reading as text, to read aloud, copy or paste; taken at one moment."""

from __future__ import annotations

from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QDialog, QHBoxLayout, QPlainTextEdit, QVBoxLayout, QWidget

from meter.gui.kit.widgets import KeyButton

SIZE_PX = (620, 320)


class ReadingsText(QDialog):
    """A small window with the readings in words."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("readings as text")
        self.resize(*SIZE_PX)
        self.text = QPlainTextEdit()
        self.text.setReadOnly(True)
        self.text.setAccessibleName("readings")
        self.copy = KeyButton("copy", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        feet = QHBoxLayout()
        feet.addStretch(1)
        feet.addWidget(self.copy)
        feet.addWidget(self.leave)
        column = QVBoxLayout(self)
        column.addWidget(self.text)
        column.addLayout(feet)
        self.copy.clicked.connect(lambda: QGuiApplication.clipboard().setText(self.text.toPlainText()))
        self.leave.clicked.connect(self.close)

    def bring_up(self, words: str) -> None:
        """Show these words."""
        self.text.setPlainText(words)
        self.show()
        self.raise_()
        self.text.setFocus()

"""Alignments of the level meter: the key that takes the next, and the window that asks for another."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QInputDialog, QWidget

ALIGNMENT_KEY = "A"
LEAST_DBFS = -40.0


def alignment_dialog(parent: QWidget, asks: str, chosen: Callable[[float], None]) -> QInputDialog:
    """A window that asks for a level in dBFS; ``chosen`` is called with it."""
    asker = QInputDialog(parent)
    asker.setInputMode(QInputDialog.InputMode.DoubleInput)
    asker.setWindowTitle("Alignment")
    asker.setLabelText(asks)
    asker.setDoubleRange(LEAST_DBFS, 0.0)
    asker.setDoubleDecimals(1)
    asker.doubleValueSelected.connect(chosen)
    return asker

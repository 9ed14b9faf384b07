"""A Qt binding that loses references to None and True ends the interpreter within minutes of drawing.

Seen with PySide6 6.12.0 on CPython 3.11: each call of a Qt method that returns nothing took one reference from None,
each emit one from True. From Python 3.12 on both are immortal (PEP 683) and the counts say nothing.
"""

from __future__ import annotations

import sys

import pytest
from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QPainter, QPixmap
from PySide6.QtWidgets import QLabel, QPushButton

ROUNDS = 2000
MOST_DRIFT = 50


class Emitter(QObject):
    happened = Signal(bool)


@pytest.mark.skipif(sys.version_info >= (3, 12), reason="None, True and False are immortal from 3.12 on")
def test_qt_calls_keep_their_references(qapp):
    emitter, label, button, picture = Emitter(), QLabel(), QPushButton(), QPixmap(20, 20)
    emitter.happened.connect(lambda value: None)
    button.clicked.connect(lambda: None)
    label.show()
    before = [sys.getrefcount(item) for item in (None, True, False)]
    painter = QPainter(picture)
    for number in range(ROUNDS):
        emitter.happened.emit(True)
        label.setText(str(number))
        painter.drawLine(0, 0, 10, 10)
        label.repaint()
        button.click()
    painter.end()
    after = [sys.getrefcount(item) for item in (None, True, False)]
    drift = [last - first for first, last in zip(before, after, strict=True)]
    assert max(abs(change) for change in drift) < MOST_DRIFT, f"None, True, False drifted by {drift}"

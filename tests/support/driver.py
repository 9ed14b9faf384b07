"""Evaluates lines of Python in the window's thread, for ``tests.support.driven_window``."""

from __future__ import annotations

import json
import sys
import threading
import time
import traceback
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget

from meter.gui.window import Window
from meter.readings import Frame, Layout


class Driver(QObject):
    """Answers lines on standard input; ``began`` is when the program started, in monotonic seconds."""

    line_came = Signal(str)

    def __init__(self, began: float) -> None:
        super().__init__()
        self._began = began
        self._heard_at = 0.0
        self.line_came.connect(self._answer, Qt.ConnectionType.QueuedConnection)
        threading.Thread(target=self._read, daemon=True).start()

    @property
    def window(self) -> Window:
        """The program's window."""
        return next(each for each in QApplication.topLevelWidgets() if isinstance(each, Window))

    def frame(self) -> Frame:
        """The newest snapshot, one without a reading before the first."""
        return self.window._link.take() or Frame(Layout(()), np.empty(0))

    def key(self, key: str) -> None:
        """Press a key in the window."""
        window = self.window
        window.activateWindow()  # no window manager does it on a bare X server
        assert QTest.qWaitForWindowActive(window), "the window does not get the keys"
        window.setFocus()
        QTest.keyClick(window, getattr(Qt.Key, f"Key_{key}"))

    def type_into(self, widget: QWidget, text: str, *, then: str = "") -> None:
        """Type into a widget, then press a key."""
        widget.setFocus()
        QTest.keyClicks(widget, text)
        if then:
            QTest.keyClick(widget, getattr(Qt.Key, f"Key_{then}"))

    def picture(self, path: str, widget: QWidget | None = None) -> None:
        """Save what a widget, or the window, shows."""
        (widget or self.window).grab().save(path)

    def sounds(self) -> float:
        """Seconds from the start of the program until a meter's figure of the sound was there; 0 before."""
        if not self._heard_at and self.frame().number("peaks.sample_max") > -60.0:
            self._heard_at = time.monotonic()
        return self._heard_at - self._began if self._heard_at else 0.0

    def names(self) -> dict[str, Any]:
        """What a line may use."""
        shown = {name: getattr(self, name) for name in ("frame", "key", "type_into", "picture", "sounds")}
        return {**shown, "window": self.window, "Qt": Qt, "QTest": QTest, "app": QApplication.instance()}

    def _answer(self, line: str) -> None:
        try:
            answer = {"value": eval(json.loads(line), self.names())}
        except Exception:
            answer = {"error": traceback.format_exc()}
        print(json.dumps(answer, default=str), flush=True)

    def _read(self) -> None:
        for line in sys.stdin:
            self.line_came.emit(line)

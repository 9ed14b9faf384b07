"""Run in a process of its own: opens the window at 1280 by 800, shows a few snapshots, says as JSON what it saw.

A process of its own because scale and platform are fixed when Qt starts.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from meter.gui.engine_link import Surroundings
from meter.gui.page.layout import pages_folder
from meter.gui.window import Window
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, entries, frame, layout, status

SNAPSHOTS = 10


def look(picture_path: str) -> dict[str, Any]:
    """Draw, try the keys and the flag, and tell."""
    application = QApplication([])
    link = FakeLink()
    settings = Settings(theme="dark", cautions_read=True, source=SourceChoice("demo", label="the demo"))
    window = Window(link, settings, Surroundings(None, pages_folder(), meters=entries()))
    window.show()
    QTest.qWaitForWindowExposed(window)
    window.activateWindow()  # no window manager does it on a bare X server
    QTest.qWaitForWindowActive(window)
    window.resize(1280, 800)
    plan = layout()
    for number in range(SNAPSHOTS):
        now = 8040.0 + number / 10
        link.now = frame(now, plan=plan, feed=status(now))
        window.clock.tick()
        application.processEvents()
    picture = window.grab()
    picture.save(picture_path)
    cut_off = _cut_off(window)
    QTest.keyClick(window, Qt.Key.Key_H)
    window.looks.keep_on_top(True)
    application.processEvents()
    seen = {
        "width": picture.width(),
        "height": picture.height(),
        "ratio": picture.devicePixelRatio(),
        "faults": {card.name: card.face.fault for card in window.page.cards if card.face.fault},
        "stills": [card.face._still_picture().devicePixelRatio() for card in window.page.cards],
        "cut_off": cut_off,
        "calls": [list(call) for call in link.calls],
        "on_top_and_visible": window.isVisible() and bool(window.windowFlags() & Qt.WindowType.WindowStaysOnTopHint),
        "size_after_on_top": [window.width(), window.height()],
        "painted_ms": window.clock.statistics()["frame_ms_p50"],
    }
    window.close()
    return seen


def _cut_off(window: Window) -> list[str]:
    """Labels whose text had to be elided, and parts of the feed line that do not fit."""
    found = [
        f"{card.name}: {label.text}"
        for card in window.page.cards
        for label in card.face.labels.values()
        if label.elided
    ]
    line = window.feed_line
    if line.words.text() != line.words.whole:
        found.append(line.words.whole)
    if line.more.geometry().right() > line.width():
        found.append("more")
    return found


if __name__ == "__main__":
    print(json.dumps(look(sys.argv[1])))

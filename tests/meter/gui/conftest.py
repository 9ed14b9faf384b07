"""Windows without a screen; ``EARWITNESS_HEADED=1`` shows them."""

from __future__ import annotations

import os

import pytest

if not os.environ.get("EARWITNESS_HEADED"):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


@pytest.fixture(autouse=True)
def _no_waiting_dialogs(monkeypatch):
    """A file dialog in a test would wait for a person."""
    from PySide6.QtWidgets import QFileDialog

    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: ("", ""))
    monkeypatch.setattr(QFileDialog, "getOpenFileNames", lambda *_: ([], ""))
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: ("", ""))

"""Fields of dialogs are drawn in the colours of the theme, in one height."""

from __future__ import annotations

import pytest
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QApplication, QWidget

from meter.gui.kit.fields import Choice, TextField
from meter.gui.kit.theme import apply_theme, current_theme


def colours(widget: QWidget) -> set[QColor]:
    picture = widget.grab().toImage()
    return {picture.pixelColor(x, y).name() for x in range(picture.width()) for y in range(picture.height())}


@pytest.fixture(params=["dark", "light"])
def theme(request, qtbot):
    application = QApplication.instance()
    apply_theme(application, request.param)
    yield current_theme()
    apply_theme(application, "dark")


def made(qtbot, kind: str) -> QWidget:
    widget = TextField() if kind == "text" else Choice()
    if isinstance(widget, Choice):
        widget.addItems(["loudspeakers", "headphones"])
        widget.setEditable(kind == "typed")
    else:
        widget.setText("loudspeakers")
    qtbot.addWidget(widget)
    widget.resize(200, widget.sizeHint().height())
    widget.show()
    return widget


@pytest.mark.parametrize("kind", ["text", "choice", "typed"])
def test_ground_outline_and_text_are_those_of_the_theme(qtbot, theme, kind: str) -> None:
    found = colours(made(qtbot, kind))
    assert theme.card.name() in found
    assert theme.line.name() in found
    assert theme.ink.name() in found


def test_all_fields_have_one_height(qtbot) -> None:
    assert len({made(qtbot, kind).sizeHint().height() for kind in ("text", "choice", "typed")}) == 1

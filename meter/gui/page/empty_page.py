"""What stands in the page's place while no source was ever chosen."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from meter.gui.kit.theme import TEXT_PX, VERDICT_PX, font
from meter.gui.kit.widgets import KeyButton, Paragraph

WIDTH_PX = 560
WORDS = (
    "Choose what to listen to: what plays on one of this computer's outputs, or an input of your interface that "
    "carries the mix. Two channels are enough, and nothing is sent back to your DAW.",
    "No sound hardware at hand? Open a sound file, or the demo: an invented piece made by this program.",
)


class EmptyPage(QWidget):
    """A few words and three ways on."""

    source_asked = Signal()
    file_asked = Signal()
    demo_asked = Signal()

    def __init__(self) -> None:
        super().__init__()
        title = QLabel("Nothing is being heard yet.")
        title.setFont(font(VERDICT_PX, bold=True))
        self.choose = KeyButton("choose a source", "S", outlined=True)
        self.file = KeyButton("open a file…", outlined=True)
        self.demo = KeyButton("demo", outlined=True)
        buttons = QHBoxLayout()
        for button in (self.choose, self.file, self.demo):
            buttons.addWidget(button)
        buttons.addStretch(1)
        inner = QWidget()
        inner.setFixedWidth(WIDTH_PX)
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(14)
        column.addWidget(title)
        for words in WORDS:
            column.addWidget(Paragraph(words, size_px=TEXT_PX, width=WIDTH_PX))
        column.addLayout(buttons)
        outer = QVBoxLayout(self)
        outer.addStretch(2)
        outer.addWidget(inner, 0, Qt.AlignmentFlag.AlignHCenter)
        outer.addStretch(3)
        self.choose.clicked.connect(self.source_asked)
        self.file.clicked.connect(self.file_asked)
        self.demo.clicked.connect(self.demo_asked)

"""What stands in the page's place while nothing is heard: three ways in, each with a drawing."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QFrame, QHBoxLayout, QVBoxLayout, QWidget

from meter.gui.kit.theme import CARD_RADIUS_PX, TEXT_PX, TITLE_PX, VERDICT_PX, current_theme
from meter.gui.kit.widgets import KeyButton, Paragraph, TintedLabel

WAY_PX, PICTURE_PX, EDGE_PX, GAP_PX = 236, 84, 16, 14
LISTENING = "Nothing plays yet."
NOT_LISTENING = "Nothing is heard yet."
HEARS_ALREADY = "The default output is listened to already: the meters appear with the sound."
CHOOSE_OUTPUT = "Choose the output that your DAW plays to, and the meters show what it plays."
WAVE = (0.15, 0.4, 0.75, 0.5, 0.9, 0.6, 0.3, 0.7, 0.45, 0.2)
"""Heights of the drawn bars of sound."""

Draw = Callable[[QPainter, QRectF], None]


class EmptyPage(QWidget):
    """Three ways to the first sound: play, choose an output or input, or open a file or the demo."""

    source_asked = Signal()
    file_asked = Signal()
    demo_asked = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.title = TintedLabel(VERDICT_PX, "ink", bold=True)
        self.play = Paragraph("", "soft", TEXT_PX)
        self.choose = KeyButton("choose a source", "S", outlined=True)
        self.file = KeyButton("open a file…", outlined=True)
        self.demo = KeyButton("demo", outlined=True)
        ways = QHBoxLayout()
        ways.setSpacing(GAP_PX)
        source = Paragraph("Another output, or an input of your interface that carries the mix.", "soft", TEXT_PX)
        sample = Paragraph(
            "No sound at hand: a sound file, or an invented piece of music made here.", "soft", TEXT_PX
        )
        ways.addWidget(Way(_draw_play, "play in your DAW", self.play))
        ways.addWidget(Way(_draw_plug, "another source", source, self.choose))
        ways.addWidget(Way(_draw_file, "file or demo", sample, self.file, self.demo))
        column = QVBoxLayout(self)
        column.addStretch(2)
        column.addWidget(self.title, 0, Qt.AlignmentFlag.AlignHCenter)
        column.addSpacing(EDGE_PX)
        middle = QHBoxLayout()
        middle.addStretch(1)
        middle.addLayout(ways)
        middle.addStretch(1)
        column.addLayout(middle)
        column.addStretch(3)
        self.choose.clicked.connect(self.source_asked)
        self.file.clicked.connect(self.file_asked)
        self.demo.clicked.connect(self.demo_asked)
        self.tell(listening=False)

    def tell(self, *, listening: bool) -> None:
        """Say whether the default output is listened to meanwhile."""
        self.title.setText(LISTENING if listening else NOT_LISTENING)
        self.play.setText(HEARS_ALREADY if listening else CHOOSE_OUTPUT)


class Way(QFrame):
    """A drawing, a heading, a sentence and buttons."""

    def __init__(self, draw: Draw, heading: str, words: Paragraph, *buttons: KeyButton) -> None:
        super().__init__()
        self.setFixedWidth(WAY_PX)
        title = TintedLabel(TITLE_PX, "ink", bold=True)
        title.setText(heading)
        words.setMinimumHeight(4 * words.fontMetrics().lineSpacing())
        words.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        feet = QHBoxLayout()
        for button in buttons:
            feet.addWidget(button)
        feet.addStretch(1)
        column = QVBoxLayout(self)
        column.setContentsMargins(EDGE_PX, EDGE_PX, EDGE_PX, EDGE_PX)
        column.addWidget(Drawing(draw))
        column.addWidget(title)
        column.addWidget(words)
        column.addLayout(feet)
        column.addStretch(1)

    def paintEvent(self, event: QPaintEvent) -> None:
        """A card."""
        theme = current_theme()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(theme.line)
        painter.setBrush(theme.card)
        painter.drawRoundedRect(self.rect().adjusted(1, 1, -2, -2), CARD_RADIUS_PX, CARD_RADIUS_PX)


class Drawing(QWidget):
    """A small drawing in lines."""

    def __init__(self, draw: Draw) -> None:
        super().__init__()
        self._draw = draw
        self.setFixedHeight(PICTURE_PX)

    def sizeHint(self) -> QSize:
        """As wide as its way."""
        return QSize(WAY_PX - 2 * EDGE_PX, PICTURE_PX)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(current_theme().soft, 2))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        self._draw(painter, QRectF(self.rect()).adjusted(2, 2, -2, -2))


def _draw_play(painter: QPainter, box: QRectF) -> None:
    """A play sign, and the sound that comes of it."""
    left, middle = box.left() + 8, box.center().y()
    painter.save()
    painter.setBrush(painter.pen().color())
    painter.drawPolygon([QPointF(left, middle - 20), QPointF(left + 32, middle), QPointF(left, middle + 20)])
    painter.restore()
    _draw_wave(painter, QRectF(left + 52, box.top() + 10, box.width() - 72, box.height() - 20))


def _draw_plug(painter: QPainter, box: QRectF) -> None:
    """An interface with two sockets; a cable leads into one."""
    case = QRectF(box.left() + 8, box.top() + 20, 108, box.height() - 40)
    painter.drawRoundedRect(case, 5, 5)
    for share in (0.28, 0.72):
        painter.drawEllipse(QPointF(case.left() + share * case.width(), case.center().y()), 11, 11)
    painter.save()
    painter.setPen(QPen(current_theme().measured, 3))
    socket = QPointF(case.left() + 0.72 * case.width(), case.center().y())
    painter.drawPolyline([socket, QPointF(case.right() + 24, socket.y()), QPointF(box.right() - 8, box.bottom() - 8)])
    painter.setBrush(current_theme().measured)
    painter.drawEllipse(socket, 4, 4)
    painter.restore()


def _draw_file(painter: QPainter, box: QRectF) -> None:
    """A sheet with a folded corner and a wave on it."""
    sheet = QRectF(box.center().x() - 46, box.top() + 2, 92, box.height() - 4)
    fold = 18.0
    corner = QPointF(sheet.right(), sheet.top() + fold)
    edge = [
        sheet.topLeft(),
        QPointF(sheet.right() - fold, sheet.top()),
        corner,
        sheet.bottomRight(),
        sheet.bottomLeft(),
    ]
    painter.drawPolygon(edge)
    painter.drawPolyline([edge[1], QPointF(edge[1].x(), corner.y()), corner])
    _draw_wave(painter, sheet.adjusted(12, 26, -12, -12))


def _draw_wave(painter: QPainter, box: QRectF) -> None:
    painter.save()
    painter.setPen(QPen(current_theme().measured, 3, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
    for place, share in enumerate(WAVE):
        across = box.left() + (place + 0.5) * box.width() / len(WAVE)
        high = share * box.height() / 2
        painter.drawLine(QPointF(across, box.center().y() - high), QPointF(across, box.center().y() + high))
    painter.restore()

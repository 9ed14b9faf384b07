"""Fields of dialogs with the outline of the window's keys: a choice and a line of text."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPalette, QPolygonF
from PySide6.QtWidgets import QComboBox, QLineEdit, QStyle, QStyleOptionComboBox, QStylePainter, QWidget

from meter.gui.kit.theme import current_theme, px

RADIUS_PX = 6
HEIGHT_PX = 28
PADDING_PX = 6
INSET_PX = 3
"""What a choice lacks of the padding."""
ARROW_PX = 4.0
ARROW_ROOM_PX = 22


def _outline(field: QWidget, painter: QPainter) -> None:
    """Draw the ground and outline of a field."""
    theme = current_theme()
    lit = field.isEnabled() and (field.hasFocus() or field.underMouse())
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(theme.measured if field.hasFocus() else theme.faint if lit else theme.line)
    painter.setBrush(theme.card)
    painter.drawRoundedRect(QRectF(field.rect()).adjusted(0.5, 0.5, -0.5, -0.5), RADIUS_PX, RADIUS_PX)


def _show_ground(field: QWidget) -> None:
    """Have the ground of a field drawn by its outline."""
    palette = field.palette()
    palette.setColor(QPalette.ColorRole.Base, QColor(Qt.GlobalColor.transparent))
    field.setPalette(palette)


class TextField(QLineEdit):
    """A line of text with an outline."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFrame(False)
        self.setTextMargins(PADDING_PX, 0, PADDING_PX, 0)
        self.setAttribute(Qt.WidgetAttribute.WA_Hover)
        _show_ground(self)

    def sizeHint(self) -> QSize:
        """As high as a choice."""
        return super().sizeHint().expandedTo(QSize(0, px(HEIGHT_PX)))

    def minimumSizeHint(self) -> QSize:
        """As high as a choice."""
        return super().minimumSizeHint().expandedTo(QSize(0, px(HEIGHT_PX)))

    def paintEvent(self, event: QPaintEvent) -> None:
        """The outline below the text."""
        painter = QPainter(self)
        _outline(self, painter)
        painter.end()
        super().paintEvent(event)


class Choice(QComboBox):
    """A choice of items with an outline and an arrow; also one whose text can be typed."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_Hover)

    def setEditable(self, editable: bool) -> None:
        """Let the text be typed."""
        super().setEditable(editable)
        if (line := self.lineEdit()) is not None:
            line.setTextMargins(INSET_PX, 0, 0, 0)
            _show_ground(line)

    def sizeHint(self) -> QSize:
        """As high as a line of text."""
        return super().sizeHint().expandedTo(QSize(0, px(HEIGHT_PX)))

    def paintEvent(self, _event: QPaintEvent) -> None:
        """Outline, text and arrow."""
        painter = QStylePainter(self)
        _outline(self, painter)
        theme = current_theme()
        middle = QPointF(self.width() - ARROW_ROOM_PX / 2.0, self.height() / 2.0)
        corners = [
            QPointF(-ARROW_PX, -ARROW_PX / 2.0),
            QPointF(ARROW_PX, -ARROW_PX / 2.0),
            QPointF(0.0, ARROW_PX / 2.0),
        ]
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(theme.soft if self.isEnabled() else theme.line)
        painter.drawPolygon(QPolygonF([middle + corner for corner in corners]))
        if not self.isEditable():
            option = QStyleOptionComboBox()
            self.initStyleOption(option)
            option.rect.adjust(INSET_PX, 0, 0, 0)
            painter.setPen(theme.ink if self.isEnabled() else theme.faint)
            painter.drawControl(QStyle.ControlElement.CE_ComboBoxLabel, option)

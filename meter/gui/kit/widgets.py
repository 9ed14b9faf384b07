"""The small widgets that the feed line and the panels are made of: text in a colour role, and a key button."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPoint, QRect, QSize, Qt, Signal
from PySide6.QtGui import QFontMetrics, QKeyEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QAbstractButton, QLabel, QSizePolicy

from meter.gui.kit.label import Label
from meter.gui.kit.theme import SUBTITLE_PX, current_theme, font, mixed, px

BUTTON_HEIGHT_PX = 28
BUTTON_PADDING_PX = 10
KEY_GAP_PX = 8
CAP_PADDING_PX = 5
RADIUS_PX = 6
HOVER_SHARE = 0.5


class TintedLabel(QLabel):
    """Plain text in a colour role; follows a change of theme."""

    def __init__(self, size_px: int, role: str, *, bold: bool = False) -> None:
        super().__init__()
        self._role = role
        self._type = (size_px, bold)
        self.setFont(font(size_px, bold=bold))
        self.setTextFormat(Qt.TextFormat.PlainText)
        self._colour()

    def tint(self, role: str) -> None:
        """Change the colour role."""
        self._role = role
        self._colour()

    def follow_text_scale(self) -> None:
        """Take the size of the new text scale."""
        self.setFont(font(self._type[0], bold=self._type[1]))

    def changeEvent(self, event: QEvent) -> None:
        """Take the colour of the new theme."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange:
            self._colour()

    def _colour(self) -> None:
        palette, wanted = self.palette(), current_theme().colour(self._role)
        if palette.color(self.foregroundRole()) != wanted:  # setting it again would recurse
            palette.setColor(self.foregroundRole(), wanted)
            self.setPalette(palette)


class Paragraph(TintedLabel):
    """Text that wraps; with a ``width`` in pixels it keeps that and the height it then needs."""

    def __init__(self, text: str = "", role: str = "ink", size_px: int = SUBTITLE_PX, width: int = 0) -> None:
        super().__init__(size_px, role)
        self.setText(text)
        self.setWordWrap(True)
        self._width = width
        if width:
            self.setFixedSize(px(width), self.heightForWidth(px(width)))

    def follow_text_scale(self) -> None:
        """Keep the height that the text needs."""
        super().follow_text_scale()
        if self._width:
            self.setFixedSize(px(self._width), self.heightForWidth(px(self._width)))


class ElidedLine(TintedLabel):
    """Text in a colour role on one line or more; text that does not fit ends with “…” and is whole in the tooltip."""

    folded = Signal(int)
    """The height in pixels that the lines shown need, when that changed."""

    def __init__(self, size_px: int = SUBTITLE_PX, role: str = "soft") -> None:
        super().__init__(size_px, role)
        self._whole = ""
        self._size_px, self._most_px, self._lines = size_px, 0, 1
        self._high = 0
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(0)

    def say(self, text: str, role: str | None = None, *, lines: int = 1, most_px: int = 0) -> None:
        """Show ``text``, in another role, on up to ``lines`` lines, up to ``most_px`` large where it fits."""
        if role is not None and role != self._role:
            self.tint(role)
        if (text, lines, most_px) != (self._whole, self._lines, self._most_px):
            self._whole, self._lines, self._most_px = text, lines, most_px
            self.setAccessibleName(text)
            self._fit()

    @property
    def whole(self) -> str:
        """The text with nothing cut off."""
        return self._whole

    def minimumSizeHint(self) -> QSize:
        """A few letters are enough; the rest is elided."""
        return QSize(0, super().minimumSizeHint().height())

    def sizeHint(self) -> QSize:
        """As wide as the whole text."""
        return QSize(self.fontMetrics().horizontalAdvance(self.whole) + 2, super().sizeHint().height())

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def follow_text_scale(self) -> None:
        """Fit the text again."""
        super().follow_text_scale()
        self._fit()

    def _fit(self) -> None:
        label = self._folded(max(self._most_px, self._size_px))
        for size_px in range(label.size_px - 1, self._size_px - 1, -1):
            if label.elided:
                label = self._folded(size_px)
        shown = "\n".join(line.strip() for line in label.shown)
        if (shown, label.font.pixelSize()) != (self.text(), self.font().pixelSize()):
            self.setFont(label.font)
            self.setText(shown)
        self.setToolTip(self._whole if label.elided else "")
        high = super().sizeHint().height()
        if high != self._high:
            self._high = high
            self.folded.emit(high)

    def _folded(self, size_px: int) -> Label:
        """The text broken into lines at a size."""
        label = Label(size_px, lines=self._lines)
        label.place(QRect(0, 0, max(0, self.width()), self._lines * label.line_height))
        label.say(self._whole)
        return label


class KeyButton(QAbstractButton):
    """A quiet button that shows its key in a small outline; filled with the colour of text while it is checked.

    It is reached by Tab but takes no focus from a click, so that the next key press still goes to the window.
    """

    def __init__(self, text: str, key: str = "", *, checkable: bool = False, outlined: bool = False) -> None:
        super().__init__()
        self._key = key
        self._outlined = outlined
        self._shown = False
        self._with_key = True
        self.setText(text)
        self.setCheckable(checkable)
        self.setFont(font(SUBTITLE_PX))
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setAttribute(Qt.WidgetAttribute.WA_Hover)
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(f"{text}, key {key}" if key else text)

    def follow_text_scale(self) -> None:
        """Take the size of the new text scale."""
        self.setFont(font(SUBTITLE_PX))
        self.updateGeometry()
        self.update()

    def show_key(self, shown: bool) -> None:
        """Hide the key where there is no room for it; the key still works."""
        if shown != self._with_key:
            self._with_key = shown
            self.updateGeometry()
            self.update()

    def mark_shown(self, shown: bool) -> None:
        """Underline the words while the button's target is shown."""
        if shown != self._shown:
            self._shown = shown
            self.setAccessibleDescription("shown" if shown else "")
            self.update()

    def sizeHint(self) -> QSize:
        """Wide enough for the words and the key."""
        metrics = QFontMetrics(self.font())
        width = metrics.horizontalAdvance(self.text()) + 2 * BUTTON_PADDING_PX
        if self._key and self._with_key:
            width += KEY_GAP_PX + metrics.horizontalAdvance(self._key) + 2 * CAP_PADDING_PX
        return QSize(width, px(BUTTON_HEIGHT_PX))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Press on Return too; Qt handles only the space bar."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.click()
            return
        super().keyPressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        theme = current_theme()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        lit = self.isEnabled() and (self.underMouse() or self.isDown())
        fill = theme.ink if self.isChecked() else mixed(theme.page, theme.trough, 1.0 if lit else HOVER_SHARE)
        ink = theme.page if self.isChecked() else theme.ink if self.isEnabled() else theme.faint
        painter.setPen(theme.line if self._outlined and not self.isChecked() else Qt.PenStyle.NoPen)
        if self.hasFocus():
            painter.setPen(theme.measured)
        if self.isChecked() or lit or self._outlined or self.hasFocus():
            painter.setBrush(fill)
            painter.drawRoundedRect(self.rect().adjusted(1, 1, -1, -1), RADIUS_PX, RADIUS_PX)
        if self._shown:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(theme.ink)
            painter.drawRect(BUTTON_PADDING_PX, self.height() - 4, self.width() - 2 * BUTTON_PADDING_PX, 2)
        painter.setPen(ink)
        metrics = painter.fontMetrics()
        words = self.rect().adjusted(BUTTON_PADDING_PX, 0, -BUTTON_PADDING_PX, 0)
        painter.drawText(words, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, self.text())
        if self._key and self._with_key:
            cap = metrics.horizontalAdvance(self._key) + 2 * CAP_PADDING_PX
            box = QRect(QPoint(words.right() - cap + 1, 5), QSize(cap, self.height() - 11))
            painter.setPen(ink if self.isChecked() else theme.line)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(box, 3, 3)
            painter.setPen(ink if self.isChecked() else theme.soft)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, self._key)

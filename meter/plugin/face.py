"""The base of every face: a calm card that shows one meter's readings and computes none.

Part of the contract of a meter, like ``meter.plugin.api``. Its life, all in the window's thread [gui]::

    face = VuFace()                 once; later only hidden and shown
    face.show_settings(settings)    the meter's settings, at start and whenever one changes
    face.show_frame(frame)          up to 60 times a second, newest snapshot only
    face.show_fault(sentence)       the meter is set aside; "" clears it

The meter's id and the title come from its manifest. A subclass makes its ``labels`` and overrides

    arrange(inside)       give labels and pictures their rectangles
    paint_still(painter)  what only size, theme and scale change; kept in a pixmap
    paint_moving(...)     needles and bars, from numbers kept by ``take``
    take(frame)           every frame: keep numbers, ``update`` the rectangles that moved
    take_words(frame)     at most 4 times a second of the audio clock: figures and sentences, by ``say``
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import ClassVar

from PySide6.QtCore import QEvent, QPoint, QRect, QSize, Qt, Signal
from PySide6.QtGui import (
    QAccessible,
    QColor,
    QContextMenuEvent,
    QPainter,
    QPaintEvent,
    QPixmap,
    QRegion,
    QResizeEvent,
)
from PySide6.QtWidgets import QMenu, QToolButton, QWidget

from meter.gui.kit.card import ROOM_FOR_SUBTITLE_PX, arrange_header, paint_card
from meter.gui.kit.choice import Choice as Choice
from meter.gui.kit.choice import Setting as Setting
from meter.gui.kit.choice import fill_menu
from meter.gui.kit.fault_note import FaultNote
from meter.gui.kit.label import Label
from meter.gui.kit.theme import PADDING_PX, SUBTITLE_PX, TITLE_PX, Theme, current_theme, font, px
from meter.plugin.where import folder_of, reason_of
from meter.readings import Frame, Layout

WORDS_EVERY_SECONDS, DESCRIBE_EVERY_SECONDS = 0.25, 1.0
LIVE_STATES = ("running", "held", "ended")
CORNER_PX = 22


class Face(QWidget):
    """See the module's description."""

    setting_chosen = Signal(str, dict)
    """Meter id and {setting: value}, when the user chose from the face's menu."""
    action_asked = Signal(str)
    """What the user asked for, such as "calibrate" or "cautions"."""
    room_changed = Signal()
    """``needs_room`` is another one."""

    meter_id: str = ""
    title: str = ""
    least: ClassVar[QSize] = QSize(150, 84)
    preferred: ClassVar[QSize] = QSize(280, 240)
    invites: ClassVar[bool] = False
    """Whether it has something to show where its meter is not measured: the way to that."""
    settled: ClassVar[tuple[str, ...]] = ()
    """Labels that hold settled sentences: what the day record keeps when their words change."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setAccessibleName(self.title)
        self.theme: Theme = current_theme()
        self.settings: dict[str, Setting] = {}
        self.labels: dict[str, Label] = {}
        self.controls: list[QWidget] = []
        self.live = False
        self.inside = QRect()
        self._title = Label(TITLE_PX, bold=True)
        self._subtitle = Label(SUBTITLE_PX, role="soft")
        self._fault_note = FaultNote()
        self._asked_fault = ""
        self._quarantine = ""
        self._still: QPixmap | None = None
        self._layout: Layout | None = None
        self._frame: Frame | None = None
        self._words_at = math.nan
        self._described_at = math.nan
        self._state = ""
        self._menu: QMenu | None = None
        self.window_choices: Callable[[], tuple[Choice, ...]] = tuple
        self.offered: Mapping[str, Sequence[tuple[str, Setting]]] = {}
        """By setting the values of presets: what each is called, and the value."""
        self._corner = self._make_corner()

    # What a subclass overrides

    short_subtitle: str = ""
    """Shown where the subtitle does not fit."""

    @property
    def subtitle(self) -> str:
        """Window and reference of the reading: ``VU, 0 = −18 dBFS``."""
        return ""

    def arrange(self, inside: QRect) -> None:
        """Lay out labels and pictures in the part of the card below its title."""

    def paint_still(self, painter: QPainter) -> None:
        """Draw what does not move; called when size, scale or theme changed."""

    def paint_moving(self, painter: QPainter, region: QRegion) -> None:
        """Draw what moves and touches ``region``; the painter is clipped to it."""

    def take(self, frame: Frame) -> None:
        """Keep the numbers of a snapshot and ``update`` what moved."""

    def take_words(self, frame: Frame) -> None:
        """Put figures and sentences of a snapshot into the labels."""

    def choices(self) -> tuple[Choice, ...]:
        """What the face's menu offers; empty for none."""
        return ()

    @property
    def needs_room(self) -> bool:
        """Whether the card should be larger now than the small height that its page layout may give it."""
        return True

    def press(self, key: str) -> bool:
        """Act on a letter key that the window has no use for; True when the face has one."""
        return False

    def value_text(self) -> str:
        """The current readings in one plain sentence."""
        return ", ".join(label.text for label in self.labels.values() if label.text)

    def settled_words(self) -> str:
        """What the face has settled on, in words; empty where that is nothing."""
        return ", ".join(text for name in self.settled if (text := self.labels[name].text))

    # What the window calls

    def stand_for(self, meter_id: str, title: str = "") -> None:
        """Show the readings and choose the settings of this meter, under this title if there is one."""
        self.meter_id, self.title = meter_id, title or self.title
        self.setAccessibleName(self.title)
        self._corner.setAccessibleName(f"{self.title}: choices")

    def show_frame(self, frame: Frame) -> None:
        """Show a snapshot; a face that raises is set aside."""
        self._watch_quarantine(frame)
        self._frame = frame
        if not self.fault:
            self._guarded(self._show)

    def _guarded(self, show: Callable[[Frame], None]) -> None:
        try:
            if self._frame is not None:
                show(self._frame)
        except Exception as error:  # a face, perhaps one by others, must not take the window down
            self.set_aside(error)

    def set_aside(self, error: Exception) -> None:
        """Show what was raised, and the line of the face's own files that raised it, as its fault."""
        self.show_fault(f"Its view failed: {reason_of(error, folder_of(type(self)))}.")

    def _show(self, frame: Frame) -> None:
        fresh = frame.layout is not self._layout or frame.status.state != self._state
        if fresh:
            self._layout, self._state = frame.layout, frame.status.state
            self._words_at = math.nan
            self._set_live(frame.status.state in LIVE_STATES)
        now = frame.status.elapsed_seconds
        self.take(frame)
        since = now - self._words_at
        if math.isnan(since) or since >= WORDS_EVERY_SECONDS or since < 0.0:
            self._words_at = now
            self.take_words(frame)
            self._describe(now)

    def show_settings(self, settings: Mapping[str, Setting]) -> None:
        """Take the meter's settings as they are now."""
        self.settings = dict(settings)
        self._corner.setVisible(bool(self._entries()))
        self._redo()

    def show_fault(self, sentence: str) -> None:
        """Show why the meter is set aside; "" shows readings again."""
        if sentence != self._asked_fault:
            self._asked_fault = sentence
            self._fault_changed()

    @property
    def fault(self) -> str:
        """Why the meter is set aside; empty when it is not."""
        return self._asked_fault or self._quarantine

    def _watch_quarantine(self, frame: Frame) -> None:
        reason = frame.status.quarantined.get(self.meter_id, "")
        if reason != self._quarantine:
            self._quarantine = reason
            self._fault_changed()

    def _fault_changed(self) -> None:
        self._fault_note.reason.say(self.fault)
        self._words_at = math.nan
        self.setAccessibleDescription(f"set aside: {self.fault}" if self.fault else "")
        self.rearrange()

    # What a subclass uses

    def key(self, name: str) -> str:
        """The full key of a reading or of findings: ``key("now")`` its own, ``key("peaks.true")`` another's.

        A face shows any instance of its meter, so it writes no id of its own. Another meter is the one on the same
        feed; without one the key is empty, and the frame has no such reading.
        """
        if self._frame is not None:
            return self._frame.layout.key(self.meter_id, name)
        return name if "." in name else f"{self.meter_id}.{name}"

    def columns(self, frame: Frame) -> Sequence[int]:
        """Columns of the source that this meter's feed consists of."""
        feed = frame.layout.feed_of(self.meter_id)
        return frame.feeds.get(feed, range(frame.status.channels))

    def say(self, name: str, text: str, role: str | None = None, short: str = "") -> None:
        """Set a label's text, short form and role; repaints it when the picture changes."""
        label = self.labels[name]
        if label.say(text, role, short):
            self.update(label.ink_rect)

    def beside(self, figure: str, unit: str, gap: int = 8) -> None:
        """Put the label ``unit`` right of the text of ``figure``, on the same baseline."""
        left, right = self.labels[figure], self.labels[unit]
        start = left.rect.left() + math.ceil(left.text_width) + gap
        top = left.rect.top() + round(left.ascent - right.ascent)
        room = left.rect.right() + 1 - start
        fits = left.visible and right.width_of(right.text) <= room
        place = QRect(start, top, room, right.line_height) if fits else QRect()
        if place != right.rect or right.visible != fits:  # a label that was never placed would be drawn in the corner
            self.update(right.ink_rect)
            right.place(place)
            self.update(right.ink_rect)

    @property
    def measured(self) -> QColor:
        """Blue while the feed runs, dim blue while it stands still."""
        return self.theme.measured if self.live else self.theme.measured_deep

    def follow_text_scale(self) -> None:
        """Take the size of the new text scale."""
        self._redo()

    def rearrange(self) -> None:
        """Lay everything out again, for a new size, scale, theme or number of channels."""
        self._still = None
        across = px(PADDING_PX if self.width() >= 220 else PADDING_PX - 6)
        down = px(PADDING_PX - 4 if self.height() >= 130 else PADDING_PX - 10)
        card = self.rect().adjusted(across, down, -across, -down)
        self._arrange_header(card)
        if self.fault:
            self._fault_note.arrange(self.inside)
            for control in self.controls:
                control.hide()
        else:
            self.arrange(self.inside)
        self.update()

    def _arrange_header(self, card: QRect) -> None:
        corner = self._entries() and self.width() >= 200
        self._corner.setVisible(bool(corner))
        wide = px(CORNER_PX)
        self._corner.setFont(font(TITLE_PX, bold=True))
        self._corner.setGeometry(card.right() - wide + 5, card.top(), wide, wide - 2)
        self._title.say(self.title)
        self._subtitle.say(self.subtitle, short=self.short_subtitle)
        width = card.width() - (wide if corner else 0)
        high = self.height() >= ROOM_FOR_SUBTITLE_PX
        self.inside = arrange_header(self._title, self._subtitle, card, width, high=high)

    # Internal

    def _make_corner(self) -> QToolButton:
        corner = QToolButton(self)
        corner.setText("⋯")
        corner.setAutoRaise(True)
        corner.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        corner.setAccessibleName(f"{self.title}: choices")
        corner.clicked.connect(self._open_menu)
        corner.hide()
        return corner

    def _open_menu(self) -> None:
        self._pop_up(self._corner.mapToGlobal(QPoint(0, self._corner.height())))

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        """Open the face's menu where it was asked for."""
        if self._entries():
            self._pop_up(event.globalPos())

    def _pop_up(self, where: QPoint) -> None:
        self.menu().popup(where)

    def menu(self) -> QMenu:
        """The face's menu, filled with the present choices."""
        if self._menu is None:
            self._menu = QMenu(self)
        fill_menu(self._menu, self._entries(), self.settings, self._choose)
        return self._menu

    def _entries(self) -> tuple[Choice, ...]:
        """What the menu offers: the face's choices, then those of the window for this card."""
        return (*self.choices(), *self.window_choices())

    def _choose(self, choice: Choice) -> None:
        if choice.run is not None:
            choice.run()
        else:
            self.setting_chosen.emit(self.meter_id, {choice.setting: choice.value})

    def _set_live(self, live: bool) -> None:
        if live != self.live:
            self.live = live
            self.update()

    def _redo(self) -> None:
        """Lay out again and show the last snapshot, also while no new one comes."""
        self.rearrange()
        if not self.fault:
            self._guarded(self._show_all)

    def _show_all(self, frame: Frame) -> None:
        self.take(frame)
        self.take_words(frame)

    def _describe(self, now: float) -> None:
        """Set the readings as description for assistive programs, at most once a second."""
        since = now - self._described_at
        if QAccessible.isActive() and not 0.0 <= since < DESCRIBE_EVERY_SECONDS:
            self._described_at = now
            self.setAccessibleDescription(self.value_text())

    def sizeHint(self) -> QSize:
        """Size at which everything is shown."""
        return QSize(self.preferred)

    def minimumSizeHint(self) -> QSize:
        """Smallest size: the main figure is still shown."""
        return QSize(self.least)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out again."""
        self._redo()

    def changeEvent(self, event: QEvent) -> None:
        """Follow a change of theme or screen."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and hasattr(self, "_corner"):
            self.theme = current_theme()
            self._redo()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the still picture, then what moves, then the labels, within the region of the event."""
        painter = QPainter(self)
        try:
            painter.drawPixmap(0, 0, self._still_picture())
            if self.fault:
                self._fault_note.draw(painter, self.theme)
                return
            self.paint_moving(painter, event.region())
            for label in self.labels.values():
                if event.region().intersects(label.ink_rect):
                    label.draw(painter, self.theme)
        except Exception as error:  # see show_frame
            self.set_aside(error)
        finally:
            painter.end()

    def _still_picture(self) -> QPixmap:
        ratio = self.devicePixelRatioF()
        if self._still is not None and self._still.devicePixelRatio() == ratio:
            return self._still
        still, fault = QPixmap((self.size().toSizeF() * ratio).toSize()), self.fault
        still.setDevicePixelRatio(ratio)
        painter = QPainter(still)
        try:
            paint_card(painter, self.rect(), self.theme)
            self._title.draw(painter, self.theme)
            self._subtitle.draw(painter, self.theme)
            if not fault:
                self.paint_still(painter)
        finally:
            painter.end()
        self._still = still if self.fault == fault else None  # set aside while painting: paint it again
        return still

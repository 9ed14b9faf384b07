"""The window in its page shape: feed line, page of faces, and what a key brings up. It measures nothing itself."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from PySide6.QtCore import QEvent, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeySequence, QMoveEvent, QResizeEvent, QShortcut, QShowEvent
from PySide6.QtWidgets import QMainWindow, QStackedWidget, QVBoxLayout, QWidget

from meter.gui.calibration.calibration_control import CalibrationControl
from meter.gui.calibration.listening_menu import ListeningMenu
from meter.gui.engine_link import EngineLink, Surroundings
from meter.gui.geometry import LEAST_SIZE, keep_place, restore_place
from meter.gui.history.day_control import DayControl
from meter.gui.kit.draw_clock import DrawClock
from meter.gui.kit.face_guard import GUARD
from meter.gui.kit.theme import GAP_PX
from meter.gui.looks import Looks
from meter.gui.marks.marking import Marking
from meter.gui.page.ears_only import EarsOnly
from meter.gui.page.empty_page import EmptyPage
from meter.gui.page.further_cards import FurtherCards
from meter.gui.page.meter_settings import MeterSettings
from meter.gui.page.more_menu import MoreMenu, may_stay_on_top
from meter.gui.page.page import Page
from meter.gui.page.pages import MOST_PAGES, Pages
from meter.gui.page.readings_text import ReadingsText
from meter.gui.page.settled_sentences import SettledSentences
from meter.gui.source.feed_line import FeedLine
from meter.gui.source.feed_maps import FeedMaps
from meter.gui.source.first_start import FirstStart
from meter.gui.source.listing_process import SourceLister
from meter.gui.source.picker import Picker
from meter.gui.source.reference_files import ReferenceFiles
from meter.gui.source.source_in_use import SourceInUse
from meter.plugin.services import CALIBRATION, CHANNEL_FINDER, RECORDER, REFERENCES, TEMPO, TEMPO_BPM
from meter.readings import Frame
from meter.settings import Settings, taken_channels
from meter.settings_merge import SharedSettings

TITLE = "Earwitness"
EDGE_PX = 14
SLOWED = "display slowed: computer busy"
SAVE_AFTER_MS = 1000


class Window(QMainWindow):
    """One window with its own clock. ``settings`` is shared with the program around it and saved from here."""

    def __init__(
        self,
        link: EngineLink,
        settings: Settings,
        surroundings: Surroundings,
        now: Callable[[], float] = time.perf_counter,
    ) -> None:
        super().__init__()
        self._link = link
        self._settings = settings
        self.source = SourceInUse(settings, link.open, surroundings.starting_source)
        self._around = surroundings
        self._kept = SharedSettings(settings, path) if (path := surroundings.settings_path) else None
        self._now = now
        self._closed = False
        self.setWindowTitle(TITLE)
        self.setMinimumSize(LEAST_SIZE)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.looks = Looks(self, settings)
        self._make_parts()
        self._arrange()
        self._connect()
        self._make_keys()
        restore_place(self, settings)
        self._begin()

    # Building, once

    def _make_parts(self) -> None:
        around = self._around
        self.feed_line = line = FeedLine()
        self.pages = Pages(around.pages_folder, around.meters, self._settings.page, self._now, around.own_presets)
        self.meters = MeterSettings(
            self._settings, self.pages, self._link.configure, self.feed_line.say, self.save_soon
        )
        self.cards = FurtherCards(self._settings, self._around.meters, self.pages, self.meters, self._link)
        self.empty = EmptyPage()
        self.ears_only = EarsOnly()
        self.lister = SourceLister(self._around.list_command, parent=self)
        self.picker = Picker(self.lister, self, lambda source: self.feeds.map_of(source))
        self.more = MoreMenu(self._settings.theme, on_top=self._settings.always_on_top, parent=self)
        meters = self.meters
        recorded, calibrated, finder = map(around.holder, (RECORDER, CALIBRATION, CHANNEL_FINDER))
        self._timed = around.asking_for(TEMPO)
        self.references = ReferenceFiles(self, around.asking_for(REFERENCES), meters.of, self.cards.choose_each)
        self.references.connect_to(self.pages.action_asked, self.more.action_asked)
        self.listening = ListeningMenu(self.more.listening, around.rules, around.people, partial(meters.of, recorded))
        self.listening.chosen.connect(partial(meters.choose, recorded))
        self.seat = CalibrationControl(
            self._settings, line, around.write_noise, around.noise_command, self, calibrated
        )
        self.cautions = self.seat.cautions
        self.seat.configured.connect(partial(meters.put_in_force, calibrated))
        self.feeds = FeedMaps(self._settings, line, lambda: self.source.current, self._now, self, finder_meter=finder)
        self.source.columns, self.source.job = self.feeds.columns, self.feeds.job
        self.feeds.tempo_in_use = partial(meters.number, self._timed, TEMPO_BPM)
        self.first = FirstStart(self.source, self._settings, self.lister, self._now, finder)
        self.readings = ReadingsText(self, self.cards.names)
        self.marking = Marking(self._link, line, self.more, self._settings, self.save_soon, self, around.marks_file)
        self.settled = SettledSentences(self._link, self._now)
        self.clock = DrawClock(self._link, lambda: self.page.cards, self.may_draw, self._observe, self._now, self)
        self._save_timer = QTimer(self)
        self._save_timer.setSingleShot(True)
        self._save_timer.setInterval(SAVE_AFTER_MS)
        for words in (self._around.notice, *self.pages.sentences):
            self.feed_line.say(words)

    @property
    def page(self) -> Page:
        """The page that is shown."""
        return self.pages.page

    def _arrange(self) -> None:
        self._body = QStackedWidget()
        self._body.addWidget(self.pages)
        self._body.addWidget(self.empty)
        self.day = DayControl(self._around.records, self._body, self)
        column = QVBoxLayout(front := QWidget())
        column.setContentsMargins(EDGE_PX, EDGE_PX - 6, EDGE_PX, EDGE_PX)
        column.setSpacing(GAP_PX - 4)
        column.addWidget(self.feed_line)
        column.addWidget(self._body, 1)
        column.addWidget(self.marking.line)
        self._stack = QStackedWidget()
        self._stack.addWidget(front)
        self._stack.addWidget(self.ears_only)
        self.setCentralWidget(self._stack)

    def _connect(self) -> None:
        line = self.feed_line
        line.source_asked.connect(self.ask_source)
        line.hold_toggled.connect(self._link.hold)
        line.reset_asked.connect(self._link.reset)
        line.ears_only_asked.connect(self.toggle_ears_only)
        line.more_asked.connect(self._open_menu)
        self.ears_only.left.connect(self.toggle_ears_only)
        self.empty.source_asked.connect(self.ask_source)
        self.empty.file_asked.connect(self.picker.ask_for_file)
        self.empty.demo_asked.connect(self.picker.demo.click)
        self.pages.setting_chosen.connect(self.meters.choose)
        self.pages.action_asked.connect(self._act)
        line.feeds_asked.connect(self.feeds.find)
        line.page_asked.connect(self.turn_to)
        self.cards.connect(line, self.more.cards, self.feeds.find, self._turned)
        self._connect_source()
        self.clock.noted.connect(self._note_pace)
        self.seat.changed.connect(self.save_soon)
        self.seat.suspended.connect(self._link.suspend)
        self.more.theme_chosen.connect(self.looks.choose_theme)
        self.more.on_top_chosen.connect(self.looks.keep_on_top)
        self.looks.changed.connect(self._opened)
        self.more.calibrate_asked.connect(self.seat.calibrate)
        self.more.turn_asked.connect(self.seat.turn)
        self.more.cautions_asked.connect(self.cautions.bring_up)
        self.more.readings_asked.connect(self.read_levels)
        self.more.day_asked.connect(self.show_day)
        self.day.back.connect(self.clock.draw_again)
        self.more.feeds_asked.connect(self.feeds.find)
        self.more.tap_asked.connect(self.feeds.tap)
        self.more.tempo_asked.connect(self.feeds.ask_tempo)
        self.feeds.tempo_told.connect(lambda bpm: self.cards.choose_each(self._timed, {TEMPO_BPM: bpm}))
        self.more.page_chosen.connect(self.turn_to)
        self.more.quit_asked.connect(self.close)
        self._save_timer.timeout.connect(self.save)

    def _connect_source(self) -> None:
        self.picker.chosen.connect(self.listen_to)
        self.picker.finder_asked.connect(self._find_channels_of)
        self.feeds.changed.connect(self.source.listen_again)
        self.feeds.channels_asked.connect(self.source.take)
        self.source.named.connect(self._name_source)
        self.source.named.connect(self.feeds.put_away)
        self.source.tried.connect(self.feed_line.name_source)
        self.source.opened.connect(self._opened)
        self.first.quiet.connect(self._show_ways)
        self.first.heard.connect(self._show_page)

    def _make_keys(self) -> None:
        for key, action in (
            ("H", self.feed_line.hold.click),
            ("R", self.feed_line.reset.click),
            ("E", self.toggle_ears_only),
            ("M", self._open_menu),
            ("S", self.ask_source),
            ("L", self.read_levels),
            ("T", self.seat.turn),
            ("K", self.feed_line.marking.click),
            ("N", self.marking.name_last),
            ("J", self.marking.show_list),
            ("F", self.feeds.find),
            ("B", self.feeds.tap),
            ("D", self.show_day),
            ("Ctrl+Q", self.close),
            *((str(number + 1), partial(self.turn_to, number)) for number in range(MOST_PAGES)),
        ):
            QShortcut(QKeySequence(key), self).activated.connect(action)

    def _begin(self) -> None:
        self.meters.show_all()
        self._tell_pages()
        self.first.begin(self._around.first_source)
        self.feed_line.name_source(self.source.title)
        self.feeds.columns()
        if self._settings.always_on_top and may_stay_on_top():
            self.setWindowFlag(Qt.WindowType.WindowStaysOnTopHint, True)
        self.clock.start()

    # What the clock asks and tells

    def may_draw(self) -> bool:
        """False while nothing of the page can be seen: hidden, minimised, blanked, or no source yet."""
        seen = self.isVisible() and not self.isMinimized() and bool((at := self.windowHandle()) and at.isExposed())
        return seen and self._stack.currentIndex() == 0 and self._body.currentIndex() == 0

    def _observe(self, frame: Frame) -> None:
        self.feed_line.show_status(frame.status)
        self.ears_only.show_status(frame.status)
        self.feeds.observe(frame)
        self.cards.observe(frame)
        self.first.observe(frame)
        self.marking.observe(frame)
        self.settled.observe(frame, self.page.cards)
        if self.source.current is not None:
            self.seat.observe(self.source.current.kind, frame)

    def _note_pace(self, _words: str) -> None:
        self.feed_line.note(SLOWED if self.clock.pace.slowed() else "")

    # What the user does

    def ask_source(self) -> None:
        """Open the source picker."""
        if self._stack.currentIndex() == 1:
            return
        self.picker.pop_up(self.feed_line.source, self.source.request)

    def listen_to(self, request: Mapping[str, Any], title: str) -> None:
        """Open a source, remember it, and show the page."""
        self.source.listen_to(request, title)

    def _name_source(self, title: str) -> None:
        self.feed_line.name_source(title)
        self.feed_line.hold.setChecked(False)
        self._show_page()

    def _show_ways(self) -> None:
        self.empty.tell(listening=self.first.listening)
        self._body.setCurrentIndex(1)

    def _show_page(self) -> None:
        self._body.setCurrentIndex(0)
        self._opened()

    def _opened(self) -> None:
        self.clock.draw_again()
        self.save_soon()

    def _find_channels_of(self, request: Mapping[str, Any], title: str, channels: int) -> None:
        """Listen to all channels of a source and find out which is which."""
        self.source.choose(request, title)
        self.feeds.find_among(channels, taken_channels(request["options"]), opened=False)

    def turn_to(self, number: int) -> None:
        """Show another page and remember it."""
        self.day.leave()
        if self.pages.turn_to(number):
            self._turned()

    def _turned(self) -> None:
        self._tell_pages()
        self._settings.page = self.pages.file
        self._opened()

    def _tell_pages(self) -> None:
        for place in (self.feed_line, self.more):
            place.show_pages(self.pages.names, self.pages.currentIndex())

    def _act(self, action: str) -> None:
        known: dict[str, Callable[[], None]] = {
            "calibrate": self.seat.calibrate,
            "turn": self.seat.turn,
            "cautions": self.cautions.bring_up,
            "reset": self.feed_line.reset.click,
            "hold": self.feed_line.hold.click,
            "feeds": self.feeds.find,
            "source": self.ask_source,
            "tap": self.feeds.tap,
            "tempo": self.feeds.ask_tempo,
        }
        known.get(action, lambda: None)()

    def toggle_ears_only(self) -> None:
        """Blank everything, or bring the page back."""
        self._stack.setCurrentIndex(1 - self._stack.currentIndex())
        if self._stack.currentIndex() == 0:
            self.clock.draw_again()
        else:
            panels = self.picker, self.cautions, self.readings, self.references, self.feeds.finder, self.marking.list
            for panel in panels:
                panel.hide()

    def read_levels(self) -> None:
        """Show every reading as text."""
        if self._stack.currentIndex() == 0:
            self.readings.show_frame(self._link.take(), self.source.title, self.page.read_out())

    def show_day(self) -> None:
        """Show the day as it was recorded, or the page again."""
        if self._stack.currentIndex() == 0:
            self.day.toggle()

    def _open_menu(self) -> None:
        button = self.feed_line.more
        self.more.popup(button.mapToGlobal(button.rect().bottomLeft()))

    # Keeping

    def save_soon(self) -> None:
        """Save the settings a second after the last change."""
        if not self._closed:
            self._save_timer.start()

    def save(self) -> None:
        """Save the settings now; a failure is said once."""
        if self._kept is None:
            return
        keep_place(self, self._settings)
        if sentence := self._kept.save():
            self.feed_line.say(sentence)

    def event(self, event: QEvent) -> bool:
        """Time the painting: Qt paints everything that is due within one such event of the window."""
        if event.type() != QEvent.Type.UpdateRequest:
            return super().event(event)
        begin = self._now()
        done = super().event(event)
        self.clock.painted(self._now() - begin)
        return done

    def showEvent(self, event: QShowEvent) -> None:
        """Draw at once."""
        super().showEvent(event)
        self.clock.draw_again()
        self.setFocus()  # else Qt gives it to the first button, and Return would press that

    def changeEvent(self, event: QEvent) -> None:
        """Coming back from minimised, the newest snapshot is drawn at once."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.WindowStateChange and hasattr(self, "clock"):
            self.clock.draw_again()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Remember the size."""
        super().resizeEvent(event)
        if hasattr(self, "_save_timer"):
            self.save_soon()

    def moveEvent(self, event: QMoveEvent) -> None:
        """Remember the place."""
        super().moveEvent(event)
        if hasattr(self, "_save_timer"):
            self.save_soon()

    def closeEvent(self, event: QCloseEvent) -> None:
        """Timers first, then the child, the settings, and the engine last; not for code of a face by others."""
        if GUARD.asked_by_face():
            event.ignore()
            return
        if not self._closed:
            self._closed = True
            self.clock.stop()
            self._save_timer.stop()
            self.lister.stop()
            self.looks.shut_down()
            self.seat.shut_down()
            self.feeds.shut_down()
            self.marking.shut_down()
            for panel in (self.picker, self.readings):
                panel.close()
            self.save()
            self._link.close()
        super().closeEvent(event)

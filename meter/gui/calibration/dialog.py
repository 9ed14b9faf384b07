"""The guided calibration: left, right and both with noise at the seat, or headphones by their data sheet.

No sound is made in this process. The noise is a file that the DAW plays, or a child process plays it, only after a
press, and stops at Space, Esc, a step to another page, and when the dialog or the program goes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QHideEvent, QKeyEvent
from PySide6.QtWidgets import QDialog, QFileDialog, QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from meter.calibration.headphones import HEADPHONE_DOUBT_DB
from meter.calibration.level_at_seat import NOISE_DBFS_RMS, typed_level
from meter.calibration.noise_check import BOTH, LEFT, RIGHT
from meter.calibration.result_words import check_sentence, seat_sentence, sheet_sentence, sides_sentence
from meter.calibration.session import (
    BY_SHEET,
    ONE,
    RESULT,
    SHEET,
    START,
    SeatSession,
    Terms,
    sheet_calibration,
    side_of,
)
from meter.figures import with_unit
from meter.gui.calibration.pages import ResultPage, SheetPage, SidePage, StartPage
from meter.gui.calibration.player_process import NoisePlayer
from meter.gui.calibration.widgets import StepLine, say
from meter.gui.kit.theme import TITLE_PX, font
from meter.gui.kit.widgets import KeyButton, Paragraph
from meter.plugin.services import CALIBRATION_READS
from meter.readings import Frame
from meter.settings import HEADPHONES, Calibration, MonitorState

SIZE_PX = (720, 560)
NO_OUTPUT = "Choose on the first page where the noise is played."
STEP_WORDS = {START: "before you start", ONE: "loudspeaker", RESULT: "result", SHEET: "data sheet"}

WriteNoise = Callable[[Path, str], str]


class CalibrationDialog(QDialog):
    """Non-modal. ``calibrated`` carries a ``Calibration``; ``forgotten`` asks to drop those of what is listened on,
    ``measuring`` says that the feed is to carry noise from now on, or no longer.

    ``write_noise(folder, kind)`` saves the noise for left, right and both; an empty string, or one sentence why not.
    ``noise_command`` is the command line of the child that plays it. ``meter_id`` is the meter that is calibrated.
    """

    calibrated = Signal(object)
    forgotten = Signal(str)
    measuring = Signal(bool)

    def __init__(
        self,
        write_noise: WriteNoise | None,
        noise_command: Sequence[str] = (),
        today: Callable[[], date] = date.today,
        meter_id: str = "",
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._write_noise = write_noise
        self._today, self._feed_keys = today, [f"{meter_id}.{key}" for key in CALIBRATION_READS]
        self._source = self._heard = ""
        self._names: Mapping[str, Sequence[str]] = {}
        self._known: frozenset[str] = frozenset()
        self._step = START
        self._session = SeatSession()
        self._agreed: tuple[object, ...] = ()
        self._level_dbfs: float | None = None
        self._rising = False
        self.player = NoisePlayer(noise_command, self)
        self.steps = StepLine()
        self.start = StartPage(may_play=self.player.usable, may_save=write_noise is not None)
        self.side, self.sheet, self.outcome = SidePage(), SheetPage(), ResultPage()
        self.forget = KeyButton("forget the calibration", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        self.back = KeyButton("back", outlined=True)
        self.skip = KeyButton("skip", outlined=True)
        self.next = KeyButton("next", outlined=True)
        self._arrange()
        self._connect()

    def _arrange(self) -> None:
        self.setWindowTitle("calibrate the listening level")
        self.setFixedSize(*SIZE_PX)
        title = Paragraph("How loud is it where you sit?")
        title.setFont(font(TITLE_PX + 2, bold=True))
        self._pages = QStackedWidget()
        for page in (self.start, self.side, self.sheet, self.outcome):
            self._pages.addWidget(page)
        feet = QHBoxLayout()
        feet.addWidget(self.forget)
        feet.addStretch(1)
        for button in (self.leave, self.back, self.skip, self.next):
            feet.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(24, 18, 24, 18)
        column.setSpacing(14)
        for widget in (title, self.steps):
            column.addWidget(widget)
        column.addWidget(self._pages, 1)
        column.addLayout(feet)

    def _connect(self) -> None:
        self.start.changed.connect(self._start_changed)
        self.start.save_pressed.connect(self._ask_where)
        self.side.typed.textChanged.connect(self._refresh)
        self.side.typed.returnPressed.connect(self._forward)
        self.side.typed.installEventFilter(self)
        self.side.player.play_pressed.connect(self._play)
        self.side.player.stop_pressed.connect(self.player.stop)
        self.side.player.hold_toggled.connect(self.player.hold)
        self.sheet.changed.connect(self._refresh)
        self.player.listed.connect(self.start.offer_outputs)
        self.player.level_changed.connect(self._played)
        self.player.ended.connect(self._ended)
        self.next.clicked.connect(self._forward)
        self.skip.clicked.connect(self._leave_out)
        self.back.clicked.connect(self._backward)
        self.leave.clicked.connect(self.close)
        self.forget.clicked.connect(self._forget)

    # Opening, and what comes from outside

    def bring_up(self, state: MonitorState, names: Mapping[str, Sequence[str]], known: frozenset[str]) -> None:
        """Open for one source.

        ``names`` lists its monitor settings for each way of listening, ``known`` the ways that have a calibration.
        """
        self._source, self._names, self._known, self._heard = state.source, names, known, ""
        self._begin_anew("")
        self.start.heard_on.setCurrentIndex(self.start.heard_on.findData(state.heard_on))
        self.start.offer_settings(names.get(state.heard_on, ()), state.setting)
        self._start_changed()
        self.show()
        self.raise_()

    def show_frame(self, frame: Frame) -> None:
        """Follow the feed; called for every new snapshot while the dialog is open."""
        status = frame.status
        if status.state == "running" and status.identity and self._source.partition(":")[2] != status.identity:
            self._device_changed(status.identity, status.source)
            return
        self._heard = status.source or self._heard
        if status.state != "running":
            self._session.feed.clear()
        else:
            a_dbfs, c_dbfs = (frame.vector(key).tolist() for key in self._feed_keys)
            self._session.feed.add(status.elapsed_seconds, a_dbfs, c_dbfs)
            self.side.picture.show_levels(a_dbfs)
        self._refresh()

    def _device_changed(self, identity: str, now: str) -> None:
        kind, _, before = self._source.partition(":")
        before, self._heard = self._heard if self._heard not in ("", now) else before, now
        self._source = f"{kind}:{identity}"
        self._begin_anew(
            f"The output changed from '{before}' to '{now}' meanwhile, so nothing was kept; begin again."
        )

    def _begin_anew(self, sentence: str) -> None:
        self.player.stop()
        self._session.clear()
        say(self.start.note, sentence)
        self._show_step(START)

    # Steps

    def _show_step(self, step: str) -> None:
        self.player.stop()
        self._step = step
        page = {START: self.start, RESULT: self.outcome, SHEET: self.sheet}.get(step, self.side)
        self._pages.setCurrentWidget(page)
        self.measuring.emit(page is self.side)
        if page is self.side:
            self.side.begin(
                step,
                self.start.weighting.currentData(),
                self._session.typed.get(step, ""),
                by_program=self.start.by_program,
                file_hint=f"the file for {BOTH if step == ONE else step}",
            )
            self.side.picture.show_step(*self._picture((LEFT, RIGHT) if step == BOTH else (step,)))
            self._show_no_noise("")
        elif step == START and self.start.by_program:
            self.player.list_outputs()
        self._refresh()

    def _start_changed(self) -> None:
        """What is listened on decides which steps follow; another choice makes what was read worthless."""
        heard_on = self.start.heard_on.currentData()
        names = self._names.get(heard_on, ())
        if [self.start.setting.itemData(row) for row in range(self.start.setting.count())] != list(names):
            self.start.offer_settings(names, self.start.setting.currentData() or "")
        if self.start.by_program and self.start.output.count() == 1:
            self.player.list_outputs()
        agreed = (
            heard_on,
            *(box.currentData() for box in (self.start.setting, self.start.noise, self.start.weighting)),
        )
        if agreed != self._agreed:
            self._agreed = agreed
            self._session.forget_readings()
        self._refresh()

    def _forward(self) -> None:
        if not self.next.isEnabled():
            return
        step, order = self._step, self._order()
        if step == SHEET:
            terms = self._terms()
            self._keep(sheet_calibration(self.sheet.sheet(), terms.source, terms.setting, self._today()))
        elif step == RESULT:
            self._keep(self._session.calibration(self._terms(), self._today()))
        else:
            if step != START:
                self._session.take(step, self.side.typed.text(), self._terms().weighting)
            self._show_step(order[order.index(step) + 1])

    def _picture(self, wanted: tuple[str, ...]) -> tuple[list[bool], list[str]]:
        """Which loudspeakers are to sound, and what was typed for each."""
        sides = (ONE,) if ONE in self._order() else (LEFT, RIGHT)
        return [side in wanted for side in sides], [self._session.typed.get(side, "") for side in sides]

    def _leave_out(self) -> None:
        self._session.leave_out(BOTH)
        self._show_step(RESULT)

    def _backward(self) -> None:
        order = self._order()
        self._show_step(order[max(0, order.index(self._step) - 1)])

    def _order(self) -> tuple[str, ...]:
        return BY_SHEET if self._headphones else self._session.steps(self._step)

    def _terms(self) -> Terms:
        start = self.start
        return Terms(
            self._source,
            str(start.setting.currentData()),
            str(start.noise.currentData()),
            str(start.weighting.currentData()),
            str(start.meter.currentData()),
            start.position.text(),
        )

    @property
    def _headphones(self) -> bool:
        return bool(self.start.heard_on.currentData() == HEADPHONES)

    # What is shown

    def _refresh(self) -> None:
        order = self._order()
        words = [(STEP_WORDS.get(step, step), self._session.typed.get(step, "")) for step in order]
        self.steps.show_steps(words, order.index(self._step))
        show = {START: self._refresh_start, SHEET: self._refresh_sheet, RESULT: self._refresh_result}
        ready = show.get(self._step, self._refresh_side)()
        self.next.setEnabled(ready)
        self.next.setText("use this" if self._step in (SHEET, RESULT) else "next")
        self.next.updateGeometry()
        self.back.setVisible(self._step != START)
        self.skip.setVisible(self._step == BOTH)
        self.forget.setVisible(self._step == START and self.start.heard_on.currentData() in self._known)

    def _refresh_start(self) -> bool:
        return self._headphones or not self.start.by_program or self.start.chosen_output is not None

    def _refresh_sheet(self) -> bool:
        try:
            sheet = self.sheet.sheet()
        except ValueError as error:
            say(self.sheet.outcome, "" if self.sheet.empty else str(error))
            return False
        say(self.sheet.outcome, sheet_sentence(sheet.full_scale_db_spl, sheet.offset_db, HEADPHONE_DOUBT_DB))
        return True

    def _refresh_result(self) -> bool:
        found, terms = self._session.result, self._terms()
        seat = seat_sentence(found.offset_db, found.doubt_db(terms.meter), terms.setting)
        self.outcome.picture.show_step(*self._picture(()), f"about {NOISE_DBFS_RMS + found.offset_db:.0f} dB(A)")
        self.outcome.show_lines([sides_sentence(found, terms.weighting), check_sentence(found), seat])
        return True

    def _refresh_side(self) -> bool:
        steady = self._say_feed()
        text = self.side.typed.text()
        try:
            typed_level(text)
            sentence = self._session.objection(self._step, text, self._terms().weighting) if steady else ""
        except ValueError as error:
            say(self.side.outcome, str(error) if text else "")
            return False
        say(self.side.outcome, sentence)
        return steady and not sentence

    def _say_feed(self) -> bool:
        """The feed in words; True when it may be read now."""
        if self.player.playing and self._rising:
            say(self.side.feed, "The noise is still rising; wait, or press “stay at this level”.", "soft")
            return False
        side, terms, feed = side_of(self._step), self._terms(), self._session.feed
        try:
            levels = feed.levels(side, terms.weighting)
            remark = feed.remark(side, terms.noise, self._played_dbfs())
        except ValueError as error:
            say(self.side.feed, str(error), "soft")
            return False
        shown = " and ".join(with_unit(level, f"dBFS({terms.weighting})") for level in levels)
        say(self.side.feed, f"Feed: steady at {shown}. {remark}".strip(), "ink")
        return True

    def _played_dbfs(self) -> float:
        return NOISE_DBFS_RMS if self._level_dbfs is None else self._level_dbfs

    def _keep(self, calibration: Calibration) -> None:
        self.close()
        self.calibrated.emit(calibration)

    def _forget(self) -> None:
        heard_on = str(self.start.heard_on.currentData())
        self.close()
        self.forgotten.emit(heard_on)

    # Noise

    def _play(self) -> None:
        output = self.start.chosen_output
        if output is None or self.player.playing:
            return
        self._level_dbfs, self._rising = None, True
        self._session.feed.clear()
        self.player.play(output, self.start.noise.currentData(), BOTH if self._step == ONE else self._step)
        self.side.player.show_playing(None, rising=True)

    def _played(self, level_dbfs: float, rising: bool) -> None:
        self._level_dbfs, self._rising = level_dbfs, rising
        self.side.player.show_playing(level_dbfs, rising=rising)

    def _ended(self, sentence: str) -> None:
        self._level_dbfs, self._rising = None, False
        self._session.feed.clear()
        self._show_no_noise(sentence)
        self._refresh()

    def _show_no_noise(self, sentence: str) -> None:
        may_play = self.start.chosen_output is not None
        self.side.player.show_off(sentence if may_play else sentence or NO_OUTPUT, may_play=may_play)

    def _ask_where(self) -> None:
        folder = QFileDialog.getExistingDirectory(self, "a folder for the three noise files")
        if folder:
            self.write_noise_to(Path(folder))

    def write_noise_to(self, folder: Path) -> None:
        """Save the chosen noise for left, right and both, and say what came of it."""
        if self._write_noise is None:
            return
        sentence = self._write_noise(folder, self.start.noise.currentData())
        done = f"Three files are in {folder.name}: left, right and both. Turn the monitors down before you play one."
        say(self.start.note, sentence or done)

    # Keys, and the end

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Space in the field for a figure stops the noise as well."""
        if event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent) and self._stops(event):
            return True
        return super().eventFilter(watched, event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Space and Esc stop the noise; Esc closes when none plays."""
        if not self._stops(event):
            super().keyPressEvent(event)

    def _stops(self, event: QKeyEvent) -> bool:
        stopping = event.key() in (Qt.Key.Key_Space, Qt.Key.Key_Escape) and self.player.playing
        if stopping:
            self.player.stop()
        return stopping

    def hideEvent(self, event: QHideEvent) -> None:
        """No noise outlives the dialog."""
        self.player.stop()
        self.measuring.emit(False)
        super().hideEvent(event)

    def shut_down(self) -> None:
        """The program ends: no child is left."""
        self.close()
        self.player.close()

"""The level at the seat in one place: the calibration, what is in force, and turns of the monitor control."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import QObject, QPoint, QTimer, Signal
from PySide6.QtWidgets import QWidget

from meter.calibration.calibration_in_force import CalibrationInForce
from meter.gui.calibration.cautions import Cautions
from meter.gui.calibration.dialog import CalibrationDialog
from meter.gui.calibration.monitor_menu import AnotherSetting, TurnMenu
from meter.gui.engine_link import Setting
from meter.gui.source.feed_line import FeedLine
from meter.readings import Frame
from meter.settings import Calibration, Settings

NOTHING_HEARD = "A calibration belongs to a device or an output that is heard; listen to one first."
NOISE_REASON = "Calibration: figures since R stand still, so that its noise is in none of them."
NO_METER = "No meter estimates the listening level; run “earwitness doctor”."
TAIL_MS = 2000
"""The end of the noise is still on its way through the player, the server and the capture."""


class CalibrationControl(QObject):
    """Wires dialog, keeper and menu to each other and to the window around them.

    ``configured`` carries settings of the calibrated meter to be put to work; ``changed`` asks for the program's own
    settings to be saved, ``suspended`` carries why nothing counts at present, or nothing. ``meter_id`` is the meter
    that is calibrated, empty where there is none.
    """

    configured = Signal(dict)
    changed = Signal()
    suspended = Signal(str)

    def __init__(
        self,
        settings: Settings,
        feed_line: FeedLine,
        write_noise: Callable[[Path, str], str] | None,
        noise_command: Sequence[str],
        parent: QWidget,
        meter_id: str = "",
    ) -> None:
        super().__init__(parent)
        self._settings = settings
        self._meter_id = meter_id
        self._window = parent
        self._feed_line = feed_line
        self.in_force: dict[str, Setting] = {}
        """The calibrated meter's settings as they were last put to work."""
        self.recorder = CalibrationInForce(
            settings, feed_line, self._configure, self.calibrate, self.turn, self.changed.emit
        )
        self.dialog = CalibrationDialog(write_noise, noise_command, meter_id=meter_id, parent=parent)
        self.cautions = Cautions(parent)
        self.menu = TurnMenu(parent)
        self.another = AnotherSetting(parent)
        self.dialog.calibrated.connect(self._use)
        self.dialog.forgotten.connect(self._forget)
        self.dialog.measuring.connect(self._measure)
        self._resume = QTimer(self)
        self._resume.setSingleShot(True)
        self._resume.setInterval(TAIL_MS)
        self._resume.timeout.connect(lambda: self._suspend(""))
        self._suspended = ""
        self.cautions.read.connect(self._cautions_read)
        self.menu.turned.connect(lambda name: self._said(self.recorder.turned_to(name)))
        self.menu.listens.connect(lambda way: self._said(self.recorder.listens_on(way)))
        self.menu.lost.connect(self.recorder.elsewhere)
        self.menu.another_asked.connect(self.another.bring_up)
        self.another.named.connect(lambda name, change: self._said(self.recorder.name_setting(name, change)))

    def observe(self, kind: str, frame: Frame) -> None:
        """Look at a snapshot: which source is heard, and what it carries while the dialog is open."""
        self.recorder.watch(kind, frame.status)
        if self.dialog.isVisible():
            self.dialog.show_frame(frame)

    def calibrate(self) -> None:
        """Open the calibration of the source that is heard; before the first one, the cautions are read."""
        if not self._may_calibrate():
            return
        if not self._settings.cautions_read:
            self.cautions.bring_up(self._open_dialog)
            return
        self._open_dialog()

    def _open_dialog(self) -> None:
        self.dialog.bring_up(self.recorder.state, self.recorder.names(), self.recorder.known)

    def turn(self) -> None:
        """Ask where the monitor control stands."""
        if not self._may_calibrate():
            return
        state = self.recorder.state
        names = self.recorder.names()[state.heard_on]
        self.menu.fill(names, state.setting, state.heard_on, sure=self.recorder.seat is not None)
        self.menu.popup(self._window.mapToGlobal(QPoint(self._window.width() // 2 - 120, 80)))

    def shut_down(self) -> None:
        """The program ends: panels close, no child is left."""
        for panel in (self.menu, self.another):
            panel.close()
        self.dialog.shut_down()

    def _may_calibrate(self) -> bool:
        """True with a meter and a source to calibrate; otherwise the feed line says which is missing."""
        trouble = NO_METER if not self._meter_id else "" if self.recorder.source else NOTHING_HEARD
        if trouble:
            self._feed_line.say(trouble, of_source=True)
        return not trouble

    def _measure(self, measuring: bool) -> None:
        """Calibration noise is no mix: nothing counts while it is measured, and until its end has been heard."""
        if measuring:
            self._resume.stop()
            self._suspend(NOISE_REASON)
        elif self._suspended:
            self._resume.start()

    def _cautions_read(self) -> None:
        if not self._settings.cautions_read:
            self._settings.cautions_read = True
            self.changed.emit()

    def _suspend(self, reason: str) -> None:
        if reason != self._suspended:
            self._suspended = reason
            self.suspended.emit(reason)

    def _configure(self, chosen: dict[str, Setting]) -> None:
        self.in_force = {**self.in_force, **chosen}
        self.configured.emit(chosen)

    def _use(self, kept: Calibration) -> None:
        self.recorder.use(kept)
        self.changed.emit()

    def _forget(self, heard_on: str) -> None:
        self.recorder.forget(heard_on)
        self.changed.emit()

    def _said(self, sentence: str) -> None:
        self._feed_line.say(sentence)
        self.changed.emit()

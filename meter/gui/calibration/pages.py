"""The pages of the calibration: before you start, a loudspeaker at a time, headphones by their sheet, the result.

They hold fields and words, and decide nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QLineEdit, QVBoxLayout, QWidget

from meter.calibration.headphones import PER_MILLIWATT, PER_VOLT, HeadphoneSheet, typed_number
from meter.calibration.level_at_seat import METER_DOUBTS_DB, NOISE_DB_RE_ONE, NOISE_DBFS_RMS
from meter.calibration.monitor_control import setting_words
from meter.figures import figure
from meter.gui.calibration.picture import SeatPicture
from meter.gui.calibration.player_process import output_title
from meter.gui.calibration.widgets import PlayRow, choice, field, form, say
from meter.gui.kit.fields import TextField
from meter.gui.kit.theme import SUBTITLE_PX, TEXT_PX
from meter.gui.kit.widgets import KeyButton, Paragraph
from meter.settings import HEADPHONES, LOUDSPEAKERS
from meter.sound_lists import Output

BY_DAW, BY_PROGRAM = "daw", "program"
NOISES = (("pink noise, 500 Hz to 2 kHz: the room matters least", "band"), ("pink noise, 20 Hz to 20 kHz", "wide"))
METERS = tuple((words, words) for words in METER_DOUBTS_DB)
METER_WORDS = {
    "class 1": "a sound level meter, class 1",
    "class 2": "a sound level meter, class 2",
    "unknown class": "a sound level meter of unknown class",
    "telephone": "a phone app",
}
CHOOSE_OUTPUT = "choose where it is played"

CAUTION = (
    "Turn the monitors down before any noise plays, and up again slowly to where you mix. Hold the sound level meter "
    "where your head is, set to slow. Leave the knob and the meter where they are from then on."
)
LEVEL = (
    f"The noise is at {figure(NOISE_DBFS_RMS, 0)} dBFS rms in each channel where a full-scale sine reads 0 (AES17); "
    f"that is {figure(NOISE_DB_RE_ONE)} dB where an rms of 1.0 reads 0."
)
SHEET_CAUTION = (
    "Headphones are not estimated unless you ask for it here. It is a rough guess from a data sheet: pairs differ, "
    "the seal on your ear and the output shift it, and people tend to listen louder on them than on loudspeakers."
)
SHEET_WORDS = (
    "From the data sheets of the headphones and of the output that drives them, its volume as it is set now."
)
SIDE_WORDS = {
    "left": "The noise belongs in the left channel alone. Turn the monitors up slowly to where you mix, and let the "
    "meter settle.",
    "right": "The noise belongs in the right channel alone. Do not touch the monitor knob in between.",
    "both": "The noise belongs in both channels, a different one in each. This is a check: two equal loudspeakers "
    "read 3.0 dB more than one.",
    "one": "The feed has one channel: the noise belongs in it.",
}


def page_of(*widgets: QWidget) -> QVBoxLayout:
    """A column without margins."""
    column = QVBoxLayout()
    column.setContentsMargins(0, 0, 0, 0)
    column.setSpacing(10)
    for widget in widgets:
        column.addWidget(widget)
    return column


class StartPage(QWidget):
    """What is listened on, where the control stands, which noise, who plays it, and with what it is measured."""

    changed = Signal()
    save_pressed = Signal()

    def __init__(self, *, may_play: bool, may_save: bool) -> None:
        super().__init__()
        self._may_save = may_save
        self.heard_on = choice([(LOUDSPEAKERS, LOUDSPEAKERS), (HEADPHONES, HEADPHONES)], "what you listen on")
        self.setting = choice([], "position of the monitor knob")
        self.noise = choice(NOISES, "which noise")
        played = [("my DAW plays it, from files", BY_DAW)]
        if may_play:
            played.append(("this program plays it, when I press", BY_PROGRAM))
        self.played_by = choice(played, "who plays the noise")
        self.output = choice([(CHOOSE_OUTPUT, None)], "output that plays the noise")
        self.meter = choice([(METER_WORDS[name], name) for name in METER_DOUBTS_DB], "what you measure with")
        self.weighting = choice([("C, slow", "C"), ("A, slow", "A")], "weighting of the sound level meter")
        self.position = TextField()
        self.position.setAccessibleName("where it is measured")
        self.position.setPlaceholderText("a note, for example: at my head, 1.2 m high")
        self.save = KeyButton("save the noise as files…", outlined=True)
        self.outputs_note = Paragraph(size_px=SUBTITLE_PX, role="soft")
        self.note = Paragraph(size_px=TEXT_PX)
        self._sheet_caution = Paragraph(SHEET_CAUTION, size_px=TEXT_PX)
        self._caution, self._level = Paragraph(CAUTION, size_px=TEXT_PX), Paragraph(LEVEL, "soft", SUBTITLE_PX)
        self._arrange()
        for box in self._boxes():
            box.currentIndexChanged.connect(self._refresh)
        self.save.clicked.connect(self.save_pressed)
        self._refresh()

    def _boxes(self) -> tuple[QComboBox, ...]:
        return (self.heard_on, self.setting, self.noise, self.played_by, self.output, self.meter, self.weighting)

    def _arrange(self) -> None:
        self._rows = form()
        for words, widget in (
            ("you listen on", self.heard_on),
            ("monitor knob at", self.setting),
            ("the noise", self.noise),
            ("who plays it", self.played_by),
            ("through", self.output),
            ("you measure with", self.meter),
            ("it is set to", self.weighting),
            ("where", self.position),
        ):
            self._rows.addRow(words, widget)
        column = page_of(self.note, self._caution, self._sheet_caution)
        column.addLayout(self._rows)
        for part in (self.outputs_note, self._level, self.save):
            column.addWidget(part)
        column.addStretch(1)
        self.setLayout(column)

    @property
    def by_program(self) -> bool:
        """Whether this program is to play the noise."""
        return bool(self.played_by.currentData() == BY_PROGRAM)

    @property
    def chosen_output(self) -> Output | None:
        """Where it is to be played, None before that was chosen."""
        found = self.output.currentData()
        return found if isinstance(found, Output) else None

    def offer_settings(self, names: Sequence[str], chosen: str) -> None:
        """The names of the monitor settings, the present one chosen."""
        self.setting.blockSignals(True)
        self.setting.clear()
        for name in names:
            self.setting.addItem(setting_words(name), name)
        self.setting.setCurrentIndex(max(0, self.setting.findData(chosen)))
        self.setting.blockSignals(False)

    def offer_outputs(self, outputs: Sequence[Output], missing: Sequence[str]) -> None:
        """What the noise may be played through; none is chosen by itself."""
        before = self.chosen_output
        self.output.blockSignals(True)
        while self.output.count() > 1:
            self.output.removeItem(1)
        for output in outputs:
            self.output.addItem(output_title(output), output)
            if output == before:
                self.output.setCurrentIndex(self.output.count() - 1)
        self.output.blockSignals(False)
        self.outputs_note.setText("\n".join(missing))
        self._refresh()

    def _refresh(self) -> None:
        speakers = self.heard_on.currentData() == LOUDSPEAKERS
        for widget in (self.noise, self.played_by, self.meter, self.weighting, self.position):
            self._rows.setRowVisible(widget, speakers)
        self._rows.setRowVisible(self.output, speakers and self.by_program)
        self.outputs_note.setVisible(speakers and self.by_program and bool(self.outputs_note.text()))
        self.save.setVisible(speakers and not self.by_program and self._may_save)
        for words in (self._caution, self._level):
            words.setVisible(speakers)
        self._sheet_caution.setVisible(not speakers)
        self.changed.emit()


class SidePage(QWidget):
    """One step with noise: what is to play, what the feed carries, and what the sound level meter shows."""

    def __init__(self) -> None:
        super().__init__()
        self.title = Paragraph(size_px=TEXT_PX)
        self.player = PlayRow()
        self.feed = Paragraph(size_px=TEXT_PX)
        self.typed = field("what the sound level meter shows, in dB", "for example 78.5")
        self.outcome = Paragraph(size_px=TEXT_PX)
        self.picture = SeatPicture()
        self._rows = form()
        self._rows.addRow("it shows, in dB", self.typed)
        column = page_of(self.title, self.player, self.feed)
        column.addLayout(self._rows)
        column.addWidget(self.outcome)
        column.addWidget(self.picture, 1)
        self.setLayout(column)

    def begin(self, side: str, weighting: str, typed: str, *, by_program: bool, file_hint: str) -> None:
        """Show one step; ``typed`` is what was typed there before."""
        how = "Press to play it." if by_program else f"Play {file_hint} from your DAW and let nothing else play."
        say(self.title, f"{SIDE_WORDS[side]} {how}")
        self.player.setVisible(by_program)
        label = self._rows.labelForField(self.typed)
        if isinstance(label, QWidget):
            label.setProperty("text", f"the meter shows, in dB({weighting})")
        self.typed.setText(typed)
        self.typed.setFocus()


class SheetPage(QWidget):
    """Headphones by their data sheet."""

    changed = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.sensitivity = field("sensitivity in dB", "for example 100")
        self.unit = choice([(PER_MILLIWATT, PER_MILLIWATT), (PER_VOLT, PER_VOLT)], "unit of the sensitivity")
        self.ohm = field("impedance in ohm", "for example 32")
        self.volts = field("voltage of a full-scale sine in volts rms", "for example 1.0")
        self.output_ohm = field("resistance of the output in ohm", "0 if you do not know")
        self.outcome = Paragraph(size_px=TEXT_PX)
        rows = form()
        rows.addRow("sensitivity", self.sensitivity)
        rows.addRow("which is", self.unit)
        rows.addRow("impedance, ohm", self.ohm)
        rows.addRow("output at full scale, V rms", self.volts)
        rows.addRow("output resistance, ohm", self.output_ohm)
        column = page_of(Paragraph(SHEET_WORDS, size_px=TEXT_PX))
        column.addLayout(rows)
        column.addWidget(self.outcome)
        column.addStretch(1)
        self.setLayout(column)
        for line in self.lines():
            line.textChanged.connect(self.changed)
        self.unit.currentIndexChanged.connect(self.changed)

    def lines(self) -> tuple[QLineEdit, ...]:
        """The fields to type into."""
        return (self.sensitivity, self.ohm, self.volts, self.output_ohm)

    @property
    def empty(self) -> bool:
        """True before anything was typed."""
        return not any(line.text() for line in self.lines())

    def sheet(self) -> HeadphoneSheet:
        """What was typed. Raises ValueError with one sentence."""
        behind = typed_number(self.output_ohm.text()) if self.output_ohm.text().strip() else 0.0
        numbers = [typed_number(line.text()) for line in (self.sensitivity, self.ohm, self.volts)]
        found = HeadphoneSheet(numbers[0], self.unit.currentData(), numbers[1], numbers[2], behind)
        found.check()
        return found


class ResultPage(QWidget):
    """What came of it, sentence by sentence."""

    def __init__(self) -> None:
        super().__init__()
        self.lines = [Paragraph(size_px=TEXT_PX) for _ in range(4)]
        self.picture = SeatPicture()
        column = page_of(*self.lines)
        column.addWidget(self.picture, 1)
        self.setLayout(column)

    def show_lines(self, sentences: Sequence[str]) -> None:
        """Up to four sentences."""
        for label, sentence in zip(self.lines, [*sentences, *[""] * len(self.lines)], strict=False):
            say(label, sentence)

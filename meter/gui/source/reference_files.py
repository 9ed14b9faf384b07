"""The window in which reference files are chosen: up to five, each with a stretch of its own if one is typed.

A change counts at once. What is wrong with a stretch or a file is told in one sentence below the list.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import QEvent, SignalInstance
from PySide6.QtWidgets import QDialog, QFileDialog, QGridLayout, QHBoxLayout, QLineEdit, QVBoxLayout, QWidget

from meter.gui.kit.dialog_style import dress
from meter.gui.kit.theme import SUBTITLE_PX, px
from meter.gui.kit.widgets import ElidedLine, KeyButton, Paragraph
from meter.gui.source.picker import SOUND_FILES
from meter.reference_files import (
    MOST_REFERENCES,
    SETTINGS,
    ReferenceError,
    ReferenceFile,
    parse,
    stretch_of,
    stretch_text,
)

ACTION = "references"
Setting = float | str | bool
WIDTH_PX, NAME_PX, STRETCH_PX = 620, 320, 130
LOUD_PART = "loud part"
HELP = (
    "Compared with the mix at equal level. Give the stretch that is like what you work on, such as 1:10-1:40. "
    "Without one the loud part of the file is taken."
)
NONE_YET = "No reference is chosen."


class Row:
    """One reference: its name, its stretch, and the key that takes it out."""

    def __init__(self, number: int) -> None:
        self.file = ReferenceFile("")
        self.name = ElidedLine(SUBTITLE_PX, "ink")
        self.stretch = QLineEdit()
        self.stretch.setPlaceholderText(LOUD_PART)
        self.stretch.setAccessibleName(f"stretch of reference {number}")
        self.remove = KeyButton("remove", outlined=True)
        self.remove.setAccessibleName(f"remove reference {number}")

    def show_file(self, file: ReferenceFile, written: str) -> None:
        """Show a reference; ``written`` is the stretch as it was typed."""
        self.file = file
        self.name.say(file.name)
        self.name.setToolTip(file.path)
        if self.stretch.text() != written:
            self.stretch.setText(written)

    @property
    def widgets(self) -> tuple[QWidget, ...]:
        """From left to right."""
        return self.name, self.stretch, self.remove


class ReferenceFiles(QDialog):
    """``meter_ids`` take the references; ``kept`` gives the settings of one, ``choose`` changes those of all."""

    def __init__(
        self,
        parent: QWidget,
        meter_ids: Sequence[str],
        kept: Callable[[str], Mapping[str, Setting]],
        choose: Callable[[Sequence[str], Mapping[str, Setting]], None],
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle("reference files")
        self._kept = partial(kept, meter_ids[0] if meter_ids else "")
        self._choose = partial(choose, meter_ids)
        self._texts: list[str] = []
        self.rows = [Row(number) for number in range(1, MOST_REFERENCES + 1)]
        self.add = KeyButton("add files…", outlined=True)
        self.leave = KeyButton("close", outlined=True)
        self.told = Paragraph("", "ink")
        self._help = Paragraph(HELP, "soft")
        self._arrange()
        self.add.clicked.connect(self.ask_for_files)
        self.leave.clicked.connect(self.close)
        for number, row in enumerate(self.rows):
            row.remove.clicked.connect(partial(self._remove, number))
            row.stretch.editingFinished.connect(partial(self._typed, number))

    def connect_to(self, *asked: SignalInstance) -> None:
        """Open when one of these signals carries ``ACTION``."""
        for signal in asked:
            signal.connect(self._act)

    def _arrange(self) -> None:
        grid = QGridLayout()
        grid.setColumnStretch(0, 1)
        for number, row in enumerate(self.rows):
            for column, widget in enumerate(row.widgets):
                grid.addWidget(widget, number, column)
            row.stretch.setFixedWidth(px(STRETCH_PX))
            row.name.setMinimumWidth(px(NAME_PX))
        feet = QHBoxLayout()
        feet.addWidget(self.add)
        feet.addStretch(1)
        feet.addWidget(self.leave)
        column_box = QVBoxLayout(self)
        column_box.addWidget(self._help)
        column_box.addLayout(grid)
        column_box.addWidget(self.told)
        column_box.addStretch(1)
        column_box.addLayout(feet)

    def _act(self, action: str) -> None:
        if action == ACTION:
            self.bring_up()

    def bring_up(self) -> None:
        """Show what is chosen now."""
        kept = self._kept()
        self._texts = [text for key in SETTINGS if (text := str(kept.get(key, "")))]
        dress(self)
        self._fill()
        self.setMinimumWidth(px(WIDTH_PX))
        self.show()
        self.raise_()
        self.add.setFocus()

    def ask_for_files(self) -> None:
        """Ask for sound files; those that do not fit in are told."""
        folder = str(Path(self._texts[-1]).parent) if self._texts else ""
        paths, _ = QFileDialog.getOpenFileNames(self, "choose reference files", folder, SOUND_FILES)
        self.add_files(paths)

    def add_files(self, paths: Sequence[str]) -> None:
        """Take these files too, each once, up to five in all."""
        wanted = [ReferenceFile(path).text for path in paths]
        new = [text for text in dict.fromkeys(wanted) if text not in self._texts]
        room = MOST_REFERENCES - len(self._texts)
        self._texts += new[:room]
        self._use(f"{MOST_REFERENCES} references at most; remove one first." if len(new) > room else "")

    def _remove(self, number: int) -> None:
        del self._texts[number]
        self._use()

    def _typed(self, number: int) -> None:
        """A stretch was typed; one that cannot be is told and not used."""
        if number >= len(self._texts):
            return
        row = self.rows[number]
        try:
            start, end = stretch_of(row.stretch.text())
        except ReferenceError as error:
            self.told.setText(str(error))
            return
        text = ReferenceFile(row.file.path, start, end).text
        if text != self._texts[number]:
            self._texts[number] = text
            self._use()
        elif self.told.text():
            self._fill()

    def _use(self, sentence: str = "") -> None:
        """Put what is listed to work."""
        filled = [*self._texts, *[""] * (MOST_REFERENCES - len(self._texts))]
        self._choose(dict(zip(SETTINGS, filled, strict=True)))
        self._fill(sentence)

    def _fill(self, sentence: str = "") -> None:
        told = [sentence] if sentence else []
        for row, text in zip(self.rows, [*self._texts, *[""] * (MOST_REFERENCES - len(self._texts))], strict=True):
            for widget in row.widgets:
                widget.setVisible(bool(text))
            if text:
                told += self._show(row, text)
        self.add.setEnabled(len(self._texts) < MOST_REFERENCES)
        self.told.setText(told[0] if told else "" if self._texts else NONE_YET)
        self.told.tint("ink" if told else "soft")
        self.adjustSize()

    def _show(self, row: Row, text: str) -> list[str]:
        """Show one reference; returns what is wrong with it."""
        try:
            file, wrong = parse(text), []
        except ReferenceError as error:
            path, _, written = text.rpartition("@")
            row.show_file(ReferenceFile(path), written)
            return [str(error)]
        row.show_file(file, stretch_text(file.start, file.end) if file.chosen else "")
        if not _is_there(file.path):
            wrong.append(f"'{file.name}' is not at {Path(file.path).parent} any more; remove it or put it back.")
        return wrong

    def changeEvent(self, event: QEvent) -> None:
        """Follow a change of theme."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and self.isVisible():
            dress(self)


def _is_there(path: str) -> bool:
    try:
        return Path(path).is_file()
    except (OSError, ValueError):
        return False

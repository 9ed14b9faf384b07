"""The window in which reference files are chosen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtWidgets import QFileDialog, QWidget
from pytestqt.qtbot import QtBot

from meter.gui.engine_link import Surroundings
from meter.gui.page.layout import pages_folder
from meter.gui.source.reference_files import NONE_YET, ReferenceFiles
from meter.gui.window import Window
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, entries, frame


class Bench:
    """The dialog, with what it chose."""

    def __init__(self, qtbot: QtBot, *kept: str) -> None:
        self.settings: dict[str, Any] = {f"reference_{number}": text for number, text in enumerate(kept, start=1)}
        self.chosen: list[tuple[Sequence[str], dict[str, Any]]] = []
        self.parent = QWidget()
        qtbot.addWidget(self.parent)
        self.dialog = ReferenceFiles(self.parent, ["lane"], lambda _id: self.settings, self._choose)
        self.dialog.bring_up()

    def _choose(self, ids: Sequence[str], chosen: Any) -> None:
        self.chosen.append((ids, dict(chosen)))
        self.settings.update(chosen)

    @property
    def texts(self) -> list[str]:
        return [text for _, text in sorted(self.settings.items()) if text]

    def typed(self, number: int, text: str) -> str:
        row = self.dialog.rows[number]
        row.stretch.setText(text)
        row.stretch.editingFinished.emit()
        return self.dialog.told.text()


@pytest.fixture
def songs(tmp_path: Path) -> list[str]:
    made = [tmp_path / f"song {number}.wav" for number in range(7)]
    for path in made:
        path.write_bytes(b"x")
    return [str(path) for path in made]


def test_files_are_added_each_once_up_to_five(qtbot: QtBot, songs: list[str]) -> None:
    bench = Bench(qtbot)
    assert bench.dialog.told.text() == NONE_YET
    bench.dialog.add_files(songs[:2])
    bench.dialog.add_files(songs[1:3])
    assert bench.texts == songs[:3]
    assert bench.chosen[-1][0] == ["lane"]
    assert not bench.dialog.told.text()
    bench.dialog.add_files(songs)
    assert bench.texts == songs[:5]
    assert "5 references at most" in bench.dialog.told.text()
    assert not bench.dialog.add.isEnabled()


def test_a_stretch_is_typed_and_taken_back(qtbot: QtBot, songs: list[str]) -> None:
    bench = Bench(qtbot, songs[0])
    assert bench.typed(0, "1:10-1:40") == ""
    assert bench.texts == [f"{songs[0]}@1:10-1:40"]
    assert bench.dialog.rows[0].name.whole == "song 0.wav"
    bench.typed(0, "")
    assert bench.texts == [songs[0]]


@pytest.mark.parametrize("text", ["soon", "1:40-1:10", "1:10-1:12"])
def test_a_stretch_that_is_none_is_told_and_not_used(text: str, qtbot: QtBot, songs: list[str]) -> None:
    bench = Bench(qtbot, f"{songs[0]}@1:10-1:40")
    said = bench.typed(0, text)
    assert said.endswith(".")
    assert bench.chosen == []
    assert bench.typed(0, "1:10-1:40") == ""


def test_one_is_removed_and_the_others_move_up(qtbot: QtBot, songs: list[str]) -> None:
    bench = Bench(qtbot, *songs[:3])
    bench.dialog.rows[1].remove.click()
    assert bench.texts == [songs[0], songs[2]]
    assert bench.settings["reference_3"] == ""
    assert bench.dialog.rows[1].name.whole == "song 2.wav"
    assert bench.dialog.rows[2].name.isHidden()


def test_a_moved_file_is_one_sentence(qtbot: QtBot, songs: list[str]) -> None:
    Path(songs[1]).unlink()
    bench = Bench(qtbot, *songs[:2])
    assert "'song 1.wav' is not at" in bench.dialog.told.text()


def test_a_kept_stretch_that_is_none_is_shown_and_told(qtbot: QtBot, songs: list[str]) -> None:
    bench = Bench(qtbot, f"{songs[0]}@9-1")
    assert bench.dialog.rows[0].stretch.text() == "9-1"
    assert "9-1" in bench.dialog.told.text()


def test_the_window_asks_hands_on_and_keeps_them(
    qtbot: QtBot, songs: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(QFileDialog, "getOpenFileNames", lambda *_: (songs[:2], ""))
    link, settings = FakeLink(), Settings(source=SourceChoice("demo"), cautions_read=True)
    window = Window(link, settings, Surroundings(None, pages_folder(), meters=entries()))
    qtbot.addWidget(window)
    window.resize(1280, 800)
    window.show()
    card = window.page.card("lane")
    assert card is not None
    assert not card.face.isVisible()
    spectrum = window.page.card("spectrum")
    assert spectrum is not None
    wide = spectrum.face.width()
    window.more.action_asked.emit("references")
    assert window.references.isVisible()
    window.references.add.click()
    assert settings.meters["lane"]["reference_2"] == songs[1]
    assert ("configure", "lane") in [call[:2] for call in link.calls]
    link.now = frame(8041.0)
    window.clock.tick()
    assert card.face.isVisible()
    assert spectrum.face.width() < 0.7 * wide
    for _ in range(2):
        window.references.rows[0].remove.click()
    assert not card.face.isVisible()
    assert spectrum.face.width() == wide
    window.toggle_ears_only()
    assert not window.references.isVisible()
    window.close()

"""The meter in DEVELOPERS.md: taken from the text, checked, run on a sound, drawn."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PySide6.QtGui import QImage

from dsp.core.signals import tone
from meter.cli import main
from meter.gui.kit.theme import DARK, apply_theme
from meter.plugin.host import discover, load_object
from meter.plugin.kit import Played, check_meter
from meter.readings import FeedStatus, Frame
from tests.support.faces import pixels_like
from tests.support.handbook_meter import handbook_files, write_handbook_meter
from tests.support.wave_files import write_wave

RATE_HZ = 48_000
LOW_DBFS, HIGH_DBFS = -20.0, -26.0
MOST_LINES = {"manifest.toml": 25, "process.py": 40, "face.py": 30}


def sound(high_dbfs: float = HIGH_DBFS):
    """Tones of 100 Hz and 5 kHz: each filter leaves one of them within 0.001 dB."""
    return tone(100.0, LOW_DBFS, 4.0, RATE_HZ, 2) + tone(5000.0, high_dbfs, 4.0, RATE_HZ, 2)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_handbook_meter(tmp_path / "tilt")


def test_it_is_short() -> None:
    for file, text in handbook_files().items():
        assert len(text.splitlines()) <= MOST_LINES[file], file


def test_it_keeps_the_contract(folder: Path, qapp) -> None:
    failed = [outcome for outcome in check_meter(folder) if outcome.failed]
    assert not failed, "\n".join(map(str, failed))


def test_it_reads_the_ratio_of_two_tones_from_a_file(folder: Path, tmp_path: Path, capsys) -> None:
    """20 log10 of the ratio of two amplitudes (closed form)."""
    file = tmp_path / "tones.wav"
    write_wave(file, sound(), None, RATE_HZ)
    assert main(["measure", "--json", "--plugins", str(folder), str(file)]) == 0
    readings = json.loads(capsys.readouterr().out)
    assert readings["tilt.tilt_db"] == pytest.approx(HIGH_DBFS - LOW_DBFS, abs=0.01)


def test_its_face_shows_the_reading(folder: Path, qapp, qtbot) -> None:
    """The bar leaves the middle to the left for −6 dB of 30, and to the right for +12; the figure says so."""
    apply_theme(qapp, "dark")
    [plugin] = discover([folder], installed=False)
    face = load_object(plugin, "face:TiltFace")()
    qtbot.addWidget(face)
    face.stand_for("tilt", "Tilt")
    face.show_settings({"split_hz": 1000.0})
    face.resize(320, 160)
    face.show()
    for seconds, (high_dbfs, figure, left_px, right_px) in enumerate(
        [(HIGH_DBFS, "−6.0 dB", 29, 0), (LOW_DBFS + 12.0, "+12.0 dB", 0, 58)]
    ):
        meter = Played(plugin)
        meter.feed(sound(high_dbfs))
        meter.read()
        status = FeedStatus("a file", RATE_HZ, 2, "running", frames=RATE_HZ * (4 + seconds))
        face.show_frame(Frame(meter.layout, meter.values.copy(), status))
        assert face.fault == ""
        assert face.labels["figure"].shown == [figure]
        picture = face.grab().toImage()
        middle = picture.width() // 2
        ratio = face.devicePixelRatioF()
        sides = [picture.copy(0, 0, middle, picture.height()), picture.copy(middle, 0, middle, picture.height())]
        widths = [bar_width(side, ratio) for side in sides]
        assert widths == pytest.approx([left_px, right_px], abs=2.0)


def bar_width(picture: QImage, ratio: float) -> float:
    """Width of the blue bar, which is 16 pixels high, in pixels of the card."""
    return pixels_like(picture, DARK.measured) / (16 * ratio) / ratio

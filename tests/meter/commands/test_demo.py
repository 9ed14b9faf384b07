"""The demo without a window: what it prints in the terminal, and the file it makes unasked."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from meter.commands.demo import is_of_pairs
from meter.commands.frame_tables import headline
from meter.commands.new_file import write_new
from meter.plugin.host import discover
from meter.readings import FeedStatus, Frame, Layout, Slot

SCREENLESS = {"DISPLAY": "", "WAYLAND_DISPLAY": "", "QT_QPA_PLATFORM": ""}
PICTURE = "earwitness-demo.png"


def demo(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "meter", "demo", "--seconds", "1", *words], cwd=folder, capture_output=True,
        env={**os.environ, **SCREENLESS, "COLUMNS": "80"}, text=True, timeout=90, check=False,
    )  # fmt: skip


@pytest.mark.usefixtures("demo_music")
def test_the_picture_takes_no_file_from_anybody(tmp_path: Path) -> None:
    """A file of this name, and a link of the next one to a file elsewhere, are left as they are."""
    work, elsewhere = tmp_path / "work", tmp_path / "cover.png"
    work.mkdir()
    (work / PICTURE).write_bytes(b"our cover")
    elsewhere.write_bytes(b"their cover")
    (work / "earwitness-demo-2.png").symlink_to(elsewhere)
    done = demo(work)
    assert done.returncode == 0, done.stderr
    assert (work / PICTURE).read_bytes() == b"our cover"
    assert elsewhere.read_bytes() == b"their cover"
    assert str(work / "earwitness-demo-3.png") in done.stdout
    assert (work / "earwitness-demo-3.png").read_bytes().startswith(b"\x89PNG")


def test_a_link_that_leads_nowhere_is_taken_too(tmp_path: Path) -> None:
    (tmp_path / PICTURE).symlink_to(tmp_path / "gone.png")
    assert write_new(tmp_path / PICTURE, b"page") == tmp_path / "earwitness-demo-2.png"
    assert not (tmp_path / "gone.png").exists()


def test_a_picture_that_finds_no_room_leaves_no_piece_of_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_new(tmp_path / PICTURE, b"page")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("demo_music")
def test_one_line_for_each_face_then_the_picture_and_the_flag(tmp_path: Path) -> None:
    lines = demo(tmp_path).stdout.splitlines()
    names = [
        plugin.manifest.name
        for plugin in discover()
        if plugin.manifest is not None and plugin.manifest.on_pages and not is_of_pairs(plugin)
    ]
    for name in names:
        [line] = [line for line in lines if line.startswith(f"{name}  ")]
        assert line.rstrip().endswith(".")
    assert any(line.startswith("Loudness ") and " LUFS " in line for line in lines)
    # The sentence about the screen, the feed, and after the faces the picture and the flag.
    assert len(lines) == len(names) + 4
    assert PICTURE in lines[-2]
    assert "--all" in lines[-1]
    assert all(len(line) <= 80 for line in lines if PICTURE not in line)


@pytest.mark.usefixtures("demo_music")
def test_all_readings_on_request(tmp_path: Path) -> None:
    done = demo(tmp_path, "--headless", "--all")
    assert done.returncode == 0
    assert "loudness.momentary_max" in done.stdout
    assert "listening.feed_now" in done.stdout
    assert list(tmp_path.iterdir()) == []


def frame(*slots: Slot, values: list[float], status: FeedStatus | None = None) -> Frame:
    import numpy as np

    return Frame(Layout(slots), np.array(values), status)


def test_a_headline_is_the_summary_before_any_other_figure() -> None:
    slots = (
        Slot("m.age", "s", 0, 1, True, "since the start"),
        Slot("m.now", "dB", 1, 1, True, "now"),
        Slot("m.max", "dB", 2, 1, True, "highest", summary=True),
    )
    assert headline(frame(*slots, values=[1.0, 2.0, 3.0]), "m") == ("3.0 dB", "Highest.")
    assert headline(frame(*slots, values=[1.0, 2.0, float("nan")]), "m") == ("2.0 dB", "Now.")
    assert headline(frame(*slots, values=[1.0, float("nan"), float("-inf")]), "m") == ("–", "Silence.")


def test_a_headline_of_a_spectrum_is_its_highest_value() -> None:
    slots = (Slot("m.band_hz", "Hz", 0, 3, False), Slot("m.band", "dBFS", 3, 3, False, "each band"))
    found = headline(frame(*slots, values=[50.0, 100.0, 200.0, -30.0, -10.0, float("nan")]), "m")
    assert found == ("-10.0 dBFS", "Highest of 3 bands, at 100 Hz.")


def test_a_headline_of_a_meter_set_aside_says_why() -> None:
    slots = (Slot("m.now", "dB", 0, 1, True, "now"),)
    status = FeedStatus(quarantined={"m": "Meter “m” failed."})
    assert headline(frame(*slots, values=[1.0], status=status), "m") == ("–", "Meter “m” failed.")

"""Two windows on one settings file: each writes what it changed, and nothing of the other is lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from meter import settings as settings_file
from meter import settings_merge
from meter.settings import LOUDSPEAKERS, Calibration, MonitorState, Settings
from meter.settings_merge import LOCK_SUFFIX, SharedSettings
from meter.whole_file import ASIDE_SUFFIX

SEAT = Calibration("monitor:room.monitor", 99.0, "2026-11-24", 79.0, "C", "band")
NEWER = msgspec.structs.replace(SEAT, offset_db=93.0)
OTHER = msgspec.structs.replace(SEAT, source="monitor:hall.monitor")


class SavedState:
    """What one window holds of the file, loaded when it was opened."""

    def __init__(self, path: Path) -> None:
        self.settings, _ = settings_file.load(path)
        self.file = SharedSettings(self.settings, path)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A file with one calibration in it."""
    found = tmp_path / "settings.json"
    settings_file.save(Settings(calibrations=[SEAT], theme="dark"), found)
    return found


def on_disk(path: Path) -> Settings:
    found, said = settings_file.load(path)
    assert said == ""
    return found


def test_the_window_closed_last_does_not_bring_back_an_old_calibration(path: Path) -> None:
    first, second = SavedState(path), SavedState(path)
    first.settings.keep_calibration(NEWER)
    assert first.file.save() == ""
    second.settings.theme = "light"
    assert second.file.save() == ""
    assert on_disk(path).calibrations == [NEWER]
    assert on_disk(path).theme == "light"
    assert second.settings.calibrations == [NEWER], "the other window asks with the newer one"


def test_each_keeps_what_the_other_did_not_touch(path: Path) -> None:
    first, second = SavedState(path), SavedState(path)
    first.settings.keep_calibration(OTHER)
    first.settings.meters = {"vu": {"movement": "vu"}}
    first.settings.keep_state(MonitorState(SEAT.source, LOUDSPEAKERS, "−20"))
    first.settings.feed_maps["device desk"] = "/jobs/song.toml"
    second.settings.meters = {"vu": {"alignment_dbfs": -20.0}, "listening": {"person": "Ada"}}
    second.settings.forget_calibrations(SEAT.source, LOUDSPEAKERS)
    first.file.save()
    second.file.save()
    found = on_disk(path)
    assert found.calibrations == [OTHER]
    assert found.meters == {"vu": {"movement": "vu", "alignment_dbfs": -20.0}, "listening": {"person": "Ada"}}
    assert found.state_of(SEAT.source).setting == "−20"
    assert found.feed_maps == {"device desk": "/jobs/song.toml"}
    assert found.theme == "dark"


def test_what_is_forgotten_stays_forgotten_and_what_is_changed_twice_is_the_last(path: Path) -> None:
    first, second = SavedState(path), SavedState(path)
    first.settings.forget_calibrations(SEAT.source, LOUDSPEAKERS)
    first.file.save()
    second.file.save()
    assert on_disk(path).calibrations == []
    for offset_db in (90.0, 91.0):
        first.settings.keep_calibration(msgspec.structs.replace(SEAT, offset_db=offset_db))
        first.file.save()
    assert [entry.offset_db for entry in on_disk(path).calibrations] == [91.0]


@pytest.mark.parametrize("text", ["", "{"])
def test_a_file_that_went_or_broke_meanwhile_is_written_whole(path: Path, text: str) -> None:
    window = SavedState(path)
    path.write_text(text) if text else path.unlink()
    window.settings.theme = "light"
    said = window.file.save()
    assert ("is kept as settings.json" + ASIDE_SUFFIX in said) is bool(text)
    assert on_disk(path).calibrations == [SEAT]
    assert on_disk(path).theme == "light"


def test_a_save_that_failed_is_made_up_for_by_the_next(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    window = SavedState(path)
    window.settings.keep_calibration(NEWER)
    with monkeypatch.context() as patch:
        patch.setattr(settings_merge, "save", lambda *_: "The disk is full.")
        assert window.file.save() == "The disk is full."
    assert window.file.save() == ""
    assert on_disk(path).calibrations == [NEWER]


def test_a_lock_that_is_never_given_back_delays_and_prevents_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if sys.platform == "win32":
        pytest.skip("no such lock there")
    monkeypatch.setattr(settings_merge, "LOCK_SECONDS", 0.1)
    holds = "import fcntl, sys; file = open(sys.argv[1], 'w'); fcntl.flock(file, fcntl.LOCK_EX); "
    holds += "print('held', flush=True); sys.stdin.read()"
    lock = f"{path}{LOCK_SUFFIX}"
    with subprocess.Popen(
        [sys.executable, "-c", holds, lock], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        window = SavedState(path)
        window.settings.keep_calibration(NEWER)
        assert window.file.save() == ""
        holder.communicate()
    assert on_disk(path).calibrations == [NEWER]


WRITER = """
import sys
from pathlib import Path
from meter.settings import Calibration, load
from meter.settings_merge import SharedSettings
path, name = Path(sys.argv[1]), sys.argv[2]
settings, _ = load(path)
file = SharedSettings(settings, path)
for number in range(25):
    settings.keep_calibration(Calibration(f"monitor:{name} {number}", 99.0, "2026-11-24", 79.0, "C", "band"))
    assert file.save() == ""
"""


def test_two_processes_that_write_at_once_lose_nothing(path: Path) -> None:
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, path, name]) for name in ("a", "b")]
    assert [writer.wait(60) for writer in writers] == [0, 0]
    assert len(on_disk(path).calibrations) == 1 + 2 * 25
    assert path.with_name(path.name + LOCK_SUFFIX).stat().st_mode & 0o077 == 0

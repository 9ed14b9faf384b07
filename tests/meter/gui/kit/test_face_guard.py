"""Faces by others, as hostile as they come: the window goes on, and what cannot be stopped is left out next time."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from textwrap import dedent, indent

import numpy as np
import pytest
from PySide6.QtCore import QEvent
from PySide6.QtWidgets import QApplication, QPushButton

from meter.commands.meters import enabled_path
from meter.commands.window_meters import leave_out_faces, meter_entries
from meter.engine.forbidden_calls import ForbiddenCalls
from meter.engine.guests import Guests
from meter.gui.engine_link import Surroundings
from meter.gui.kit import face_guard
from meter.gui.kit.face_guard import GUARD
from meter.gui.kit.face_marker import PREFIX, FaceMarker, keys_of_ended_windows
from meter.gui.page.layout import pages_folder
from meter.gui.page.plain_face import PlainFace
from meter.gui.page.try_again import WORDS
from meter.gui.window import Window
from meter.instances import Instance
from meter.plugin.host import discover
from meter.readings import Layout
from meter.settings import Settings, SourceChoice
from tests.support.frames import FakeLink, all_manifests, entries, frame, status
from tests.support.plugins import write_meter


@pytest.fixture
def without_interrupts() -> Iterator[None]:
    """As in the program, which handles Ctrl-C itself."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    yield
    signal.signal(signal.SIGINT, before)


HOOKS = {
    "take": "def take(self, frame):",
    "take_words": "def take_words(self, frame):",
    "paint_moving": "def paint_moving(self, painter, region):",
    "paint_still": "def paint_still(self, painter):",
    "arrange": "def arrange(self, inside):",
    "choices": "def choices(self):",
    "resizeEvent": "def resizeEvent(self, event):",
    "paintEvent": "def paintEvent(self, event):",
    "event": "def event(self, event):",
    "show_frame": "def show_frame(self, frame):",
    "show_settings": "def show_settings(self, settings):",
    "subtitle": "@property\ndef subtitle(self):",
    "__init__": "def __init__(self):",
}
FACE = """
import os, re, sys, time
from PySide6.QtWidgets import QApplication, QPushButton
from meter.plugin.face import Choice, Face
from meter.gui.kit.label import Label

{top}

class Guest(Face):
{inside}
"""
LOOP = "while True:\n    pass"
DEAF = "while True:\n    try:\n        time.sleep(0.01)\n    except Exception:\n        pass"
CRASH = "__import__('ctypes').string_at(0)"
IN_C = "re.match('(a+)+$', 'a' * 60 + 'b')"


def guest(folder: Path, inside: str = "pass", top: str = "") -> Path:
    """A folder meter with a face whose class body is ``inside``."""
    write_meter(folder, "guest")
    manifest = folder / "manifest.toml"
    settings = '\n[[setting]]\nkey = "speed"\ndefault = "slow"\nchoices = ["slow", "quick"]\n'
    text = manifest.read_text(encoding="utf-8").replace('"process:Meter"', '"process:Meter"\nface = "face:Guest"')
    manifest.write_text(text + settings, encoding="utf-8")
    body = FACE.format(top=top, inside=indent(dedent(inside).strip(), "    "))
    (folder / "face.py").write_text(body, encoding="utf-8")
    return folder


def failing(folder: Path, where: str, body: str) -> Path:
    if where == "import":
        return guest(folder, top=body)
    return guest(folder, HOOKS[where] + "\n" + indent(body, "    "))


class Bench:
    """A window with our faces as plain tables and a guest's face."""

    def __init__(self, qtbot, folder: Path) -> None:
        self.link = FakeLink()
        theirs = tuple(entry for entry in meter_entries([folder]) if entry.foreign is not None)
        around = Surroundings(None, pages_folder(), meters=(*entries(faces=False), *theirs))
        settings = Settings(source=SourceChoice("monitor", "a.monitor", {}, "A"), cautions_read=True)
        self.window = Window(self.link, settings, around)
        self.window.resize(1280, 1100)
        qtbot.addWidget(self.window)
        self.window.show()
        qtbot.waitUntil(self.window.may_draw)
        fields = {key: item.fields for key, item in all_manifests().items()}
        fields |= {plugin.id: plugin.manifest.fields for plugin in discover([folder], installed=False)}
        self.fields = fields
        self.plan = Layout.build(fields, dict.fromkeys(fields, 2))
        self.turn(100.0)
        self.turn(101.0)

    def turn(self, seconds: float) -> None:
        self.link.now = frame(seconds, plan=self.plan, feed=status(seconds))
        self.window.clock.tick()
        QApplication.processEvents()

    @property
    def face(self):
        return self.window.page.card("guest").face

    def goes_on(self) -> bool:
        self.turn(102.0)
        return self.window.isVisible() and "LUFS" in self.window.page.card("loudness").face.value_text()


@pytest.fixture(autouse=True)
def guard(tmp_path, monkeypatch):
    monkeypatch.setattr("platformdirs.user_config_dir", lambda *_, **__: str(tmp_path / "config"))
    GUARD.use_folder(tmp_path / "config")
    yield GUARD
    GUARD.stop()


@pytest.mark.parametrize("where", ["import", *HOOKS])
def test_a_face_that_ends_the_program_is_set_aside(qtbot, tmp_path: Path, where: str) -> None:
    bench = Bench(qtbot, failing(tmp_path / "guest", where, "sys.exit(3)"))
    assert bench.goes_on()
    assert "to end the program" in bench.face.fault or "ends the program" in bench.face.fault
    bench.window.close()


ENDS = {
    "closing the window": "self.window().close()",
    "quitting": "QApplication.quit()",
    "the exit of the instance": "QApplication.instance().exit(3)",
    "its own kind of error": "raise type('Odd', (BaseException,), {})('no luck')",
    "an interrupt": "raise KeyboardInterrupt('no luck')",
    "an error without words": "raise type('Odd', (Exception,), {'__str__': lambda self: 1 / 0})()",
}


@pytest.mark.parametrize("kind", ENDS)
def test_however_a_face_tries_to_end_it_the_window_stays(
    qtbot, tmp_path: Path, kind: str, without_interrupts
) -> None:
    bench = Bench(qtbot, failing(tmp_path / "guest", "take", ENDS[kind]))
    assert bench.goes_on()
    assert bench.link.closed == 0
    assert bool(bench.face.fault) == (kind != "closing the window"), "that is only not done"
    bench.window.close()
    assert bench.link.closed == 1


def test_what_would_end_the_process_is_refused_in_the_window_too(qtbot, tmp_path: Path) -> None:
    folder = failing(tmp_path / "guest", "take", "os._exit(7)")
    forbidden = ForbiddenCalls(Guests.among(discover([folder], installed=False)))
    forbidden.install()
    try:
        bench = Bench(qtbot, folder)
        assert bench.goes_on()
        assert "it tried to end the program (os._exit)" in bench.face.fault
        bench.window.close()
    finally:
        forbidden.remove()


WRITES = """
frame.values[:] = 0.0
base = frame.values.base
while base is not None:
    base.flags.writeable = True
    base[...] = 0.0
    base = base.base
frame.findings.clear()
frame.status.quarantined["vu"] = "set aside"
"""


def test_a_face_cannot_change_what_other_faces_show(qtbot, tmp_path: Path) -> None:
    bench = Bench(qtbot, failing(tmp_path / "guest", "take", WRITES))
    shown = bench.window.page.card("loudness").face.value_text()
    before = frame(101.0, plan=bench.plan, feed=status(101.0))
    now = bench.link.now
    assert np.array_equal(now.values, before.values, equal_nan=True)
    assert (now.findings, dict(now.status.quarantined)) == (before.findings, {})
    assert bench.goes_on()
    assert "0.0 LUFS" not in shown
    bench.window.close()


@pytest.mark.parametrize("where", ["import", *HOOKS])
def test_a_face_that_throws_is_set_aside(qtbot, tmp_path: Path, where: str, capfd) -> None:
    bench = Bench(qtbot, failing(tmp_path / "guest", where, "raise OSError('no luck')"))
    assert bench.goes_on()
    assert "no luck" in bench.face.fault
    assert "Traceback" not in capfd.readouterr().err
    bench.window.close()


@pytest.mark.parametrize("body", [LOOP, DEAF], ids=["busy", "deaf to exceptions"])
@pytest.mark.parametrize("where", ["import", "__init__", "take", "paint_moving", "resizeEvent", "choices"])
def test_a_face_that_never_returns_is_interrupted(qtbot, tmp_path: Path, monkeypatch, where: str, body: str) -> None:
    monkeypatch.setattr(face_guard, "STUCK_SECONDS", 0.5)
    bench = Bench(qtbot, failing(tmp_path / "guest", where, body))
    assert bench.goes_on()
    assert "kept the window waiting" in bench.face.fault
    bench.window.close()
    assert keys_of_ended_windows(tmp_path / "config") == []


PRESSED = """
def __init__(self):
    super().__init__()
    self.button = QPushButton("go", self)
    self.button.clicked.connect(lambda: {what})
def helper(self):
    {body}
"""


@pytest.mark.parametrize("what", ["self.helper()", "self.missing", "sys.exit(3)"])
def test_a_button_of_a_face_that_throws_sets_it_aside(qtbot, tmp_path: Path, what: str, capfd) -> None:
    inside = PRESSED.format(what=what, body="sys.exit(1)")
    bench = Bench(qtbot, guest(tmp_path / "guest", inside))
    assert bench.face.fault == ""
    bench.face.findChild(QPushButton).click()
    assert bench.goes_on()
    assert "Its view failed" in bench.face.fault
    assert "Traceback" not in capfd.readouterr().err
    bench.window.close()


CAREFUL = """
def take(self, frame):
    try:
        self.helper()
    except KeyError:
        self.done = True
def helper(self):
    raise KeyError("as planned")
"""


def test_what_a_face_handles_itself_is_no_fault(qtbot, tmp_path: Path) -> None:
    bench = Bench(qtbot, guest(tmp_path / "guest", CAREFUL))
    assert bench.face.done
    assert bench.face.fault == ""
    bench.window.close()


CHOOSING = """
{identity}
def choices(self):
    return (Choice("speed", "quick", "speed", "quick"),)
"""


@pytest.mark.parametrize("identity", ["", 'meter_id = "vu"\ntitle = "Level"'], ids=["without", "that of another"])
def test_id_and_title_come_from_the_manifest(qtbot, tmp_path: Path, identity: str) -> None:
    bench = Bench(qtbot, guest(tmp_path / "guest", CHOOSING.format(identity=identity)))
    face = bench.face
    assert (face.meter_id, face.title, face.accessibleName()) == ("guest", "Meter guest", "Meter guest")
    [action] = [action for action in face.menu().actions() if action.text() == "quick"]
    action.trigger()
    assert bench.link.called("configure")[-1] == ("configure", "guest", {"speed": "quick"})
    bench.window.close()


ODD = {
    "an id that cannot be set": "meter_id = property(lambda self: 'vu')",
    "a title that throws": "title = property(lambda self: 1 / 0)",
    "no signal": "setting_chosen = None",
    "labels that are none": "def arrange(self, inside):\n    self.labels = None",
    "choices that are none": "def choices(self):\n    return 7",
    "words that are none": "def value_text(self):\n    return None",
    "a subtitle that is none": "@property\ndef subtitle(self):\n    return 3",
    "a short subtitle that is none": "short_subtitle = 3",
    "sizes that are none": "least = None\npreferred = None",
    "no way to make it": "def __init__(self, needed):\n    pass",
    "half made": "def __init__(self):\n    pass",
    "never a fault": "fault = ''",
}


@pytest.mark.parametrize("inside", ODD.values(), ids=ODD)
def test_odd_faces_cost_the_window_nothing(qtbot, tmp_path: Path, inside: str, capfd) -> None:
    bench = Bench(qtbot, guest(tmp_path / "guest", inside))
    assert bench.goes_on()
    bench.window.read_levels()
    bench.window.resize(1400, 1200)
    assert bench.goes_on()
    assert bench.window.page.card("guest").entry.meter_id == "guest"
    assert "Traceback" not in capfd.readouterr().err
    bench.window.close()


def test_a_face_cannot_set_another_meter_by_its_signal(qtbot, tmp_path: Path) -> None:
    bench = Bench(qtbot, guest(tmp_path / "guest"))
    before = bench.link.called("configure")
    bench.face.setting_chosen.emit("vu", {"alignment_dbfs": -9.0})
    assert bench.link.called("configure") == before
    assert "vu" not in bench.window._settings.meters
    bench.window.close()


# What nothing in the process can stop

ALONE = """
import os, sys
from pathlib import Path
os.environ["QT_QPA_PLATFORM"] = "offscreen"
import platformdirs
platformdirs.user_config_dir = lambda *_, **__: sys.argv[2]
import meter.app as app
class NoEngine(app.PlayedFrames):
    def __init__(self, order):
        from tests.support.frames import frame
        from types import SimpleNamespace
        super().__init__([frame()])
        self.set_aside = SimpleNamespace()
        self.meters_set_aside = dict
app.SupervisedEngine = NoEngine
from meter.audio.source import SourceRequest
application = app.make_application()
from PySide6.QtCore import QTimer
QTimer.singleShot(0, lambda: print("up", flush=True))
sys.exit(app.open_window(SourceRequest("demo"), [Path(sys.argv[1])]))
"""


def alone(folder: Path, config: Path) -> subprocess.Popen[str]:
    words = [sys.executable, "-c", ALONE, str(folder), str(config)]
    root = Path(__file__).parents[4]
    return subprocess.Popen(words, cwd=root, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def marked(config: Path) -> bool:
    return any(path.read_bytes()[:2] != b"\0\0" for path in config.glob(f"{PREFIX}*"))


def wait_for_lasting_mark(qtbot, config: Path) -> None:
    """Until a mark has stood for two seconds: on a busy machine a call that returns may take one."""
    stood = 0
    for _ in range(1200):
        stood = stood + 1 if marked(config) else 0
        if stood >= 40:
            return
        qtbot.wait(50)
    raise AssertionError("no call lasted")


@pytest.mark.parametrize("where", ["import", "paint_moving"])
@pytest.mark.parametrize("body", [IN_C, CRASH], ids=["frozen", "ended"])
def test_what_cannot_be_stopped_is_left_out_at_the_next_start(qtbot, tmp_path: Path, where: str, body: str) -> None:
    folder, config = failing(tmp_path / "guest", where, body), tmp_path / "config"
    with alone(folder, config) as window:
        if body == IN_C:
            wait_for_lasting_mark(qtbot, config)
            os.kill(window.pid, signal.SIGKILL)
        window.communicate(timeout=60)
    enabled, _ = leave_out_faces(config)
    [entry] = [entry for entry in meter_entries([folder], enabled) if entry.foreign is not None]
    assert entry.load_face is None
    assert "a window froze or ended" in entry.trouble
    assert f"earwitness plugins enable {folder}" in entry.trouble
    assert leave_out_faces(config) == (enabled, "")
    with alone(folder, config) as again:
        assert again.stdout.readline() == "up\n"
        again.terminate()
        again.communicate(timeout=60)
    assert again.returncode == 0
    assert list(config.glob(f"{PREFIX}*")) == []
    assert enabled_path().exists()


def test_marks_of_a_window_that_lives_are_left_alone(tmp_path: Path) -> None:
    marker = FaceMarker(tmp_path / "marks")
    assert [marker.register(key) for key in ("a", "b", "a")] == [1, 2, 1]
    marker.mark(2)
    assert keys_of_ended_windows(tmp_path / "marks") == []
    marker.close()
    assert list((tmp_path / "marks").iterdir()) == []


def test_a_folder_that_cannot_be_written_costs_only_the_memory_of_it(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    marker = FaceMarker(tmp_path / "file")
    marker.mark(marker.register("a"))
    assert marker.at_work == 1
    marker.close()


def test_our_faces_are_called_directly(qtbot, tmp_path: Path) -> None:
    bench = Bench(qtbot, guest(tmp_path / "guest"))
    assert type(bench.window.page.card("loudness").face).__mro__[1] is PlainFace
    assert not hasattr(bench.window.page.card("loudness").face, "broken")
    assert bench.face.broken == ""
    bench.window.close()


def test_our_own_base_of_a_face_is_not_taken_for_code_by_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter's folder may hold the whole program and the environment that runs it."""
    from types import SimpleNamespace

    from meter.plugin import face

    root = Path(face.__file__).parents[2]
    monkeypatch.setattr(GUARD, "_folders", {f"{root}/": []})
    for file, theirs in ((face.__file__, False), (str(root / "my_meter" / "face.py"), True)):
        frame = SimpleNamespace(f_code=SimpleNamespace(co_filename=file), f_back=None)
        assert bool(GUARD._folder_of(frame)) == theirs, file


OWN_READING = """
def __init__(self):
    super().__init__()
    self.labels = {"total": Label(20)}
    self.button = QPushButton("press", self)
    self.button.clicked.connect(lambda: 1 / 0)

def arrange(self, inside):
    self.labels["total"].place(inside)

def take_words(self, frame):
    self.say("total", f"total {frame.number(self.key('total')):.0f}")
"""


def test_a_face_by_others_shows_several_instances_and_a_removed_one_is_forgotten(
    qtbot, tmp_path: Path, capfd
) -> None:
    bench = Bench(qtbot, guest(tmp_path / "guest", OWN_READING))
    cards = bench.window.cards
    cards.add("guest", "mix")
    cards.add("guest", "part drums")
    further = cards.instances
    fields = bench.fields | {each.id: bench.fields["guest"] for each in further}
    plan = Layout.build(fields, dict.fromkeys(fields, 2), instances=(Instance("guest", "guest", "mix"), *further))
    given = {"guest.total": 1.0, "guest_2.total": 2.0, "guest_3.total": 3.0}
    bench.link.now = frame(110.0, given=given, plan=plan, feed=status(110.0))
    bench.window.clock.tick()
    assert [card.face.value_text() for card in bench.window.page.cards] == ["total 1", "total 2", "total 3"]
    cards.remove("guest_2")
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)
    bench.window.page.cards[0].face.button.click()
    assert "Traceback" not in capfd.readouterr().err
    assert all("ZeroDivisionError" in card.face.fault for card in bench.window.page.cards)


def again_button(bench: Bench) -> QPushButton | None:
    found = [each for each in bench.face.findChildren(QPushButton) if each.text() == WORDS and each.isVisible()]
    return found[0] if found else None


@pytest.mark.parametrize("where", ["import", "__init__", "take", "paint_moving"])
def test_a_view_that_failed_is_made_again_by_one_click_as_its_file_is_then(qtbot, tmp_path: Path, where: str) -> None:
    bench = Bench(qtbot, failing(tmp_path / "guest", where, "raise OSError('no luck')"))
    bench.turn(102.0)
    assert "no luck" in bench.face.fault
    button = again_button(bench)
    assert button is not None
    button.click()
    bench.turn(103.0)
    bench.turn(103.5)
    assert "no luck" in bench.face.fault, "the file is as it was"
    guest(tmp_path / "guest", "def value_text(self):\n    return 'corrected'")
    button = again_button(bench)
    assert button is not None
    before = bench.face.geometry()
    button.click()
    bench.turn(104.0)
    assert (bench.face.fault, bench.face.value_text()) == ("", "corrected")
    assert (bench.face.geometry(), bench.face.isVisible()) == (before, True)
    assert again_button(bench) is None
    assert bench.goes_on()
    bench.window.close()

"""Every command on a machine in trouble: it ends with a sentence and an exit code of ours, never with a traceback.

No display anywhere. No sound server, one that is stopped, a full disk (home, settings, working and temporary folder),
a full ``/dev/shm``. The full ones are small file systems of a mount namespace that only the command is in.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from dsp.core.signals import tone
from tests.live.server import ServerUnavailableError, Sink, SoundServer

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="needs Linux")

PATIENCE_SECONDS = 240.0
"""Against a hang only: a busy machine takes its time, and nothing here is a claim about speed."""
CODES = (0, 1, 2, 3)
COMMANDS = {
    "demo": ["demo", "--headless", "--seconds", "2"],
    "demo with a picture": ["demo", "--seconds", "1"],
    "measure": ["measure", "{sounds}/kick.wav"],
    "measure a folder": ["measure", "{sounds}"],
    "lowend": ["lowend", "{sounds}"],
    "compare": ["compare", "{sounds}/kick.wav", "{sounds}/kick.wav"],
    "exposure": ["exposure"],
    "devices": ["devices"],
    "plugins": ["plugins"],
    "selftest": ["selftest", "level"],
    "bench": ["bench", "--seconds", "10", "--no-processes"],
    "doctor": ["doctor"],
    "window": [],
}
CHEAP = [name for name in COMMANDS if not name.startswith(("demo", "bench"))]
WITH_SOUND = ["demo", "devices", "doctor", "window"]
"""What asks for the sound server; the others are tried with one that is stopped, which is worse than none."""
ONE_FILE = [name for name in CHEAP if name != "measure a folder"]
IN_PROCESSES = [name for name in CHEAP if name != "measure"]
NO_DISPLAY = {"DISPLAY": "", "WAYLAND_DISPLAY": "", "QT_QPA_PLATFORM": ""}


@pytest.fixture(scope="module")
def sounds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two short stems."""
    folder = tmp_path_factory.mktemp("sounds")
    for name, hertz in (("kick", 55.0), ("bass", 41.2)):
        soundfile.write(folder / f"{name}.wav", tone(hertz, -20.0, 2.0, 48_000, 2), 48_000)
    return folder


def run(words: list[str], sounds: Path, environment: dict[str, str], before: str = "") -> str:
    """Run one command, in a mount namespace of its own if something is done ``before``; all it printed."""
    line = [sys.executable, "-m", "meter", *(word.format(sounds=sounds) for word in words)]
    if before:
        line = ["unshare", "-m", "--propagation", "private", "sh", "-c", f"{before} && exec {shlex.join(line)}"]
    done = subprocess.run(
        line, env={**os.environ, **NO_DISPLAY, **environment}, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT, text=True, timeout=PATIENCE_SECONDS, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stdout
    assert "Exception ignored" not in done.stdout
    assert done.returncode in CODES, done.stdout
    assert done.stdout.strip()
    return done.stdout


@pytest.fixture
def away(tmp_path: Path, demo_music: Path) -> dict[str, str]:
    """No sound server, and folders of our own."""
    return {
        "HOME": str(tmp_path),
        "XDG_RUNTIME_DIR": str(tmp_path),
        "PULSE_SERVER": f"unix:{tmp_path}/none",
        "XDG_CACHE_HOME": str(demo_music),
        **{f"XDG_{kind}_HOME": str(tmp_path / kind.lower()) for kind in ("CONFIG", "DATA", "STATE")},
    }


@pytest.fixture(scope="module")
def may_mount() -> None:
    """Skip, with the reason, where no mount namespace can be had."""
    if shutil.which("unshare") is None:
        pytest.skip("unshare is not installed")
    probe = [
        "unshare",
        "-m",
        "--propagation",
        "private",
        "mount",
        "-t",
        "tmpfs",
        "-o",
        "size=64k",
        "none",
        "/dev/shm",
    ]
    done = subprocess.run(probe, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"a mount namespace is not permitted here ({done.stderr.strip()})")


@pytest.fixture
def stopped_server() -> Iterator[dict[str, str]]:
    """A sound server that is stopped: it takes connections and answers nothing."""
    try:
        with SoundServer(Sink("front")) as server:
            assert server._process is not None
            pid = server._process.pid
            os.kill(pid, signal.SIGSTOP)
            try:
                yield {}
            finally:
                os.kill(pid, signal.SIGCONT)
    except ServerUnavailableError as error:
        pytest.skip(str(error))


def full(folder: str) -> str:
    """Shell words that mount a small file system on ``folder`` and fill it to the last byte."""
    place = shlex.quote(folder)
    return (
        f"mount -t tmpfs -o size=64k none {place} && {{ head -c 1M /dev/zero > {place}/filled 2>/dev/null; true; }}"
    )


@pytest.mark.parametrize("name", WITH_SOUND)
def test_without_a_sound_server(name: str, sounds: Path, away: dict[str, str]) -> None:
    said = run(COMMANDS[name], sounds, away)
    if name in ("devices", "doctor"):
        assert "No sound server answers" in said
    if name == "window":
        assert "There is no display here" in said


@pytest.mark.parametrize("name", ["demo", *ONE_FILE])
def test_with_a_stopped_sound_server(
    name: str, sounds: Path, stopped_server: dict[str, str], demo_music: Path
) -> None:
    said = run(COMMANDS[name], sounds, {**stopped_server, "XDG_CACHE_HOME": str(demo_music)})
    if name in ("devices", "doctor"):
        assert "has not answered for 3 s" in said


@pytest.mark.usefixtures("may_mount")
@pytest.mark.parametrize("name", ["demo with a picture", *IN_PROCESSES])
def test_on_a_full_disk(name: str, sounds: Path, tmp_path: Path) -> None:
    place = tmp_path / "full"
    place.mkdir()
    kinds = ("CONFIG", "DATA", "STATE", "CACHE")
    environment = {
        "HOME": str(place), "TMPDIR": str(place), "PYTHONPATH": os.pathsep.join(sys.path),
        "XDG_RUNTIME_DIR": str(place), **{f"XDG_{kind}_HOME": str(place / kind.lower()) for kind in kinds},
    }  # fmt: skip
    said = run(COMMANDS[name], sounds, environment, f"{full(str(place))} && cd {shlex.quote(str(place))}")
    if name == "doctor":
        assert "is full" in said
    if name == "demo with a picture":
        assert "could not be written" in said
        assert "No space left on device" in said


@pytest.mark.usefixtures("may_mount")
@pytest.mark.parametrize("name", ["demo", *IN_PROCESSES])
def test_with_full_shared_memory(name: str, sounds: Path, away: dict[str, str]) -> None:
    said = run(COMMANDS[name], sounds, {**away, "PYTHONPATH": os.pathsep.join(sys.path)}, full("/dev/shm"))
    if name == "doctor":
        assert "missing  shared memory" in said


SHORT_BENCH = """
import sys
from meter.cli import main
from meter.commands import bench
bench.PASSES = bench.LIVE_SECONDS = bench.LOOPS_MEASURED = 1
bench.WARM_UP_LOOPS = 0
bench.CHANNEL_COUNTS = (2,)
sys.exit(main(sys.argv[1:]))
"""
"""The bench with all it does, once instead of half a minute of it: it prints at its end."""


def program(name: str) -> list[str]:
    return [sys.executable, *(["-c", SHORT_BENCH] if name == "bench" else ["-m", "meter"])]


@pytest.mark.parametrize("name", COMMANDS)
def test_into_a_full_output(name: str, sounds: Path, away: dict[str, str]) -> None:
    """Standard output is ``/dev/full``; what is said comes on standard error."""
    line = [*program(name), *(word.format(sounds=sounds) for word in COMMANDS[name])]
    with Path("/dev/full").open("w") as nowhere:
        done = subprocess.run(
            line, env={**os.environ, **NO_DISPLAY, **away}, stdin=subprocess.DEVNULL, stdout=nowhere,
            stderr=subprocess.PIPE, text=True, timeout=PATIENCE_SECONDS, check=False,
        )  # fmt: skip
    assert "Traceback" not in done.stderr
    assert done.returncode == (3 if name == "window" else 1)
    assert done.stderr.strip()

"""The shell half of the two commands: what is missing is installed, or the exact line is said with exit code 3."""

from __future__ import annotations

import subprocess
from pathlib import Path

ROOT = Path(__file__).parent.parent
MISSING_PART = 3

STRANGER = """
set -euo pipefail
. {root}/meter/setup.sh
dpkg-query() {{ case "${{@: -1}}" in libportaudio2|xvfb) return 1 ;; *) echo installed ;; esac; }}
id() {{ echo 1000; }}
command() {{ case "$*" in *sudo*) return 1 ;; *) builtin command "$@" ;; esac; }}
{words}
"""


def shell(words: str) -> subprocess.CompletedProcess[str]:
    script = STRANGER.format(root=ROOT, words=words)
    return subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False)


def test_without_root_the_exact_line_is_said() -> None:
    done = shell('need_system_packages "${RUN_PACKAGES[@]}" "${TEST_PACKAGES[@]}"; echo went on')
    assert done.returncode == MISSING_PART
    assert "went on" not in done.stdout
    assert done.stderr.strip() == (
        "Some system packages are missing. Run: sudo apt-get install -y --no-install-recommends libportaudio2 xvfb"
    )


def test_with_everything_there_nothing_is_said() -> None:
    done = shell("need_system_packages fonts-dejavu-core; echo went on")
    assert (done.returncode, done.stdout, done.stderr) == (0, "went on\n", "")


def test_root_installs_what_is_missing_and_only_that() -> None:
    done = shell('id() { echo 0; }; apt-get() { echo "apt-get $*"; }; need_system_packages libportaudio2 libgl1')
    assert done.returncode == 0
    assert "apt-get install -y --no-install-recommends libportaudio2\n" in done.stderr


def test_a_failed_installation_says_the_line() -> None:
    done = shell("id() { echo 0; }; apt-get() { return 100; }; need_system_packages libportaudio2")
    assert done.returncode == MISSING_PART
    assert "could not be installed. Run: sudo apt-get install" in done.stderr


def test_the_environment_is_left_alone_the_second_time() -> None:
    words = f"need_environment {ROOT} requirements.lock tests/requirements.lock"
    done = shell(f"{words} 2>/dev/null; {words}; echo went on")
    assert (done.returncode, done.stdout, done.stderr) == (0, "went on\n", "")

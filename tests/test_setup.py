"""The shell half of the two commands: what is missing is installed, or the exact line is said with exit code 3."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MISSING_PART = 3
INTERRUPTED = 130
INSTALL = "apt-get install -y --no-install-recommends --no-remove"

STRANGER = """
set -euo pipefail
. "{root}/meter/setup.sh"
ABSENT=" libportaudio2 xvfb "
dpkg() {{ echo amd64; }}
dpkg-query() {{
  local package
  for package in "${{@:3}}"; do [[ $ABSENT == *" $package "* ]] || printf '<%s amd64 installed>' "$package"; done
}}
id() {{ echo 1000; }}
command() {{ case "$*" in *sudo*) return 1 ;; *) builtin command "$@" ;; esac; }}
env() {{ printf '%s ' "${{@:3}}"; echo; }}
{words}
"""
AS_ROOT = "id() { echo 0; };"
WITH_SUDO = "command() { builtin command -v true; };"

PYTHON = """#!/bin/sh
# Stands for Python: makes environments of copies of itself, and notes what pip is asked.
echo "$*" >>"$NOTES"
case "$*" in
  "-m venv --clear .venv") rm -rf .venv && mkdir -p .venv/bin && cp "$0" .venv/bin/python ;;
  "-m pip install"*)
    [ ! -e "$NOTES.stop" ] || { trap '' INT; kill -INT 0; exit 1; }
    [ ! -e "$NOTES.broken" ] || { echo "ERROR: no way to the index"; exit 1; }
    ;;
esac
"""


def shell(words: str, folder: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    script = STRANGER.format(root=ROOT, words=words)
    return subprocess.run(
        ["bash", "-c", script],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        start_new_session=True,
        env=os.environ | environment,
        stdin=subprocess.DEVNULL,
    )


def test_without_root_or_sudo_the_exact_line_is_said() -> None:
    done = shell('need_system_packages "${RUN_PACKAGES[@]}" "${TEST_PACKAGES[@]}"; echo went on')
    assert done.returncode == MISSING_PART
    assert done.stdout == ""
    assert done.stderr == (
        f"Some system packages are missing. As root, run: apt-get update && {INSTALL} libportaudio2 xvfb\n"
    )


def test_where_sudo_wants_a_password_and_nobody_can_be_asked_the_exact_line_is_said() -> None:
    done = shell(f"{WITH_SUDO} sudo() {{ return 1; }}; need_system_packages libportaudio2; echo went on")
    assert done.returncode == MISSING_PART
    assert done.stdout == ""
    assert done.stderr == (
        f"Some system packages are missing. Run: sudo apt-get update && sudo {INSTALL} libportaudio2\n"
    )


def test_with_everything_there_nothing_is_said() -> None:
    done = shell("need_system_packages fonts-dejavu-core; echo went on")
    assert (done.returncode, done.stdout, done.stderr) == (0, "went on\n", "")


def test_the_package_of_a_second_architecture_does_not_count_and_does_not_disturb() -> None:
    words = "dpkg-query() { echo '<libgl1 amd64 installed><libgl1 i386 installed><libegl1 i386 installed>'; };"
    assert shell(f"{words} missing_packages libgl1 libegl1").stdout == "libegl1 "


def test_what_was_removed_is_missing_although_its_settings_stayed() -> None:
    words = "dpkg-query() { echo '<libgl1 amd64 config-files><fonts-dejavu-core all installed>'; return 1; };"
    assert shell(f"{words} missing_packages libgl1 fonts-dejavu-core").stdout == "libgl1 "


@pytest.mark.parametrize(("rights", "prefix"), [(AS_ROOT, ""), (WITH_SUDO, "sudo ")])
def test_what_is_missing_is_installed_and_only_that(rights: str, prefix: str, tmp_path: Path) -> None:
    notes = tmp_path / "notes"
    words = f'{rights} sudo() {{ [ "$1" = -n ] || {{ printf "sudo " >>{notes}; "$@"; }}; }};'
    words += f'env() {{ echo "${{@:3}}" >>{notes}; }}; need_system_packages libportaudio2 libgl1'
    done = shell(words, TMPDIR=str(tmp_path))
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == "Installing system packages: libportaudio2\n"
    fix, update, install = notes.read_text().splitlines()
    assert fix == f"{prefix}dpkg --configure -a", "what an installation that was cut off left behind"
    assert update.startswith(f"{prefix}apt-get ")
    assert update.endswith(" update")
    assert install.startswith(f"{prefix}apt-get ")
    assert install.endswith(" install -y --no-install-recommends --no-remove libportaudio2")
    assert list(tmp_path.iterdir()) == [notes], "the log of an installation that went well stays nowhere"


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ("W: Failed to fetch x  Timed out\nE: Unable to locate package libportaudio2", "Failed to fetch x Timed out"),
        ("W: http://y: an old key\nE: dpkg was interrupted", "dpkg was interrupted"),
        ("E: Unable to locate package libportaudio2", "Unable to locate package libportaudio2"),
        ("nothing of use", "apt-get gave no reason"),
    ],
)  # fmt: skip
def test_a_failed_installation_is_one_sentence_with_the_reason_and_the_line(
    said: str, reason: str, tmp_path: Path
) -> None:
    words = f"{AS_ROOT} env() {{ echo '{said}'; return 100; }}; need_system_packages libportaudio2"
    done = shell(words, TMPDIR=str(tmp_path))
    assert done.returncode == MISSING_PART
    (log,) = tmp_path.iterdir()
    assert done.stderr.splitlines()[1:] == [
        f"The system packages could not be installed ({reason}; more in {log})."
        f" Run: apt-get update && {INSTALL} libportaudio2"
    ]
    assert said in log.read_text()


@pytest.mark.parametrize(
    ("absent", "excluded"),
    [("pulseaudio", True), ("pulseaudio pipewire-audio", True), ("pulseaudio pipewire-alsa pipewire-audio", False),
     ("pipewire-alsa pipewire-audio", False)],
)  # fmt: skip
def test_the_sound_system_in_use_is_not_pushed_out_for_tests(absent: str, excluded: bool) -> None:
    done = shell(f"ABSENT=' {absent} '; pipewire_excludes_pulseaudio && echo excluded || echo welcome")
    assert done.stdout == ("excluded\n" if excluded else "welcome\n")


class Tree:
    """A tree with lock files and a stand-in for Python, in which environments are made in no time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "a tree"
        self.folder.mkdir()
        for name in ("pyproject.toml", "program.lock", "tests.lock"):
            (self.folder / name).write_text(f"{name}\n")
        self._programs = folder / "programs"
        self._programs.mkdir()
        self._notes = folder / "notes"
        self.change_python("first")

    def change_python(self, name: str) -> None:
        """What `python3` is, as a new release of the system changes it."""
        new, link = self._programs / name, self._programs / "python3"
        new.write_text(PYTHON)
        new.chmod(0o755)
        link.unlink(missing_ok=True)
        link.symlink_to(new)

    def index(self, *, there: bool) -> None:
        """Whether pip finds what it is asked for."""
        broken = self._notes.with_suffix(".broken")
        broken.unlink(missing_ok=True) if there else broken.touch()

    def set_up(self, *locks: str, words: str = "") -> tuple[subprocess.CompletedProcess[str], list[str]]:
        """Asks for the environment; returns what was said, and what Python was asked to do."""
        self._notes.unlink(missing_ok=True)
        done = shell(
            f'{words} need_environment "{self.folder}" {" ".join(locks)}; pwd',
            folder=self.folder.parent,
            PATH=f"{self._programs}:{os.environ['PATH']}",
            NOTES=str(self._notes),
            TMPDIR=str(self.folder.parent),
        )
        asked = self._notes.read_text().splitlines() if self._notes.exists() else []
        return done, [line.partition(" --")[0] for line in asked if line.startswith("-m")]


MADE, INSTALLED = "-m venv", "-m pip install"
ANEW = [MADE, INSTALLED, INSTALLED]


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def test_the_environment_is_made_once_and_the_caller_stays_in_its_folder(tree: Tree) -> None:
    done, asked = tree.set_up("program.lock")
    assert (done.returncode, asked) == (0, ANEW)
    assert done.stdout == f"{tree.folder.parent}\n"
    done, asked = tree.set_up("program.lock")
    assert (done.returncode, done.stderr, asked) == (0, "", [])


def test_the_tests_come_on_top_and_the_program_has_no_need_to_set_up_again(tree: Tree) -> None:
    tree.set_up("program.lock")
    assert tree.set_up("program.lock", "tests.lock")[1] == [INSTALLED, INSTALLED]
    assert tree.set_up("program.lock")[1] == []
    assert tree.set_up("program.lock", "tests.lock")[1] == []


def test_a_changed_lock_brings_the_environment_up_to_date(tree: Tree) -> None:
    tree.set_up("program.lock")
    (tree.folder / "program.lock").write_text("more\n")
    assert tree.set_up("program.lock")[1] == [INSTALLED, INSTALLED]


def test_a_failed_installation_is_one_sentence_and_the_next_run_begins_anew(tree: Tree) -> None:
    tree.index(there=False)
    done, _ = tree.set_up("program.lock")
    assert (done.returncode, done.stdout) == (MISSING_PART, "")
    sentence = done.stderr.splitlines()[-1]
    assert sentence.startswith("The Python packages could not be installed (no way to the index; more in ")
    assert len(done.stderr.splitlines()) == 2
    tree.index(there=True)
    done, asked = tree.set_up("program.lock")
    assert (done.returncode, asked) == (0, ANEW)


def test_an_interrupt_is_no_failure_of_the_network_and_leaves_nothing_that_counts(tree: Tree, tmp_path: Path) -> None:
    (tmp_path / "notes.stop").touch()
    done, _ = tree.set_up("program.lock")
    assert done.returncode == INTERRUPTED
    assert len(done.stderr.splitlines()) == 1
    assert not list(tmp_path.glob("earwitness-setup.*"))
    (tmp_path / "notes.stop").unlink()
    assert tree.set_up("program.lock")[1] == ANEW


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (
            "WARNING: Retrying (x) after connection broken by 'y'\nERROR: Could not find a version that satisfies z",
            "the connection to the package index failed",
        ),
        ("ERROR: Exception:\nTraceback:\nReadTimeoutError: Read timed out.", "ReadTimeoutError: Read timed out."),
        ("error: incomplete-download\n\n× Download failed (6/9 MB)\n\nhint: b", "Download failed (6/9 MB)"),
        ("WARNING: a\nERROR: No space left on device\nERROR: b", "No space left on device"),
    ],
)
def test_the_reason_is_what_tells_most_of_what_pip_said(said: str, reason: str, tmp_path: Path) -> None:
    (tmp_path / "log").write_text(said + "\n")
    done = shell(f"pip_reason {tmp_path}/log")
    assert (done.returncode, done.stdout) == (0, f"{reason}\n")


def test_an_update_that_failed_half_way_does_not_count_as_an_environment(tree: Tree) -> None:
    tree.set_up("program.lock")
    tree.index(there=False)
    assert tree.set_up("program.lock", "tests.lock")[0].returncode == MISSING_PART
    tree.index(there=True)
    assert tree.set_up("program.lock")[1] == ANEW


def test_a_half_made_environment_is_made_anew(tree: Tree) -> None:
    (tree.folder / ".venv" / "bin").mkdir(parents=True)
    shutil.copy(tree.folder.parent / "programs" / "first", tree.folder / ".venv" / "bin" / "python")
    assert tree.set_up("program.lock")[1] == ANEW


def test_a_moved_tree_gets_an_environment_of_its_own(tree: Tree) -> None:
    tree.set_up("program.lock")
    tree.folder = tree.folder.rename(tree.folder.parent / "moved")
    assert tree.set_up("program.lock")[1] == ANEW


def test_another_python_behind_the_environment_makes_it_anew(tree: Tree) -> None:
    tree.set_up("program.lock")
    inside = tree.folder / ".venv" / "bin" / "python"
    inside.unlink()
    inside.symlink_to(tree.folder.parent / "programs" / "python3")
    assert tree.set_up("program.lock")[1] == ANEW, "it was another file than now"
    inside.unlink()
    inside.symlink_to(tree.folder.parent / "gone")
    assert tree.set_up("program.lock")[1] == ANEW


def test_a_tree_that_cannot_be_written_is_one_sentence(tree: Tree) -> None:
    (tree.folder / ".venv").touch()
    words = "find_python() { echo python_that_makes_nothing; };"
    words += 'python_that_makes_nothing() { echo "Error: Permission denied"; return 1; };'
    done, _ = tree.set_up("program.lock", words=words)
    assert done.returncode == MISSING_PART
    assert done.stderr.splitlines()[1:] == [
        f"The Python environment cannot be made in {tree.folder}/.venv (Error: Permission denied);"
        " fix that, then run this again."
    ]


@pytest.mark.parametrize("script", ["meter/start.sh", "tests/run.sh"])
def test_both_commands_find_the_tree_from_anywhere_and_through_a_link(script: str, tmp_path: Path) -> None:
    folder = tmp_path / "some where" / script
    folder.parent.mkdir(parents=True)
    shutil.copy(ROOT / script, folder)
    (tmp_path / "some where" / "meter").mkdir(exist_ok=True)
    (tmp_path / "some where" / "meter" / "setup.sh").write_text('echo "$root"; exit 0\n')
    link = tmp_path / "link"
    link.symlink_to(folder)
    for way in (str(folder), str(link), f"some where/{script}"):
        done = subprocess.run(
            ["bash", way],
            capture_output=True,
            text=True,
            check=False,
            cwd=tmp_path,
            env={"CDPATH": "/", **os.environ},
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, f"{tmp_path / 'some where'}\n", "")

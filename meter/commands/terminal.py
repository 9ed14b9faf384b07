"""Output of commands: streams for every letter, consoles that cut no figure, progress bars on standard error."""

from __future__ import annotations

import io
import os
import re
import sys
from pathlib import Path
from typing import NoReturn

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn


class PlainConsole(Console):
    """A console that raises BrokenPipeError instead of ending the program."""

    def on_broken_pipe(self) -> NoReturn:
        """Re-raise the error being handled; the library would end the program with 1."""
        raise BrokenPipeError


def console(*, least_width: int = 0, highlight: bool = True, soft_wrap: bool = False) -> Console:
    """A console on standard output with a least width: a narrow terminal wraps lines but cuts no figure."""
    made = PlainConsole(highlight=highlight, soft_wrap=soft_wrap)
    made.width = max(made.width, least_width)
    return made


def progress() -> Progress:
    """A progress bar on standard error, if that is a terminal; removed at the end."""
    shown = PlainConsole(stderr=True)
    return Progress(
        TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn(),
        console=shown, transient=True, disable=not shown.is_terminal,
        # Text printed meanwhile goes through the bar's console, which is standard error: not if it goes into a file
        # or a pipe.
        redirect_stdout=sys.stdout.isatty(),
    )  # fmt: skip


def visible(text: str) -> str:
    """Return the text with line breaks, escape sequences and broken bytes escaped: file names may hold any."""
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)


def to_pass_on(text: str) -> str:
    """Return the text without the home folder ("~" for it) and the user's name in paths ("USER" for it).

    For what is made to be sent to others: the name in other words stays.
    """
    home = os.path.realpath(Path.home())
    for folder in {home, str(Path.home())} - {"/"}:
        text = re.sub(rf"(?<![\w/.~-]){re.escape(folder)}(?![\w.-])", "~", text)
    user = os.environ.get("USER") or os.environ.get("USERNAME") or Path(home).name
    return re.sub(rf"(?<=[/\\]){re.escape(user)}(?![\w.-])", "USER", text) if user else text


def open_closed_streams() -> None:
    """Replace streams that the caller closed, and make every letter writable in every encoding."""
    while (handle := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass  # a low number left free would be taken by the next file that is opened
    os.close(handle)
    sys.stdout = sys.stdout or _nowhere()
    sys.stderr = sys.stderr or _nowhere()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def drop_output() -> None:
    """Discard what is still to be written, so that the end of the program prints no error about it."""
    handle = os.open(os.devnull, os.O_WRONLY)
    os.dup2(handle, sys.stdout.fileno())
    os.close(handle)


def _nowhere() -> io.TextIOWrapper:
    return Path(os.devnull).open("w", encoding="utf-8")  # stays open as long as the program

"""Where code by others failed: the file and line of an error, and one phrase that names both."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import FrameType, TracebackType

LONGEST_REASON = 200
LONGEST_KIND = 60
_METER = Path(__file__).parents[1]
OUR_PLACES = tuple(str(place).rstrip(os.sep) + os.sep for place in (sys.prefix, _METER, _METER.with_name("dsp")))


def place_of(error: BaseException, folder: Path) -> tuple[Path, int] | None:
    """File and line of the last step within ``folder`` on the way to an error; None where there is none.

    For a SyntaxError it is the line that cannot be compiled. Causes (``raise … from``) are looked at too.
    """
    root = os.path.realpath(folder) + os.sep
    seen: set[int] = set()
    at: BaseException | None = error
    while at is not None and id(at) not in seen:
        seen.add(id(at))
        if isinstance(at, SyntaxError) and at.filename and os.path.realpath(at.filename).startswith(root):
            return Path(at.filename), at.lineno or 1
        steps = [step for step in _steps(at.__traceback__) if os.path.realpath(step[0]).startswith(root)]
        if steps:
            return Path(steps[-1][0]), steps[-1][1]
        at = at.__cause__ or at.__context__
    return None


def place_words(error: BaseException, folder: Path) -> str:
    """The same in words, ``process.py, line 12``; empty where no step is in ``folder``."""
    place = place_of(error, folder)
    return _words(*place, folder) if place is not None else ""


def place_of_frame(frame: FrameType | None, folder: Path) -> str:
    """File and line of the innermost code of ``folder`` that a thread is in, in words; empty where it is in none."""
    root = os.path.realpath(folder) + os.sep
    while frame is not None:
        if os.path.realpath(frame.f_code.co_filename).startswith(root):
            return _words(Path(frame.f_code.co_filename), frame.f_lineno, folder)
        frame = frame.f_back
    return ""


def interrupted(error: BaseException) -> bool:
    """True when it was the user who ended the program by Ctrl-C, and not code by others that raises the same.

    A process that handles Ctrl-C itself, or leaves it to another, gets no KeyboardInterrupt from the system.
    """
    return isinstance(error, KeyboardInterrupt) and signal.getsignal(signal.SIGINT) is signal.default_int_handler


def key_of_code(frame: FrameType | None, folders: Mapping[str, str]) -> str:
    """The innermost code by others on this stack, as the value of its folder in ``folders``; empty for none.

    Each folder has a separator at its end. A meter's folder may hold the environment that runs it, which is not its
    code.
    """
    while frame is not None:
        file = frame.f_code.co_filename
        for folder, key in folders.items():
            if file.startswith(folder) and not any(
                file.startswith(place) and place.startswith(folder) for place in OUR_PLACES
            ):
                return key
        frame = frame.f_back
    return ""


def folder_of(made: type) -> Path:
    """The folder of the file in which a class was written."""
    return Path(getattr(sys.modules.get(made.__module__), "__file__", None) or __file__).parent


def _words(path: Path, line: int, folder: Path) -> str:
    return f"{os.path.relpath(os.path.realpath(path), os.path.realpath(folder))}, line {line}"


def reason_of(error: BaseException, folder: Path | None = None) -> str:
    """Type, first line and place of an error, for a sentence: ``ValueError: no sound; face.py, line 3``."""
    first = first_line(error)
    told = first if len(first) <= LONGEST_REASON else f"{first[:LONGEST_REASON]}…"
    kind = type(error).__name__[:LONGEST_KIND]
    return with_place(f"{kind}: {told}" if told else kind, error, folder)


def first_line(error: BaseException) -> str:
    """The first line of an error's text without a full stop; empty where asking for it raises."""
    try:
        text = str(error.msg if isinstance(error, SyntaxError) else error)
    except BaseException:  # code by others
        return ""
    return next(iter(text.splitlines()), "").strip().rstrip(".")


def with_place(reason: str, error: BaseException, folder: Path | None) -> str:
    """A reason and where in ``folder`` the error came from, if it came from there."""
    try:
        place = place_words(error, folder) if folder is not None else ""
    except Exception:  # an error whose class replaces its causes
        place = ""
    return f"{reason}; {place}" if place else reason


def _steps(trace: TracebackType | None) -> Iterator[tuple[str, int]]:
    while trace is not None:
        yield trace.tb_frame.f_code.co_filename, trace.tb_lineno
        trace = trace.tb_next

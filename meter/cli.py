"""The command line ``earwitness``: parses it and runs one command.

Exit codes: 0 done, 1 some of it failed, 2 wrong input, 3 a part of the machine is missing, 130 stopped by Ctrl-C.
Errors are one sentence on standard error, never a traceback.
"""

from __future__ import annotations

import errno
import importlib
import os
import sys
from collections.abc import Sequence

from meter.commands.errors import CommandError

COMMANDS = {
    "window": "open the window on the last source (the default)",
    "demo": "listen to a built-in, invented ensemble: needs no sound hardware",
    "measure": "measure sound files",
    "lowend": "low end of a set of parts: owners, lowest notes, room to cut",
    "compare": "compare the sound before and after a stage: fair or not, squeeze, what it added and cost",
    "lane": "compare a mix with references: tone, width, peak to loudness and lows beside their spread",
    "tone-test": "write tones to play through a stage, or read the distortion of what came back",
    "devices": "list the sources of this machine",
    "log": "show what was measured and what happened, by day and job; export it as CSV",
    "exposure": "show listening of today and this week, as an estimate",
    "plugins": "list the meters that are found; enable, check or write one",
    "presets": "list page layouts, exposure rules and alignments; keep your own, check or copy one",
    "selftest": "run the checks against standards and closed forms on this program",
    "bench": "report the cost of meters and processes here, beside reference libraries",
    "doctor": "examine this machine; print the line that installs what is missing",
}
INTERRUPTED = 130
FAILED = 1
OTHERS = 0o077
"""Rights to a file that only its owner gets."""
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. Without ``argv``, as the program, Ctrl-C ends it silently."""
    if argv is None:
        # Imported here: a Ctrl-C while Python loads this file cannot be caught.
        from meter.commands.interrupts import end_quietly

        end_quietly()
        os.umask(OTHERS)  # of every file that this program and its children make, whatever library writes it
    # A threaded sum costs more than it saves at 10 ms, and far more when both cores are busy. Before numpy is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        return _run_whole(words)
    except CommandError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of the output closed it; at exit Python must not write either.
        _drop_output()
        return 0
    except OSError as error:
        if error.errno not in NO_ROOM:
            raise
        _drop_output()
        reason = f"{error.strerror}: {error.filename}" if error.filename else error.strerror
        print(f"It could not be written whole ({reason}); free some space or write elsewhere.", file=sys.stderr)
        return FAILED
    except Exception as error:
        if _came_of_interrupt(error):
            return INTERRUPTED
        raise


def _came_of_interrupt(error: BaseException) -> bool:
    from meter.commands.interrupts import came_of_interrupt

    return came_of_interrupt(error)


def _run_whole(words: list[str]) -> int:
    """Run and flush the output, while an error of that can still be reported."""
    import multiprocessing

    from meter.commands.terminal import open_closed_streams

    multiprocessing.freeze_support()
    open_closed_streams()
    code = _run(words)
    sys.stdout.flush()
    return code


def _drop_output() -> None:
    from meter.commands.terminal import drop_output

    drop_output()


def _run(words: list[str]) -> int:
    if words and words[0] in COMMANDS:
        return _run_command(words[0], words[1:])
    import argparse
    from importlib.metadata import version

    parser = argparse.ArgumentParser(
        prog="earwitness",
        description="A witness beside the DAW: levels, loudness, low end and listening time in fixed units.",
        epilog="\n".join(f"  {name:10} {text}" for name, text in COMMANDS.items()),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"earwitness {version('earwitness')}")
    parser.add_argument("command", nargs="?", default="window", choices=COMMANDS, metavar="command")
    arguments, rest = parser.parse_known_args(words)
    return _run_command(arguments.command, rest)


def _run_command(name: str, words: list[str]) -> int:
    """Import and run one command; the others are not imported: `measure` must not wait for the window's libraries."""
    import argparse

    module = importlib.import_module(f"meter.commands.{name.replace('-', '_')}")
    parser = argparse.ArgumentParser(prog=f"earwitness {name}", description=(module.__doc__ or "").partition("\n")[0])
    module.add_arguments(parser)
    return int(module.run(parser.parse_args(words)))


if __name__ == "__main__":
    sys.exit(main())

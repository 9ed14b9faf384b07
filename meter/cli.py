"""The command ``earwitness``: finds the command asked for and runs it.

Exit codes: 0 done, 1 some of it failed, 2 wrong input, 3 a part of the machine is missing. Errors are one
sentence on standard error, never a traceback.
"""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import os
import sys
from collections.abc import Sequence
from importlib.metadata import version

from meter.commands.errors import CommandError

COMMANDS = {
    "window": "open the window on the last source, listening (also what no command does)",
    "demo": "listen to a built-in, invented ensemble: needs no sound hardware",
    "measure": "measure sound files",
    "lowend": "say who owns the low end of a set of parts, and what may go",
    "devices": "list what can be listened to on this machine",
    "exposure": "what was listened to today and this week, as an estimate",
    "plugins": "list the meters that are found, and those refused with the reason",
    "selftest": "run the published checks on this installed program",
    "bench": "measure costs here, and speed beside reference libraries where present",
    "doctor": "say what this machine lacks, with the line that installs it",
}
INTERRUPTED = 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    multiprocessing.freeze_support()
    # A threaded sum costs more than it saves at 10 ms, and far more when both cores are busy. Before numpy is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        return _run(words)
    except CommandError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone; nothing more can be said to it, at exit neither.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _run(words: list[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="earwitness",
        description="A witness beside the DAW: levels, loudness, low end and listening time in fixed units.",
        epilog="\n".join(f"  {name:10} {text}" for name, text in COMMANDS.items()),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"earwitness {version('earwitness')}")
    parser.add_argument("command", nargs="?", default="window", choices=COMMANDS, metavar="command")
    if words and words[0] in COMMANDS:
        return _run_command(words[0], words[1:])
    arguments, rest = parser.parse_known_args(words)
    return _run_command(arguments.command, rest)


def _run_command(name: str, words: list[str]) -> int:
    """Only the command asked for is imported: `measure` must not wait for a window's libraries."""
    module = importlib.import_module(f"meter.commands.{name}")
    parser = argparse.ArgumentParser(prog=f"earwitness {name}", description=(module.__doc__ or "").partition("\n")[0])
    module.add_arguments(parser)
    return int(module.run(parser.parse_args(words)))


if __name__ == "__main__":
    sys.exit(main())

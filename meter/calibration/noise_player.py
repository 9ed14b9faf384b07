"""The program that plays calibration noise, a child of the window: ``python -m meter.calibration.noise_player``.

It plays only when it is started with ``--play``, which the window does on an explicit press. The noise begins at -50
dBFS and rises to -20 dBFS rms at most. It ends with a short fade at the word ``stop``, when the window closes the
pipe or dies, when the window says nothing for some seconds, when the output goes away, and after five minutes.

Words on standard input, a line each: ``alive`` (at least every two seconds), ``hold``, ``rise``, ``stop``. Answers on
standard output: ``meter.calibration.player_messages``. ``--list`` prints the outputs instead and ends.
"""

from __future__ import annotations

import argparse
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import IO, Protocol

import numpy as np

from meter.audio.output import SINK, LoopPlayer, list_outputs
from meter.audio.ramp import RampedLoop
from meter.audio.source import SourceError
from meter.calibration.noise import BANDS_HZ, SIDES, noise_loop
from meter.calibration.player_messages import LevelPlayed, NoiseEnded
from meter.sound_lists import Output, OutputListing, encode

TELL_SECONDS = 0.2
WINDOW_SILENT_SECONDS = 3.0
LOOK_AFTER_SECONDS = 0.5
MOST_SECONDS = 300.0
FADE_OUT_SECONDS = 0.5
"""At most so long is waited for the fade to be heard: the stream keeps about 0.1 s ahead."""

TOO_LONG = "The noise was stopped after five minutes; play it again if you still need it."
NO_WINDOW = "The noise was stopped, since the window no longer answered."
GONE = "gone"


class Player(Protocol):
    """What plays the loop; see ``LoopPlayer``."""

    def fault(self) -> str: ...
    def moved(self) -> str: ...


def main(argv: Sequence[str] | None = None) -> int:
    """List outputs, or play until told to stop; always ends with an answer on standard output."""
    arguments = _parser().parse_args(argv)
    if arguments.list:
        outputs, missing = list_outputs()
        _tell(OutputListing(tuple(outputs), tuple(missing)))
        return 0
    output = Output(arguments.kind, arguments.output, arguments.label, arguments.host_api, arguments.rate)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        sentence = play(output, arguments.noise, arguments.play, words_from(sys.stdin))
    except (SourceError, ValueError) as error:
        sentence = str(error)
    _tell(NoiseEnded(sentence))
    return 0


def play(output: Output, noise: str, side: str, words: queue.Queue[str]) -> str:
    """Play one side until it is to end; one sentence if that was not by ``stop``. Raises SourceError, ValueError."""
    loop = RampedLoop(noise_loop(noise, side, output.rate_hz).astype(np.float32), output.rate_hz)
    player = LoopPlayer(output, loop)
    player.open(output.rate_hz)
    try:
        player.start()
        sentence = attend(loop, player, words, _tell)
        loop.stop()
        _wait_for_fade(loop)
    finally:
        player.close()
    return sentence


def attend(
    loop: RampedLoop,
    player: Player,
    words: queue.Queue[str],
    tell: Callable[[LevelPlayed], None],
    now: Callable[[], float] = time.monotonic,
) -> str:
    """Obey and look after the stream until there is a reason to end; the reason, empty for ``stop``."""
    began = heard = looked = now()
    while True:
        try:
            word = words.get(timeout=TELL_SECONDS)
        except queue.Empty:
            word = ""
        at = now()
        heard = at if word else heard
        if word in ("stop", GONE):
            return "" if word == "stop" else NO_WINDOW
        if word in ("hold", "rise"):
            loop.hold(word == "hold")
        if at - heard > WINDOW_SILENT_SECONDS:
            return NO_WINDOW
        if at - began > MOST_SECONDS:
            return TOO_LONG
        reason = player.fault()
        if not reason and at - looked >= LOOK_AFTER_SECONDS:
            looked = at
            reason = player.moved()
        if reason:
            return reason
        tell(LevelPlayed(round(loop.level_dbfs, 1), loop.rising))


def words_from(stream: IO[str]) -> queue.Queue[str]:
    """Lines of ``stream`` as they come, from a thread of its own; its end is the word ``GONE``."""
    words: queue.Queue[str] = queue.Queue()

    def read() -> None:
        for line in stream:
            words.put(line.strip())
        words.put(GONE)

    threading.Thread(target=read, name="words", daemon=True).start()
    return words


def _wait_for_fade(loop: RampedLoop) -> None:
    end = time.monotonic() + FADE_OUT_SECONDS
    while not loop.finished and time.monotonic() < end:
        time.sleep(0.01)
    time.sleep(0.1)


def _tell(message: LevelPlayed | NoiseEnded | OutputListing) -> None:
    """Answer; a window that has gone is noticed by the pipe from it."""
    try:
        print(encode(message), flush=True)
    except OSError:
        return


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m meter.calibration.noise_player", description=__doc__.partition("\n")[0]
    )
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--list", action="store_true", help="print the outputs as JSON")
    what.add_argument("--play", choices=SIDES, help="which side to play")
    parser.add_argument("--noise", choices=tuple(BANDS_HZ), default="band")
    parser.add_argument("--kind", default=SINK)
    parser.add_argument("--output", default="", help="name of the output")
    parser.add_argument("--label", default="")
    parser.add_argument("--host-api", default="")
    parser.add_argument("--rate", type=int, default=48_000)
    return parser


if __name__ == "__main__":
    sys.exit(main())

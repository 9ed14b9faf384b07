"""Runs the child that plays calibration noise, and the one that lists outputs. No sound is made in this process.

It starts only by ``play``, which nothing but a press calls. It is told to stop by ``stop``, and stops by itself when
this process no longer says that it is alive.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QObject, QProcess, QTimer, Signal

from meter.calibration.player_messages import LevelPlayed, NoiseEnded, read_answer
from meter.sound_lists import Output, read_outputs

ALIVE_MS = 500
STOP_MS = 1000
LIST_MS = 8000
MOST_OUTPUTS = 200


def output_title(output: Output) -> str:
    """What the output is called on the screen."""
    name = output.label or output.name
    return f"{name}  ·  {output.host_api}" if output.host_api else name


class NoisePlayer(QObject):
    """One stretch of noise at a time. ``command`` is the child's command line; empty where there is none."""

    listed = Signal(list, list)
    """Outputs, and sentences about what is missing."""
    level_changed = Signal(float, bool)
    """Level in dBFS rms (AES17), and whether it is still rising."""
    ended = Signal(str)
    """One sentence, empty when it was told to stop."""

    def __init__(self, command: Sequence[str], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._command = list(command)
        self._process: QProcess | None = None
        self._lister: QProcess | None = None
        self._sentence = ""
        self._stopping = False
        self._alive = _timer(self, ALIVE_MS, self._say_alive)
        self._limit = _timer(self, STOP_MS, self._kill, once=True)
        self._list_limit = _timer(self, LIST_MS, self._give_up_listing, once=True)

    @property
    def usable(self) -> bool:
        """Whether there is a child to run."""
        return bool(self._command)

    @property
    def playing(self) -> bool:
        """True from the press until the child has ended."""
        return self._process is not None

    def list_outputs(self) -> None:
        """Ask what noise may be played through; plays nothing."""
        if self._lister is not None or not self._command:
            return
        process = QProcess(self)
        process.finished.connect(self._listing_finished)
        process.errorOccurred.connect(self._listing_broke)
        self._lister = process
        self._list_limit.start()
        process.start(self._command[0], [*self._command[1:], "--list"])

    def play(self, output: Output, noise: str, side: str) -> None:
        """Begin to play softly; does nothing while noise plays."""
        if self._process is not None or not self._command:
            return
        words = ["--play", side, "--noise", noise, "--kind", output.kind, "--output", output.name]
        words += ["--label", output.label, "--host-api", output.host_api, "--rate", str(output.rate_hz)]
        process = QProcess(self)
        process.readyReadStandardOutput.connect(self._hear)
        process.finished.connect(self._finished)
        process.errorOccurred.connect(self._broke)
        self._process, self._sentence, self._stopping = process, "", False
        process.start(self._command[0], [*self._command[1:], *words])
        self._alive.start()

    def hold(self, held: bool) -> None:
        """Stay at this level, or rise on."""
        self._say("hold" if held else "rise")

    def stop(self) -> None:
        """End the noise at once: told to, and killed if it does not obey."""
        if self._process is None or self._stopping:
            return
        self._stopping = True
        self._say("stop")
        self._limit.start()

    def close(self) -> None:
        """End the noise and any listing, and wait for that."""
        for process in (self._process, self._lister):
            if process is not None:
                process.closeWriteChannel()
                process.kill()
                process.waitForFinished(STOP_MS)
        self._give_up_listing()

    def _say_alive(self) -> None:
        self._say("alive")

    def _say(self, word: str) -> None:
        if self._process is not None:
            self._process.write(f"{word}\n".encode())

    def _kill(self) -> None:
        if self._process is not None:
            self._process.kill()

    def _hear(self) -> None:
        process = self._process
        while process is not None and process.canReadLine():
            match read_answer(bytes(process.readLine().data())):
                case LevelPlayed(dbfs_rms, rising) if not self._stopping:
                    self.level_changed.emit(dbfs_rms, rising)
                case NoiseEnded(sentence):
                    self._sentence = sentence

    def _finished(self, code: int, status: QProcess.ExitStatus) -> None:
        self._hear()
        if not self._stopping and not self._sentence and (code or status is QProcess.ExitStatus.CrashExit):
            self._sentence = "The program that plays the noise broke off; play the file from your DAW instead."
        self._let_go()

    def _broke(self, error: QProcess.ProcessError) -> None:
        if error is QProcess.ProcessError.FailedToStart:
            self._sentence = "The program that plays the noise did not start; play the file from your DAW instead."
            self._let_go()

    def _let_go(self) -> None:
        process, self._process = self._process, None
        self._alive.stop()
        self._limit.stop()
        if process is not None:
            process.deleteLater()
            self.ended.emit("" if self._stopping else self._sentence)

    def _listing_finished(self) -> None:
        process, self._lister = self._lister, None
        self._list_limit.stop()
        if process is None:
            return
        found = read_outputs(bytes(process.readAllStandardOutput().data()))
        process.deleteLater()
        outputs, missing = list(found.outputs[:MOST_OUTPUTS]), list(found.missing)
        if not outputs and not missing:
            missing = ["No output was found; play the files from your DAW instead."]
        self.listed.emit(outputs, missing)

    def _listing_broke(self, error: QProcess.ProcessError) -> None:
        if error is QProcess.ProcessError.FailedToStart:
            self._listing_finished()

    def _give_up_listing(self) -> None:
        if self._lister is not None:
            self._lister.kill()


def _timer(owner: NoisePlayer, interval_ms: int, call: Any, *, once: bool = False) -> QTimer:
    timer = QTimer(owner)
    timer.setInterval(interval_ms)
    timer.setSingleShot(once)
    timer.timeout.connect(call)
    return timer

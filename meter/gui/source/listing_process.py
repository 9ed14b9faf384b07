"""Runs the listing child and reads what it prints. Sound libraries live in that process, never in this one."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QObject, QProcess, QTimer, Signal

from meter.gui.source.source_list import Listing, read_listing

LIMIT_MS = 8000
"""The child's own deadlines are 3 s, side by side; on a busy machine Python takes seconds to load."""
END_MS = 1000


class SourceLister(QObject):
    """One listing at a time; a second ``start`` while one runs does nothing."""

    listed = Signal(object)
    """A ``Listing``."""
    failed = Signal(str)
    """One sentence."""

    def __init__(self, command: Sequence[str], limit_ms: int = LIMIT_MS, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._command = list(command)
        self._process: QProcess | None = None
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(limit_ms)
        self._timer.timeout.connect(self._too_long)

    @property
    def busy(self) -> bool:
        """True while the child runs."""
        return self._process is not None

    def start(self) -> None:
        """List the sources again."""
        if self._process is not None:
            return
        if not self._command:
            self.failed.emit("This window was started without a way to list sources; open a file or the demo.")
            return
        process = QProcess(self)
        process.finished.connect(self._finished)
        process.errorOccurred.connect(self._broke)
        self._process = process
        self._timer.start()
        process.start(self._command[0], self._command[1:])

    def stop(self) -> None:
        """End the child if one runs, and say nothing more about it."""
        process = self._let_go()
        if process is not None:
            _end(process)

    def _let_go(self) -> QProcess | None:
        process, self._process = self._process, None
        self._timer.stop()
        if process is not None:
            process.finished.disconnect(self._finished)
            process.errorOccurred.disconnect(self._broke)
            process.deleteLater()
        return process

    def _finished(self, code: int, _status: QProcess.ExitStatus) -> None:
        process = self._let_go()
        if process is None:
            return
        output = bytes(process.readAllStandardOutput().data())
        if code != 0 and not output:
            words = bytes(process.readAllStandardError().data()).decode("utf-8", "replace").strip().splitlines()
            self.failed.emit(f"The sources could not be listed ({words[-1] if words else f'exit {code}'}); rescan.")
            return
        try:
            listing: Listing = read_listing(output)
        except ValueError as error:
            self.failed.emit(str(error))
            return
        self.listed.emit(listing)

    def _broke(self, error: QProcess.ProcessError) -> None:
        process = self._let_go()
        if process is None:
            return
        _end(process)
        word = "could not be started" if error is QProcess.ProcessError.FailedToStart else "crashed"
        self.failed.emit(f"The program that lists sources {word}; rescan, or run “earwitness doctor”.")

    def _too_long(self) -> None:
        process = self._let_go()
        if process is None:
            return
        _end(process)
        self.failed.emit("Listing the sources took too long; a sound driver may hang. Rescan when it is back.")


def _end(process: QProcess) -> None:
    if process.state() != QProcess.ProcessState.NotRunning:
        process.kill()
        process.waitForFinished(END_MS)

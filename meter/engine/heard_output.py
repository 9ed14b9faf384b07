"""Which output is open and what of it counts, and what ends when it becomes another. No thread, no clock."""

from __future__ import annotations

from collections.abc import Sequence

from meter.audio.source import SourceInfo
from meter.engine.guard import GuardedMeter
from meter.engine.messages import CountingSuspended, OutputChanged, SourceOpened, ToWindow
from meter.engine.publisher import EngineOutput
from meter.plugin.services import CALIBRATED, CALIBRATED_FOR, CALIBRATION, holder


class HeardOutput:
    """Follows what the engine opens, and tells the window."""

    def __init__(self, meters: Sequence[GuardedMeter], output: EngineOutput) -> None:
        self._meters = meters
        self._calibrated = holder(CALIBRATION, meters)
        self._output = output
        self._info: SourceInfo | None = None
        self._sentence = self._suspended = ""

    @property
    def suspended(self) -> bool:
        """Whether nothing counts at present, such as while calibration noise plays."""
        return bool(self._suspended)

    def send(self, message: ToWindow) -> None:
        """Tell the window."""
        self._output.send(message)

    def leave(self) -> None:
        """Another source was asked for: no figure runs on from the last one."""
        self._info = None
        self._tell("")

    def begin(self) -> None:
        """The figures since R restart, under the output that is open now."""
        self._tell("")

    def follow(self, info: SourceInfo) -> None:
        """This output is open from now on; a calibration of another one ends before its first frame."""
        before, self._info = self._info, info
        self.check()
        self._output.send(SourceOpened(info.name, info.identity, info.device_channels))
        if before is None or before.identity == info.identity:
            return
        names = (before.name, info.name) if before.name != info.name else (before.identity, info.identity)
        self._tell(
            f"The output changed from '{names[0]}' to '{names[1]}'; figures since R hold both, R restarts them."
        )

    def suspend(self, reason: str) -> None:
        """Count nothing for this stated reason, such as calibration noise; an empty one ends it. [dsp]

        What sounds meanwhile is a gap to every meter but the one that is calibrated.
        """
        self._suspended = reason
        self.include()
        self._output.send(CountingSuspended(reason))

    def include(self) -> None:
        """There are further meters: what counts nothing at present is a gap to them too."""
        for meter in self._meters:
            meter.suspended = bool(self._suspended) and meter is not self._calibrated

    def check(self) -> None:
        """Take a calibration of another output out of force."""
        meter = self._calibrated
        if self._info is None or meter is None:
            return
        bound = meter.settings.get(CALIBRATED_FOR, "")
        if bound and meter.settings.get(CALIBRATED) and bound != f"{self._info.kind}:{self._info.identity}":
            meter.configure({CALIBRATED: False})

    def _tell(self, sentence: str) -> None:
        if sentence != self._sentence:
            self._sentence = sentence
            self._output.send(OutputChanged(sentence))

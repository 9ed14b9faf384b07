"""The draw clock: one timer that takes the newest snapshot and passes it to the visible faces.

Nothing is queued: a face that misses a snapshot sees the next one, and peaks are latched in the engine. Faces compute
their movement from the frames of the audio clock in the snapshot, never from ticks of this timer.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Protocol

import numpy as np
from PySide6.QtCore import QObject, Qt, QTimer, Signal

from meter.gui.engine_link import EngineLink
from meter.readings import Frame

TICK_MS = 16
POLL_SECONDS = 0.1
BUDGET_SECONDS = 0.006
"""Drawing time allowed in each frame of 16.7 ms."""

JUDGED_SECONDS = 1.0
RELIEF_SECONDS = 30.0
"""Drawing must stay under half the budget for this long before a slowed face gets its rate back."""

SLOWEST_DIVISOR = 4
STATISTICS_FRAMES = 600


class Panel(Protocol):
    """What the clock draws: the slot of one meter on the page."""

    @property
    def name(self) -> str: ...
    def can_be_seen(self) -> bool: ...
    def show_frame(self, frame: Frame) -> None: ...
    def drawing_seconds(self) -> float:
        """Seconds spent on showing and painting since the last call."""
        ...


class Pace:
    """Decides which panel skips frames, from drawing times; the caller passes the time."""

    def __init__(self, budget_seconds: float = BUDGET_SECONDS) -> None:
        self._budget = budget_seconds
        self._divisors: dict[str, int] = {}
        self._costs: dict[str, float] = {}
        self._frames: deque[float] = deque(maxlen=STATISTICS_FRAMES)
        self._judged: list[float] = []
        self._since: float | None = None
        self._light_since: float | None = None

    def due(self, name: str, tick: int) -> bool:
        """True when the panel ``name`` is to be drawn on this tick."""
        return tick % self._divisors.get(name, 1) == 0

    def slowed(self) -> dict[str, int]:
        """Panels drawn at a part of the full rate: name and divisor."""
        return dict(self._divisors)

    def add(self, costs: dict[str, float], other_seconds: float, now: float) -> str:
        """Add a drawn frame: seconds of each panel, other seconds, the time; returns a note when a rate changed."""
        total = sum(costs.values()) + other_seconds
        self._frames.append(total)
        self._judged.append(total)
        for name, cost in costs.items():
            self._costs[name] = self._costs.get(name, 0.0) + cost
        if self._since is None:
            self._since = now
        if now - self._since < JUDGED_SECONDS:
            return ""
        return self._judge(now)

    def _judge(self, now: float) -> str:
        usual = float(np.median(self._judged))  # one long stall, such as opening a menu, slows nothing
        slowest = max(
            (name for name in self._costs if self._divisors.get(name, 1) < SLOWEST_DIVISOR),
            key=lambda name: self._costs[name],
            default=None,
        )
        self._since = now
        self._judged, self._costs = [], {}
        if usual > self._budget:
            self._light_since = None
            if slowest is None:
                return ""
            self._divisors[slowest] = self._divisors.get(slowest, 1) * 2
            return f"{slowest} is drawn at 1/{self._divisors[slowest]} of the rate: drawing took too long here."
        if usual > self._budget / 2 or not self._divisors:
            self._light_since = None
            return ""
        if self._light_since is None:
            self._light_since = now
        if now - self._light_since < RELIEF_SECONDS:
            return ""
        self._light_since = None
        name, divisor = max(self._divisors.items(), key=lambda item: item[1])
        if divisor > 2:
            self._divisors[name] = divisor // 2
        else:
            del self._divisors[name]
        return f"{name} is drawn faster again."

    def statistics(self) -> dict[str, float]:
        """Drawing time of the last frames in milliseconds: median, 95th percentile and how many were counted."""
        if not self._frames:
            return {"frame_ms_p50": float("nan"), "frame_ms_p95": float("nan"), "frames": 0.0}
        median, high = np.percentile(np.array(self._frames) * 1000.0, (50.0, 95.0))
        return {"frame_ms_p50": float(median), "frame_ms_p95": float(high), "frames": float(len(self._frames))}


class DrawClock(QObject):
    """One precise timer for the whole window.

    ``panels`` returns the panels in drawing order, ``may_draw`` whether the window can be seen at all, and
    ``observe`` is called with every new snapshot, drawn or not. ``noted`` says that a panel's rate changed.
    """

    noted = Signal(str)

    def __init__(
        self,
        link: EngineLink,
        panels: Callable[[], Iterable[Panel]],
        may_draw: Callable[[], bool],
        observe: Callable[[Frame], None],
        now: Callable[[], float] = time.perf_counter,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._link = link
        self._panels = panels
        self._may_draw = may_draw
        self._observe = observe
        self._now = now
        self._busy = False
        self._tick = 0
        self._polled = float("-inf")
        self._last: Frame | None = None
        self._owed: set[str] = set()
        self._painting = 0.0
        self.pace = Pace()
        self.skipped = 0
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.setInterval(TICK_MS)
        self._timer.timeout.connect(self.tick)

    def start(self) -> None:
        """Start the timer."""
        self._timer.start()

    def stop(self) -> None:
        """Stop the timer."""
        self._timer.stop()

    def running(self) -> bool:
        """True while the timer ticks."""
        return self._timer.isActive()

    def draw_again(self) -> None:
        """Pass the last snapshot to every panel on the next tick, after the window was hidden or restyled."""
        self._owed = {panel.name for panel in self._panels()}

    def painted(self, seconds: float) -> None:
        """Add the seconds of the last paint event of the window."""
        self._painting += seconds

    def statistics(self) -> dict[str, float]:
        """Drawing times, ticks and ticks skipped because the last one still ran."""
        return {**self.pace.statistics(), "ticks": float(self._tick), "skipped": float(self.skipped)}

    def tick(self) -> None:
        """Poll the engine, take the snapshot, draw what is new."""
        if self._busy:
            self.skipped += 1
            return
        self._busy = True
        try:
            self._turn()
        finally:
            self._busy = False

    def _turn(self) -> None:
        self._tick += 1
        now = self._now()
        if now - self._polled >= POLL_SECONDS:
            self._polled = now
            self._link.poll()
        frame = self._link.take()
        if frame is None:
            return
        new = frame is not self._last
        if new:
            self._last = frame
            self._observe(frame)
        if self._may_draw():
            self._draw(frame, new, now)
        elif new:
            self._owed = {panel.name for panel in self._panels()}
            self._painting = 0.0

    def _draw(self, frame: Frame, new: bool, now: float) -> None:
        costs: dict[str, float] = {}
        for panel in self._panels():
            if new:
                self._owed.add(panel.name)
            if panel.name not in self._owed or not panel.can_be_seen() or not self.pace.due(panel.name, self._tick):
                continue
            self._owed.discard(panel.name)
            panel.show_frame(frame)
        if not new:
            return
        for panel in self._panels():
            costs[panel.name] = panel.drawing_seconds()
        other = max(0.0, self._painting - sum(costs.values()))
        self._painting = 0.0
        note = self.pace.add(costs, other, now)
        if note:
            self.noted.emit(note)

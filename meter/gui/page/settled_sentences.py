"""What the faces settled on, for the day record: a sentence when its words changed, not when only its figures did."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable

from meter.figures import LISTENING, NO_SOUND
from meter.gui.engine_link import EngineLink
from meter.gui.page.page import Card
from meter.readings import Frame

VERDICT = "verdict"
LOOK_EVERY_SECONDS, EACH_EVERY_SECONDS = 1.0, 5.0
"""How often faces are looked at, and how often one of them is recorded at most."""

MOST_LETTERS = 300
FIGURES = re.compile(r"[−+±-]?\d+(?:[.,:]\d+)*")
NOTHING = ("", LISTENING, NO_SOUND)


class SettledSentences:
    """Looks at the faces of the page. ``now`` is a clock in seconds that is not set back."""

    def __init__(self, link: EngineLink, now: Callable[[], float]) -> None:
        self._link, self._now = link, now
        self._looked_at = -math.inf
        self._told: dict[tuple[str, str], tuple[str, float]] = {}
        """The words without figures that were recorded last, and when, by meter and title."""

    def observe(self, frame: Frame, cards: Iterable[Card]) -> None:
        """Record what changed."""
        now = self._now()
        if now - self._looked_at < LOOK_EVERY_SECONDS:
            return
        self._looked_at = now
        for card in cards:
            self._look(card.entry.meter_id, card.face.title, card.settled_words[:MOST_LETTERS], frame, now)

    def _look(self, meter: str, title: str, words: str, frame: Frame, now: float) -> None:
        bare = FIGURES.sub("", words)
        before, at = self._told.get((meter, title), ("", -math.inf))
        if words in NOTHING or bare == before or now - at < EACH_EVERY_SECONDS:
            return
        self._told[meter, title] = (bare, now)
        self._link.record(VERDICT, f"{title}: {words}", frame.layout.feed_of(meter))

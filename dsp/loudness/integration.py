"""Integrated loudness, loudness range and maxima over one span of a stream, from energies of its sliding windows.

BS.1770-5 Annex 1: blocks of 400 ms overlap by 75 %. EBU Tech 3342: short-term values at 10 Hz. A span begins at a
tick of 10 ms; windows with sound from before it are not counted. Memory does not grow.
"""

from __future__ import annotations

import math

import numpy as np

from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import TICKS_PER_SECOND, FloatArray
from dsp.core.units import power_to_db
from dsp.loudness.gating import K_OFFSET_DB, LoudnessHistogram, integrated_loudness, loudness_of, loudness_range

MOMENTARY_TICKS = round(0.4 * TICKS_PER_SECOND)
SHORT_TERM_TICKS = round(3.0 * TICKS_PER_SECOND)
"""EBU Tech 3341 clause 2.2: sliding rectangular windows. 0.4 s is also the gating block of BS.1770-5 Annex 1."""

HOP_TICKS = TICKS_PER_SECOND // 10
NEWEST_BLOCKS = 20
"""Gating blocks that can be read one by one: 2 s of sound."""

MAX_LOST_SECONDS = 1.0
MAX_LOST_SHARE = 0.001
"""Lost sound that makes a span incomplete: no standard has a rule, these are our own choice."""


class Integration:
    """One span. Readings are LUFS and LU, NaN before their first window; ``measured`` and ``lost`` count frames."""

    def __init__(self) -> None:
        self._blocks = LoudnessHistogram()
        self._short_terms = LoudnessHistogram()
        self.restart(0)

    def restart(self, tick: int) -> None:
        """Forget everything; the span begins at ``tick``."""
        self._blocks.clear()
        self._short_terms.clear()
        self._blocks_seen = False
        self._integrated: float | None = None
        self._range: float | None = None
        self._momentary_max = math.nan
        self._short_term_max = math.nan
        self._newest = np.full(NEWEST_BLOCKS, np.nan)
        self.blocks_counted = 0
        """Gating blocks so far, those below the gates included; it begins at 0 where state was restored."""
        self.measured = 0
        self.lost = 0
        self.go_on_from(tick)

    def go_on_from(self, tick: int) -> None:
        """Windows with sound from before ``tick`` are not counted; the grid of blocks begins there."""
        self._origin_tick = tick

    def take(self, first: int, momentary: FloatArray, short_term: FloatArray) -> None:
        """Count what is due among window energies ``(ticks,)`` that end at ticks ``first``, ``first + 1``…"""
        blocks = momentary[max(0, self._origin_tick + MOMENTARY_TICKS - first) :]
        values = short_term[max(0, self._origin_tick + SHORT_TERM_TICKS - first) :]
        self._momentary_max = float(np.fmax.reduce(blocks, initial=self._momentary_max))
        self._short_term_max = float(np.fmax.reduce(values, initial=self._short_term_max))
        hop = (self._origin_tick - first) % HOP_TICKS
        due = blocks[(hop - (len(momentary) - len(blocks))) % HOP_TICKS :: HOP_TICKS]
        if len(due):
            known = due[~np.isnan(due)]
            self._blocks_seen = self._blocks_seen or len(known) > 0
            self._blocks.add(known)
            self._newest = np.concatenate([self._newest, known])[-NEWEST_BLOCKS:]
            self.blocks_counted += len(known)
            self._short_terms.add(values[(hop - (len(short_term) - len(values))) % HOP_TICKS :: HOP_TICKS])
            self._integrated = self._range = None

    def save_state(self) -> SavedState:
        """Counts since the span began."""
        return {
            "origin_tick": self._origin_tick,
            "blocks_seen": self._blocks_seen,
            "momentary_max": self._momentary_max,
            "short_term_max": self._short_term_max,
            "measured_frames": self.measured,
            "lost_frames": self.lost,
            **inside("blocks", self._blocks.save_state()),
            **inside("short_terms", self._short_terms.save_state()),
        }

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned."""
        self.restart(int(kept["origin_tick"]))
        self._blocks_seen = bool(kept["blocks_seen"])
        self._momentary_max = float(kept["momentary_max"])
        self._short_term_max = float(kept["short_term_max"])
        self.measured = int(kept["measured_frames"])
        self.lost = int(kept["lost_frames"])
        self._blocks.restore_state(of("blocks", kept))
        self._short_terms.restore_state(of("short_terms", kept))

    @property
    def newest_blocks(self) -> FloatArray:
        """Loudness of the newest gating blocks in LUFS, newest last, ``(20,)``; minus infinity is silence."""
        return K_OFFSET_DB + power_to_db(self._newest)

    @property
    def momentary_max(self) -> float:
        """Highest momentary loudness in LUFS, pauses left out."""
        return loudness_of(self._momentary_max)

    @property
    def short_term_max(self) -> float:
        """Highest short-term loudness in LUFS, pauses left out."""
        return loudness_of(self._short_term_max)

    @property
    def integrated(self) -> float:
        """Gated loudness in LUFS; minus infinity if all blocks lie below -70 LUFS, NaN before one."""
        if self._integrated is None:
            gated = integrated_loudness(self._blocks)
            self._integrated = -math.inf if self._blocks_seen and math.isnan(gated) else gated
        return self._integrated

    @property
    def loudness_range(self) -> float:
        """Loudness range in LU; NaN before the first 3 s above -70 LUFS. Not stable before 60 s."""
        if self._range is None:
            self._range = loudness_range(self._short_terms)
        return self._range

    def incomplete(self, rate_hz: int) -> bool:
        """True when more than 1 s, or more than 0.1 %, of the sound of the span was lost."""
        share = self.lost > MAX_LOST_SHARE * (self.lost + self.measured)
        return share or self.lost > MAX_LOST_SECONDS * rate_hz

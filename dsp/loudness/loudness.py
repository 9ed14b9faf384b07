"""Loudness by ITU-R BS.1770-5 and EBU Tech 3341, loudness range by EBU Tech 3342, of a stream.

Takes blocks ``(frames, channels)`` of any size; readings are in LUFS and LU. Momentary (0.4 s) and short-term (3 s)
loudness update every 10 ms; integrated loudness takes a 400 ms block every 100 ms, loudness range a short-term
value every 100 ms. Memory does not grow.

Lost frames: windows that hold some read NaN, blocks that touch some are left out. The filter runs on over a gap
shorter than 100 ms; after a longer one it is reset and its first 400 ms count as lost too.
"""

from __future__ import annotations

import math

import numpy as np

from dsp.core.channel_roles import POSITIONS
from dsp.core.saved_state import SavedState, inside, of
from dsp.core.types import TICKS_PER_SECOND, FloatArray, Spec, check_block
from dsp.core.units import power_to_db
from dsp.core.windows import RollingSum
from dsp.loudness.gating import K_OFFSET_DB, loudness_of
from dsp.loudness.integration import MOMENTARY_TICKS, SHORT_TERM_TICKS, Integration
from dsp.loudness.k_weighted_energies import KWeightedEnergies

MOMENTARY_SECONDS = MOMENTARY_TICKS / TICKS_PER_SECOND
SHORT_TERM_SECONDS = SHORT_TERM_TICKS / TICKS_PER_SECOND

GAP_PIECE_SECONDS = 600
"""A longer gap is accounted for in pieces of this length, to bound memory."""
LONG_GAP_SECONDS = 0.1
PRIMING_SECONDS = 0.4
"""Rules for lost frames: no standard has any, these two are our own choice."""

PART_SAMPLES = 480_000
"""Larger blocks are measured in parts of this many samples, all channels together, to bound memory."""

HISTORY_SECONDS = 300

SURROUND_WEIGHT = 1.41
"""BS.1770-5 Annex 1 Table 3 and Annex 3 Table 4: about +1.5 dB for sound from the sides."""

LFE_WEIGHT = 0.0
"""BS.1770-5 Annex 1, text: the low-frequency effects channel is left out."""


def role_weight(role: str) -> float:
    """Weight of a channel by the position of its role (BS.1770-5 Table 3 and Table 4); an unknown one weighs 1."""
    return LFE_WEIGHT if role == "LFE" else position_weight(*POSITIONS.get(role, (0.0, 0.0)))


def position_weight(azimuth_degrees: float, elevation_degrees: float = 0.0) -> float:
    """Weight of a loudspeaker position (BS.1770-5 Annex 3 Table 4); azimuth 0 is front, either direction."""
    azimuth = abs((azimuth_degrees + 180.0) % 360.0 - 180.0)
    beside = 60.0 <= azimuth <= 120.0 and abs(elevation_degrees) < 30.0
    return SURROUND_WEIGHT if beside else 1.0


class LoudnessMeter:
    """One feed's loudness. Readings are NaN before their window has filled and minus infinity for silence.

    ``weights`` overrides the channel weights that follow from the roles of ``spec``.
    """

    def __init__(self, spec: Spec, weights: tuple[float, ...] | None = None) -> None:
        chosen = weights if weights is not None else tuple(role_weight(role) for role in spec.roles)
        if len(chosen) != spec.channels:
            raise ValueError(f"{len(chosen)} weights were given for {spec.channels} channels.")
        self._spec = spec
        weighted = np.flatnonzero(chosen)
        self._weighted_columns = weighted if len(weighted) < spec.channels else None
        self._gains = np.sqrt(np.array(chosen, dtype=np.float64)[weighted])
        self._gains_are_one = bool((self._gains == 1.0).all())
        self._ticks = KWeightedEnergies(spec.rate_hz, max(1, len(weighted)))
        self._momentary_sums = RollingSum(MOMENTARY_TICKS, 1)
        self._short_term_sums = RollingSum(SHORT_TERM_TICKS, 1)
        self._since_reset = Integration()
        self._spans: tuple[Integration, ...] = (self._since_reset,)
        self._running = True
        self.reset()

    def reset(self) -> None:
        """Forget the signal; whether integration runs or is paused stays as it is."""
        self._ticks.reset()
        self._momentary_sums.reset()
        self._short_term_sums.reset()
        self._frame = 0
        self._gap_frames = 0
        self._priming_frames = 0
        self._momentary = math.nan
        self._short_term = math.nan
        self._history = np.full(HISTORY_SECONDS, np.nan)
        self._history_lufs: FloatArray | None = None
        self.restart()

    def restart(self) -> None:
        """Restart integrated loudness, range and maxima, in either state (EBU Tech 3341 clause 2.2)."""
        self._spans = (self._since_reset,)
        self._since_reset.restart(self._next_tick)

    def mark(self) -> None:
        """Restart the span ``since_mark``."""
        self._spans = (self._since_reset, Integration())
        self.since_mark.restart(self._next_tick)

    @property
    def since_mark(self) -> Integration:
        """The span since the mark; without one that since the start."""
        return self._spans[-1]

    def pause(self) -> None:
        """Pause integrated loudness, range and maxima; momentary and short-term continue."""
        self._running = False

    def resume(self) -> None:
        """Resume after a pause; windows and blocks with sound from before this moment are not counted."""
        if not self._running:
            self._running = True
            for each in self._spans:
                each.go_on_from(self._next_tick)

    def push(self, block: FloatArray) -> None:
        """Measure ``(frames, channels)``. Raises ValueError for another shape."""
        check_block(block, self._spec.channels)
        part = max(1, PART_SAMPLES // self._spec.channels)
        for start in range(0, len(block), part):
            self._push_part(block[start : start + part])

    def skip(self, frames: int) -> None:
        """Account for ``frames`` lost frames; adjacent gaps count as one."""
        if frames <= 0:
            return
        self._gap_frames += frames
        if self._gap_frames >= LONG_GAP_SECONDS * self._spec.rate_hz:
            self._ticks.restart_filter()
            self._priming_frames = round(PRIMING_SECONDS * self._spec.rate_hz)
        self._lose(frames)

    def save_state(self) -> SavedState:
        """Counts since the start and since the mark, and the history."""
        return {
            "frame": self._frame,
            "history": self._history.copy(),
            "spans": len(self._spans),
            **inside("since_reset", self._since_reset.save_state()),
            **inside("since_mark", self.since_mark.save_state()),
        }

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; the caller then skips the gap. Windows start empty."""
        self.reset()
        self._frame = int(kept["frame"])
        self._ticks.start_at(self._frame)
        self._history[:] = kept["history"]
        self._since_reset.restore_state(of("since_reset", kept))
        if kept["spans"] > 1:
            self.mark()
            self.since_mark.restore_state(of("since_mark", kept))

    @property
    def running(self) -> bool:
        """True while integrated loudness, range and maxima run."""
        return self._running

    @property
    def momentary(self) -> float:
        """Loudness of the last 0.4 s in LUFS."""
        return loudness_of(self._momentary)

    @property
    def short_term(self) -> float:
        """Loudness of the last 3 s in LUFS."""
        return loudness_of(self._short_term)

    @property
    def momentary_max(self) -> float:
        """Highest momentary loudness in LUFS since the start, pauses left out."""
        return self._since_reset.momentary_max

    @property
    def short_term_max(self) -> float:
        """Highest short-term loudness in LUFS since the start, pauses left out."""
        return self._since_reset.short_term_max

    @property
    def integrated(self) -> float:
        """Gated loudness in LUFS since the start; minus infinity if all blocks lie below -70 LUFS, NaN before one."""
        return self._since_reset.integrated

    @property
    def loudness_range(self) -> float:
        """Loudness range in LU since the start; NaN before the first 3 s above -70 LUFS. Not stable before 60 s."""
        return self._since_reset.loudness_range

    @property
    def newest_blocks(self) -> FloatArray:
        """Loudness of the newest gating blocks that integrated loudness counts, LUFS, newest last, ``(20,)``."""
        return self._since_reset.newest_blocks

    @property
    def blocks_counted(self) -> int:
        """How many gating blocks there were since the start, or since state was restored."""
        return self._since_reset.blocks_counted

    @property
    def measured_seconds(self) -> float:
        """Sound measured since the start, gaps and pauses left out."""
        return self._since_reset.measured / self._spec.rate_hz

    @property
    def measured_seconds_since_mark(self) -> float:
        """The same since the mark."""
        return self.since_mark.measured / self._spec.rate_hz

    @property
    def lost_seconds_since_mark(self) -> float:
        """Seconds of sound that were lost since the mark; what was lost in a pause is not missing."""
        return self.since_mark.lost / self._spec.rate_hz

    @property
    def incomplete(self) -> bool:
        """True when more than 1 s, or more than 0.1 %, of the sound since the start was lost."""
        return self._since_reset.incomplete(self._spec.rate_hz)

    @property
    def history(self) -> FloatArray:
        """Short-term loudness once a second in LUFS, newest last, ``(300,)``; NaN where there was none."""
        if self._history_lufs is None:
            self._history_lufs = K_OFFSET_DB + power_to_db(self._history)
        return self._history_lufs.copy()

    @property
    def _next_tick(self) -> int:
        """The next tick edge, where a span that begins now starts its grid of blocks."""
        return -(-self._frame * TICKS_PER_SECOND // self._spec.rate_hz)

    def _push_part(self, block: FloatArray) -> None:
        counted = self._counted(block)
        self._gap_frames = 0
        if self._priming_frames:
            primed = min(self._priming_frames, len(counted))
            self._priming_frames -= primed
            self._ticks.prime(counted[:primed])
            self._lose(primed)
            counted = counted[primed:]
        self._frame += len(counted)
        if self._running:
            for each in self._spans:
                each.measured += len(counted)
        self._take_ticks(self._ticks.push(counted))

    def _counted(self, block: FloatArray) -> FloatArray:
        """The channels that count, scaled so that the sum of their squares is the weighted power."""
        if not len(self._gains):
            return np.zeros((len(block), 1))
        weighted = block if self._weighted_columns is None else block[:, self._weighted_columns]
        return weighted if self._gains_are_one else weighted * self._gains

    def _lose(self, frames: int) -> None:
        self._frame += frames
        if self._running:
            for each in self._spans:
                each.lost += frames
        piece = GAP_PIECE_SECONDS * self._spec.rate_hz
        while frames > 0:
            self._take_ticks(self._ticks.skip(min(frames, piece)))
            frames -= piece

    def _take_ticks(self, sums: FloatArray) -> None:
        """Advance all windows by ticks with sums ``(ticks, 1)``."""
        if not len(sums):
            return
        rate_hz = self._spec.rate_hz
        first = self._ticks.ticks - len(sums) + 1
        momentary = self._momentary_sums.push(sums)[:, 0] / (MOMENTARY_SECONDS * rate_hz)
        short_term = self._short_term_sums.push(sums)[:, 0] / (SHORT_TERM_SECONDS * rate_hz)
        self._momentary = float(momentary[-1])
        self._short_term = float(short_term[-1])
        self._keep_history(short_term[-first % TICKS_PER_SECOND :: TICKS_PER_SECOND])
        if self._running:
            for each in self._spans:
                each.take(first, momentary, short_term)

    def _keep_history(self, energies: FloatArray) -> None:
        if len(energies):
            self._history = np.concatenate([self._history, energies])[-HISTORY_SECONDS:]
            self._history_lufs = None

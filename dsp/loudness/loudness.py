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
from dsp.loudness.gating import K_OFFSET_DB, LoudnessHistogram, integrated_loudness, loudness_of, loudness_range
from dsp.loudness.k_weighted_energies import KWeightedEnergies

MOMENTARY_SECONDS = 0.4
SHORT_TERM_SECONDS = 3.0
"""EBU Tech 3341 clause 2.2: sliding rectangular windows. 0.4 s is also the gating block of BS.1770-5 Annex 1."""

MOMENTARY_TICKS = round(MOMENTARY_SECONDS * TICKS_PER_SECOND)
SHORT_TERM_TICKS = round(SHORT_TERM_SECONDS * TICKS_PER_SECOND)
HOP_TICKS = TICKS_PER_SECOND // 10
"""BS.1770-5 Annex 1: blocks overlap by 75 %. EBU Tech 3342: short-term values at 10 Hz."""

LONG_GAP_SECONDS = 0.1
PRIMING_SECONDS = 0.4
MAX_LOST_SECONDS = 1.0
MAX_LOST_SHARE = 0.001
"""Rules for lost frames: no standard has any, these four are our own choice."""

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
        self._blocks = LoudnessHistogram()
        self._short_terms = LoudnessHistogram()
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
        self._blocks.clear()
        self._short_terms.clear()
        self._blocks_seen = False
        self._integrated: float | None = None
        self._range: float | None = None
        self._momentary_max = math.nan
        self._short_term_max = math.nan
        self._measured_frames = 0
        self._lost_frames = 0
        self._begin_here()

    def pause(self) -> None:
        """Pause integrated loudness, range and maxima; momentary and short-term continue."""
        self._running = False

    def resume(self) -> None:
        """Resume after a pause; windows and blocks with sound from before this moment are not counted."""
        if not self._running:
            self._running = True
            self._begin_here()

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
        """Counts since the start, and the history."""
        return {
            "frame": self._frame,
            "origin_tick": self._origin_tick,
            "blocks_seen": self._blocks_seen,
            "momentary_max": self._momentary_max,
            "short_term_max": self._short_term_max,
            "measured_frames": self._measured_frames,
            "lost_frames": self._lost_frames,
            "history": self._history.copy(),
            **inside("blocks", self._blocks.save_state()),
            **inside("short_terms", self._short_terms.save_state()),
        }

    def restore_state(self, kept: SavedState) -> None:
        """Continue from what ``save_state`` returned; the caller then skips the gap. Windows start empty."""
        self.reset()
        self._frame = int(kept["frame"])
        self._ticks.start_at(self._frame)
        self._origin_tick = int(kept["origin_tick"])
        self._blocks_seen = bool(kept["blocks_seen"])
        self._momentary_max = float(kept["momentary_max"])
        self._short_term_max = float(kept["short_term_max"])
        self._measured_frames = int(kept["measured_frames"])
        self._lost_frames = int(kept["lost_frames"])
        self._history[:] = kept["history"]
        self._blocks.restore_state(of("blocks", kept))
        self._short_terms.restore_state(of("short_terms", kept))

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
        return loudness_of(self._momentary_max)

    @property
    def short_term_max(self) -> float:
        """Highest short-term loudness in LUFS since the start, pauses left out."""
        return loudness_of(self._short_term_max)

    @property
    def integrated(self) -> float:
        """Gated loudness in LUFS since the start; minus infinity if all blocks lie below -70 LUFS, NaN before one."""
        if self._integrated is None:
            gated = integrated_loudness(self._blocks)
            self._integrated = -math.inf if self._blocks_seen and math.isnan(gated) else gated
        return self._integrated

    @property
    def loudness_range(self) -> float:
        """Loudness range in LU since the start; NaN before the first 3 s above -70 LUFS. Not stable before 60 s."""
        if self._range is None:
            self._range = loudness_range(self._short_terms)
        return self._range

    @property
    def measured_seconds(self) -> float:
        """Sound measured since the start, gaps and pauses left out."""
        return self._measured_frames / self._spec.rate_hz

    @property
    def incomplete(self) -> bool:
        """True when more than 1 s, or more than 0.1 %, of the sound since the start was lost."""
        lost = self._lost_frames
        share = lost > MAX_LOST_SHARE * (lost + self._measured_frames)
        return share or lost > MAX_LOST_SECONDS * self._spec.rate_hz

    @property
    def history(self) -> FloatArray:
        """Short-term loudness once a second in LUFS, newest last, ``(300,)``; NaN where there was none."""
        if self._history_lufs is None:
            self._history_lufs = K_OFFSET_DB + power_to_db(self._history)
        return self._history_lufs.copy()

    def _begin_here(self) -> None:
        """Start the grid of blocks at the next tick edge."""
        self._origin_tick = -(-self._frame * TICKS_PER_SECOND // self._spec.rate_hz)

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
            self._measured_frames += len(counted)
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
            self._lost_frames += frames
        self._take_ticks(self._ticks.skip(frames))

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
            self._integrate(first, momentary, short_term)

    def _integrate(self, first: int, momentary: FloatArray, short_term: FloatArray) -> None:
        """Count the due blocks among window energies that end at ticks ``first``, ``first + 1``…"""
        blocks = momentary[max(0, self._origin_tick + MOMENTARY_TICKS - first) :]
        values = short_term[max(0, self._origin_tick + SHORT_TERM_TICKS - first) :]
        self._momentary_max = float(np.fmax.reduce(blocks, initial=self._momentary_max))
        self._short_term_max = float(np.fmax.reduce(values, initial=self._short_term_max))
        hop = (self._origin_tick - first) % HOP_TICKS
        due = blocks[(hop - (len(momentary) - len(blocks))) % HOP_TICKS :: HOP_TICKS]
        if len(due):
            self._blocks_seen = self._blocks_seen or not np.isnan(due).all()
            self._blocks.add(due)
            self._short_terms.add(values[(hop - (len(short_term) - len(values))) % HOP_TICKS :: HOP_TICKS])
            self._integrated = self._range = None

    def _keep_history(self, energies: FloatArray) -> None:
        if len(energies):
            self._history = np.concatenate([self._history, energies])[-HISTORY_SECONDS:]
            self._history_lufs = None

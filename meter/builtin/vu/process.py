"""Level re a chosen alignment, with the ballistics of a volume indicator or of a peak programme meter.

Readings are dB re the alignment: a sine whose peak amplitude equals the alignment reads 0 with any ballistics. These
are IEC 60268-17 (VU) and IEC 60268-10 types I and II; see ``dsp.level.ballistics``.

"Usual loud" and "usual quiet" are the 90th and 10th percentile, over the last 10 s, of what the louder channel
reached within each tick of 10 ms (common practice, no source). Ticks below -60 dBFS, and those 20 dB under what was
loud, are left out, so that neither rests nor the noise after the music count as playing; what was loud falls by
0.5 dB a second (our own choice), so a long quiet passage counts in the end. These figures change every 100 ms. Since
the mark they are percentiles of all ticks, to 0.1 dB. At lost frames the reading holds, the ticks they touch are left
out, and the maximum stays.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from dsp.core.saved_state import inside, of
from dsp.core.types import TICKS_PER_SECOND, check_block
from dsp.core.units import amplitude_to_db, db_to_amplitude
from dsp.core.windows import TickMaxima
from dsp.level.ballistics import Movement, PeakProgramme, VolumeIndicator
from dsp.level.level_histogram import LevelHistogram
from meter.plugin.api import FloatArray, Readout, SavedState, Settings, Spec

MOVEMENTS: dict[str, Callable[[int, int], Movement]] = {
    "vu": VolumeIndicator,
    "ppm_1": PeakProgramme.type_1,
    "ppm_2": PeakProgramme.type_2,
}
"""By setting; the order gives the reading ``movement``."""

USUAL_TICKS = 10 * TICKS_PER_SECOND
USUAL_NEEDS_TICKS = 3 * TICKS_PER_SECOND
USUAL_STEP_TICKS = TICKS_PER_SECOND // 10
USUAL_SHARES = np.array([0.10, 0.90])
GATE = db_to_amplitude(-60.0)
SOUNDS_WITHIN_DB = 20.0
LOUD_FALLS_DB_PER_TICK = 0.5 / TICKS_PER_SECOND

LONGEST_GAP_SECONDS = 60
"""Of a longer gap only the first second and the last minute go through tick by tick."""
FALL_TICKS = 6 * TICKS_PER_SECOND // 10
UNTIL_IT_RISES = -1
"""After a mark a VU pointer gets twice its 0.3 s (IEC 60268-17) to fall; a peak pointer falls until it rises."""

CHUNK_FRAMES = 65_536
"""A longer block is processed in pieces of this size."""


class Vu:
    """Processor of the meter ``vu``."""

    def __init__(self) -> None:
        self._alignment_dbfs = -18.0
        self._movement_name = "vu"
        self._spec: Spec | None = None

    def configure(self, settings: Settings) -> None:
        """A new alignment applies at once, also to the maximum; other ballistics reset the meter."""
        self._alignment_dbfs = float(settings["alignment_dbfs"])
        name = str(settings["movement"])
        changed, self._movement_name = name != self._movement_name, name
        if changed and self._spec is not None:
            self.prepare(self._spec)

    def prepare(self, spec: Spec) -> None:
        self._spec = spec
        self._channels = spec.channels
        self._movement = MOVEMENTS[self._movement_name](spec.rate_hz, spec.channels)
        self._reached = TickMaxima(spec.rate_hz, spec.channels)
        self._peaks = TickMaxima(spec.rate_hz, spec.channels)
        self.reset()

    def reset(self) -> None:
        self._movement.reset()
        self._reached.reset()
        self._peaks.reset()
        self._frames = 0
        self._highest = 0.0
        self.mark()
        self._waits_ticks = 0
        # One step more than the window, so that a window ending at the last step is still whole.
        self._history = np.full((USUAL_TICKS + USUAL_STEP_TICKS, 3), np.nan)
        self._loud_db = -math.inf
        self._silent_ticks = math.nan
        self._usual_at = -1
        self._usual_db = (math.nan, math.nan, math.nan)

    def mark(self) -> None:
        """Restart the figures since the mark; they leave out how the pointer falls from what came before."""
        self._highest_marked = math.nan
        self._levels_marked = LevelHistogram()
        self._waits_ticks = FALL_TICKS if self._movement_name == "vu" else UNTIL_IT_RISES
        self._last_reached = math.inf

    def process(self, block: FloatArray) -> None:
        check_block(block, self._channels)
        for start in range(0, len(block), CHUNK_FRAMES):
            chunk = block[start : start + CHUNK_FRAMES]
            curve = self._movement.process(chunk)
            self._highest = max(self._highest, float(curve.max()))
            self._remember(self._reached.push(curve), self._peaks.push(np.abs(chunk)))
        self._frames += len(block)

    def skip(self, frames: int) -> None:
        rate_hz = self._reached.rate_hz
        leap = frames // rate_hz - LONGEST_GAP_SECONDS
        if leap > 0:  # the window holds no more than its end
            self._lose(rate_hz)
            self._leap(leap - 1)
            frames -= leap * rate_hz
        self._lose(frames)

    def _lose(self, frames: int) -> None:
        self._remember(self._reached.skip(frames), self._peaks.skip(frames))

    def _leap(self, seconds: int) -> None:
        """Account for whole seconds within a gap at once."""
        ticks = seconds * TICKS_PER_SECOND
        for each in (self._reached, self._peaks):
            each.leap(seconds)
        self._silent_ticks += ticks
        self._loud_db -= LOUD_FALLS_DB_PER_TICK * ticks
        if self._waits_ticks != UNTIL_IT_RISES:
            self._waits_ticks = max(0, self._waits_ticks - ticks)

    def read(self, out: Readout) -> None:
        out["now"] = self._over_alignment(self._movement.now) if self._frames else math.nan
        out["max"] = self._over_alignment(self._highest) if self._frames else math.nan
        usual_low, usual, peak = self._usual_figures()
        out["usual"] = usual - self._alignment_dbfs
        out["usual_low"] = usual_low - self._alignment_dbfs
        out["peak_over"] = peak - usual
        out["age"] = self._silent_ticks / TICKS_PER_SECOND
        out["alignment"] = self._alignment_dbfs
        out["movement"] = list(MOVEMENTS).index(self._movement_name)
        self._read_since_mark(out)

    def _read_since_mark(self, out: Readout) -> None:
        marked = self._levels_marked
        known = marked.count >= USUAL_NEEDS_TICKS
        low, high = (marked.percentile(share) if known else math.nan for share in USUAL_SHARES)
        out["max_mark"] = self._over_alignment(self._highest_marked)
        out["usual_mark"], out["usual_low_mark"] = high - self._alignment_dbfs, low - self._alignment_dbfs

    def save_state(self) -> SavedState:
        """The maximum since reset, the figures since the mark, and with which ballistics."""
        return {
            "movement": list(MOVEMENTS).index(self._movement_name),
            "heard": self._frames > 0,
            "highest": self._highest,
            "waits_ticks": self._waits_ticks,
            "loud_db": self._loud_db,
            "highest_marked": self._highest_marked,
            **inside("levels", self._levels_marked.save_state()),
        }

    def restore_state(self, kept: SavedState) -> None:
        """Restore from ``save_state``, unless the ballistics differ."""
        if kept["movement"] == list(MOVEMENTS).index(self._movement_name):
            self._frames = int(kept["heard"])
            self._highest = float(kept["highest"])
            self._waits_ticks = int(kept["waits_ticks"])
            self._loud_db = float(kept["loud_db"])
            self._highest_marked = float(kept["highest_marked"])
            self._levels_marked.restore_state(of("levels", kept))

    def _over_alignment(self, deflection: float | FloatArray) -> float | FloatArray:
        return amplitude_to_db(deflection) - self._alignment_dbfs

    def _remember(self, reached: FloatArray, peaks: FloatArray) -> None:
        """Store the louder channel's figures of the ticks that just ended, indexed by tick number."""
        if not len(reached):
            return
        numbers = np.arange(self._reached.ticks - len(reached), self._reached.ticks)[-len(self._history) :]
        louder = np.stack([reached.max(axis=1), peaks.max(axis=1)], axis=1)
        sounds = self._sounding(louder[:, 0])
        self._remember_since_mark(louder[:, 0], sounds)
        self._history[numbers % len(self._history)] = np.column_stack([louder, sounds])[-len(numbers) :]

    def _sounding(self, reached: FloatArray) -> NDArray[np.bool_]:
        """Which ticks ``(n,)`` count as playing."""
        level_db = amplitude_to_db(np.nan_to_num(reached))
        falls = LOUD_FALLS_DB_PER_TICK * np.arange(1, len(reached) + 1)
        loud_db = np.maximum.accumulate(np.append(self._loud_db, level_db + falls))[1:] - falls
        self._loud_db = float(loud_db[-1])
        sounds: NDArray[np.bool_] = (reached > GATE) & (level_db > loud_db - SOUNDS_WITHIN_DB)
        last = np.flatnonzero(sounds)
        self._silent_ticks = float(len(sounds) - 1 - last[-1]) if len(last) else self._silent_ticks + len(sounds)
        return sounds

    def _remember_since_mark(self, reached: FloatArray, sounds: NDArray[np.bool_]) -> None:
        """Count ticks ``(n,)`` from where the pointer stands for sound since the mark."""
        if self._waits_ticks == UNTIL_IT_RISES:
            rises = np.flatnonzero(reached > np.concatenate([[self._last_reached], reached[:-1]]))
            self._last_reached = float(reached[-1])
            left_out = int(rises[0]) if len(rises) else len(reached)
            self._waits_ticks = 0 if len(rises) else UNTIL_IT_RISES
        else:
            left_out = min(self._waits_ticks, len(reached))
            self._waits_ticks -= left_out
        counted = reached[left_out:]
        self._levels_marked.add(counted[sounds[left_out:]])
        self._highest_marked = float(np.fmax.reduce(counted, initial=self._highest_marked))

    def _usual_figures(self) -> tuple[float, float, float]:
        """Usual low, usual loud and sample peak in dBFS, at the last step; NaN until 3 s were heard."""
        step = self._reached.ticks // USUAL_STEP_TICKS
        if step != self._usual_at:
            self._usual_at = step
            low, usual, peak = (amplitude_to_db(figure) for figure in self._figures_at(step * USUAL_STEP_TICKS))
            self._usual_db = low, usual, peak
        return self._usual_db

    def _figures_at(self, end_tick: int) -> tuple[float, float, float]:
        """The same three figures as amplitudes."""
        window = self._history[np.arange(end_tick - USUAL_TICKS, end_tick) % len(self._history)]
        window = window[~np.isnan(window[:, 0])]
        heard = window[window[:, 2] > 0.0, 0]
        if len(heard) < USUAL_NEEDS_TICKS:
            return math.nan, math.nan, math.nan
        # The same as np.percentile, at a fifth of its cost.
        low, high = np.interp(USUAL_SHARES * (len(heard) - 1), np.arange(len(heard)), np.sort(heard))
        return float(low), float(high), float(window[:, 1].max())

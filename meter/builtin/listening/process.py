"""Estimated listening level and share of an exposure allowance, from the feed and one calibration.

Level of the feed: the A-weighted power of all its channels added up, re a full-scale sine (AES17), over 1 s. The sum
of powers is right for uncorrelated channels, so a calibration made one loudspeaker at a time holds for both together:
two loudspeakers that read 82 dB each read 85 dB. With identical channels the level at the seat may be up to 3 dB
higher than this estimate. For headphones calibrated with both sides playing, the sum is the same; calibrated one
side at a time, it reads up to 3 dB more than each ear gets.

Seat: level of the feed plus the offset of the calibration, the same for A and C. Without a calibration every field of
the seat is NaN, including what was counted before it was withdrawn. Averages and the share come from A-weighted
energy levels of 1 s, each with the offset of that second. A rule with a threshold is defined for a slow detector;
levels of 1 s approximate it. When the rule changes, the whole sitting is counted again under the new rule.

Peak: highest magnitude of the C-weighted samples (IEC 61672-1, 5.13), of any channel or of their sum, because direct
sound from loudspeakers at equal distance adds up. The true peak may lie between samples: this does not check a limit.

Only measured time counts: lost frames add nothing to time, share or averages. An average needs half of its span.
The signal is filtered in steps of 100 ms, and readings change with them. Everything here is an estimate.
"""

from __future__ import annotations

import math

import numpy as np

from dsp.core.types import TICKS_PER_SECOND, check_block, tick_edge
from dsp.core.units import SINE_RMS_OFFSET_DB, amplitude_to_db, db_to_amplitude, db_to_power, power_to_db
from dsp.exposure.exposure import Rule, hours_left_range
from dsp.exposure.frequency_weighting import WeightingFilter
from dsp.exposure.time_at_level import LevelTime
from meter.plugin.api import FloatArray, Readout, Settings, Spec

STEP_TICKS = TICKS_PER_SECOND // 10
STEPS_PER_SECOND = 10
MINUTE_SECONDS = 60
QUARTER_HOUR_SECONDS = 15 * MINUTE_SECONDS
SECONDS_PER_HOUR = 3600.0

LEAST_MEASURED_SHARE = 0.5
"""Share of an average's span that must be measured under a calibration."""

SHORT_GAP_SECONDS = 0.1
"""Filters keep their state over a shorter gap and are reset by a longer one."""

SEAT_KEYS = (
    "seat_now", "seat_second", "seat_minute", "seat_quarter_hour", "peak_c", "peak_second", "share", "time_left_low",
    "time_left_high",
)  # fmt: skip
LEDGER_KEYS = ("share_today", "share_week", "since_break", "creep", "notice")
"""From the exposure record: with one, the engine fills these in and overwrites ``share`` and the time left."""


class Listening:
    """Processor of the meter ``listening``."""

    def __init__(self) -> None:
        self._calibrated = False
        self._offset_db = self._doubt_db = 0.0
        self._rule = Rule("", 75.0, 40.0)

    def configure(self, settings: Settings) -> None:
        self._calibrated = bool(settings["calibrated"])
        self._offset_db = float(settings["offset_db"])
        self._doubt_db = float(settings["doubt_db"])
        self._rule = Rule(
            str(settings["rule"]),
            float(settings["criterion_db"]),
            float(settings["criterion_hours"]),
            str(settings["period"]),
            exchange_db=float(settings["exchange_db"]),
            threshold_db=float(settings["threshold_db"]),
        )
        self._share: float | None = None

    def prepare(self, spec: Spec) -> None:
        self._rate_hz = spec.rate_hz
        self._channels = spec.channels
        self._a_filter = WeightingFilter("A", spec.rate_hz, spec.channels)
        self._c_filter = WeightingFilter("C", spec.rate_hz, spec.channels)
        self._waiting = np.empty((tick_edge(STEP_TICKS, spec.rate_hz) + 1, spec.channels))
        self._begin()

    def reset(self) -> None:
        """Do nothing: R resets figures of the sound, not of listening."""

    def _begin(self) -> None:
        self._a_filter.reset()
        self._c_filter.reset()
        self._clock = 0
        self._step = 0
        self._held = 0
        self._measured_frames = 0
        self._step_energy = np.zeros((2, self._channels))
        self._step_is_whole = True
        # Per step: energy under A and under C of each channel.
        self._recent = np.full((STEPS_PER_SECOND, 2, self._channels), np.nan)
        self._second_energy = 0.0
        self._second_frames = 0
        # Per second of the clock: power times time at the seat, and the time that was measured under a calibration.
        self._seconds = np.zeros((QUARTER_HOUR_SECONDS, 2))
        self._averages = (math.nan, math.nan)
        self._averages_at = -1
        self._ledger = LevelTime()
        self._peak = self._second_peak = math.nan
        self._last_second = (math.nan, math.nan)
        self._feed: tuple[float, FloatArray] | None = None
        self._share = None

    def process(self, block: FloatArray) -> None:
        check_block(block, self._channels)
        self._measured_frames += len(block)
        start = 0
        while start < len(block):
            stop = min(len(block), start + self._frames_to_step_end())
            self._take(block[start:stop])
            start = stop

    def skip(self, frames: int) -> None:
        if frames <= 0:
            return
        self._measure_held()
        if frames > SHORT_GAP_SECONDS * self._rate_hz:
            self._a_filter.reset()
            self._c_filter.reset()
        while frames > 0:
            frames -= self._leap(frames)
            lost = min(frames, self._frames_to_step_end())
            frames -= lost
            self._clock += lost
            self._step_is_whole = False
            self._end_step_if_due()

    def _leap(self, frames: int) -> int:
        """Leave out whole seconds of a gap that is longer than what is remembered; returns their frames.

        Only from the beginning of a second on; what is remembered is forgotten step by step in the rest of the gap.
        """
        seconds = frames // self._rate_hz - QUARTER_HOUR_SECONDS - 1
        if seconds <= 0 or self._clock % self._rate_hz:
            return 0
        self._clock += seconds * self._rate_hz
        self._step += seconds * STEPS_PER_SECOND
        return seconds * self._rate_hz

    def read(self, out: Readout) -> None:
        if self._feed is None:
            self._feed = self._feed_now(), self._feed_each()
        feed_now, (each, each_c) = self._feed
        out["feed_now"] = feed_now
        out["feed_each"], out["feed_each_c"] = each, each_c
        out["calibrated"] = float(self._calibrated)
        out["doubt"] = self._doubt_db if self._calibrated else math.nan
        out["time_listened"] = self._measured_frames / self._rate_hz / SECONDS_PER_HOUR
        out["seconds"] = float(self._step // STEPS_PER_SECOND)
        for key in LEDGER_KEYS:
            out[key] = math.nan
        if not self._calibrated:
            for key in SEAT_KEYS:
                out[key] = math.nan
            return
        minute, quarter_hour = self._seat_averages()
        share = self._sitting_share()
        out["seat_now"] = feed_now + self._offset_db
        out["seat_second"], out["peak_second"] = self._last_second
        out["seat_minute"] = minute
        out["seat_quarter_hour"] = quarter_hour
        out["peak_c"] = amplitude_to_db(self._peak)
        out["share"] = share
        low, high = hours_left_range(share, minute, self._doubt_db, self._rule)
        out["time_left_low"], out["time_left_high"] = low, high

    def _frames_to_step_end(self) -> int:
        return tick_edge((self._step + 1) * STEP_TICKS, self._rate_hz) - self._clock

    def _take(self, piece: FloatArray) -> None:
        """Buffer frames of one step; they are measured when the step ends."""
        self._waiting[self._held : self._held + len(piece)] = piece
        self._held += len(piece)
        self._clock += len(piece)
        self._end_step_if_due()

    def _measure_held(self) -> None:
        if not self._held:
            return
        frames = self._waiting[: self._held]
        for row, weighted in enumerate((self._a_filter.process(frames), self._c_filter.process(frames))):
            self._step_energy[row] += np.einsum("nc,nc->c", weighted, weighted)
        self._second_frames += self._held
        self._note_peak(weighted)
        self._held = 0

    def _note_peak(self, weighted: FloatArray) -> None:
        if not self._calibrated:
            return
        highest = max(float(np.abs(weighted).max()), float(np.abs(weighted @ np.ones(self._channels)).max()))
        # The offset belongs to sine-referenced RMS, 3.01 dB below the peak of the sine.
        at_seat = highest * db_to_amplitude(self._offset_db + SINE_RMS_OFFSET_DB)
        self._peak = at_seat if math.isnan(self._peak) else max(self._peak, at_seat)
        self._second_peak = at_seat if math.isnan(self._second_peak) else max(self._second_peak, at_seat)

    def _end_step_if_due(self) -> None:
        if self._frames_to_step_end() > 0:
            return
        self._measure_held()
        self._recent[self._step % STEPS_PER_SECOND] = self._step_energy if self._step_is_whole else math.nan
        self._second_energy += float(self._step_energy[0].sum())
        self._step_energy[:] = 0.0
        self._step_is_whole = True
        self._step += 1
        self._feed = None
        if self._step % STEPS_PER_SECOND == 0:
            self._end_second()

    def _end_second(self) -> None:
        seconds = self._second_frames / self._rate_hz if self._calibrated else 0.0
        power = 0.0
        if seconds:
            power = self._second_energy / self._second_frames * db_to_power(self._offset_db + SINE_RMS_OFFSET_DB)
            self._ledger.add(power, seconds / SECONDS_PER_HOUR)
            self._share = None
        known = seconds >= LEAST_MEASURED_SHARE
        self._last_second = (
            (power_to_db(power), amplitude_to_db(self._second_peak)) if known else (math.nan, math.nan)
        )
        self._second_peak = math.nan
        self._seconds[(self._step // STEPS_PER_SECOND - 1) % QUARTER_HOUR_SECONDS] = power * seconds, seconds
        self._second_energy = 0.0
        self._second_frames = 0

    def _feed_now(self) -> float:
        """Level of the last second in dBFS(A); NaN until one second without a gap."""
        return power_to_db(float(self._recent[:, 0].sum()) / self._rate_hz) + SINE_RMS_OFFSET_DB

    def _feed_each(self) -> FloatArray:
        """The same for each channel, A-weighted and C-weighted, ``(2, channels)``."""
        return np.asarray(power_to_db(self._recent.sum(axis=0) / self._rate_hz) + SINE_RMS_OFFSET_DB)

    def _seat_averages(self) -> tuple[float, float]:
        """Levels of the last minute and the last 15 minutes, up to the last whole second."""
        ended = self._step // STEPS_PER_SECOND
        if ended != self._averages_at:
            self._averages_at = ended
            self._averages = self._average(ended, MINUTE_SECONDS), self._average(ended, QUARTER_HOUR_SECONDS)
        return self._averages

    def _average(self, ended: int, seconds: int) -> float:
        """Energy average over the measured part of the last seconds; NaN if less than half was measured."""
        energy, measured = self._seconds[np.arange(ended - seconds, ended) % QUARTER_HOUR_SECONDS].sum(axis=0)
        return power_to_db(float(energy / measured)) if measured >= LEAST_MEASURED_SHARE * seconds else math.nan

    def _sitting_share(self) -> float:
        if self._share is None:
            self._share = self._ledger.share_percent(self._rule)
        return self._share

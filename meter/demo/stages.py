"""The stages of the scenario: a gentle bus compressor and a colour stage, loops without a seam."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from dsp.core.scipy_signal import butter, lfilter
from meter.demo.partials import Sound, gain
from meter.demo.parts import RATE_HZ
from meter.demo.room import Feed

STEP_FRAMES = RATE_HZ // 1000
DETECTOR_STEPS = 24
"""Two cycles of the low drum: the gain follows the level, not the wave."""
FULL_SCALE_DB = 10.0 * float(np.log10(2.0))

THRESHOLD_DBFS, RATIO = -27.0, 2.0
ATTACK_SECONDS, RECOVERY_SECONDS = 0.015, 0.12
MAKE_UP_DB = 3.0
DELAY_FRAMES = 137

LIFT_DB, LIFT_HZ = 4.0, 120.0
DRIVE = 1.0
OUTPUT_DB = -0.1


def bus_gain_db(bus: Feed) -> Sound:
    """Gain of the compressor without make-up, dB, for each step of a millisecond of ``(frames, 1)``."""
    power = (bus[:, 0].astype(np.float64) ** 2).reshape(-1, STEP_FRAMES).mean(axis=1)
    level_db = 10.0 * np.log10(uniform_filter1d(power, DETECTOR_STEPS, mode="wrap") + 1e-12) + FULL_SCALE_DB
    wanted = np.minimum(0.0, (THRESHOLD_DBFS - level_db) * (1.0 - 1.0 / RATIO))
    fall, rise = (float(np.exp(-0.001 / seconds)) for seconds in (ATTACK_SECONDS, RECOVERY_SECONDS))
    found: Sound = np.empty_like(wanted)
    now = 0.0
    for _ in range(2):  # the second round begins where the first ended
        for step, target in enumerate(wanted.tolist()):
            keep = fall if target < now else rise
            now = keep * now + (1.0 - keep) * target
            found[step] = now
    return found


def bus_compressor(bus: Feed) -> Feed:
    """The bus ``(frames, 1)`` behind the compressor, with make-up, and late."""
    points = gain(MAKE_UP_DB) * 10.0 ** (bus_gain_db(bus) / 20.0)
    slope = np.roll(points, -1) - points
    along = np.arange(STEP_FRAMES) / STEP_FRAMES
    after = np.empty_like(bus)
    for start in range(0, len(points), RATE_HZ):  # in pieces, to save memory
        here = slice(start, min(start + RATE_HZ, len(points)))
        factors = (points[here, None] + slope[here, None] * along).reshape(-1, 1)
        place = slice(here.start * STEP_FRAMES, here.stop * STEP_FRAMES)
        after[place] = bus[place] * factors
    return np.asarray(np.roll(after, DELAY_FRAMES, axis=0))


def colour_stage(mix: Feed) -> Feed:
    """The mix ``(frames, 2)`` with lifted lows and a soft curve."""
    after = np.empty_like(mix)
    for side in range(mix.shape[1]):
        sound = mix[:, side].astype(np.float64)
        lifted = sound + (gain(LIFT_DB) - 1.0) * _lows(sound)
        after[:, side] = gain(OUTPUT_DB) * np.tanh(DRIVE * lifted) / DRIVE
    return after


def _lows(sound: Sound) -> Sound:
    """First-order low-pass, with the state that the end of the loop leaves to its start."""
    b, a = butter(1, LIFT_HZ, fs=RATE_HZ)
    _, state = lfilter(b, a, sound[-RATE_HZ:], zi=np.zeros(1))
    lows, _ = lfilter(b, a, sound, zi=state)
    return np.asarray(lows)

"""The test noise for a calibration, as a sound file that the user plays through the DAW's own path."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from dsp.signals import pink_noise
from dsp.units import SINE_RMS_OFFSET_DB

LEVEL_DBFS_RMS = -20.0
"""Referred to a full-scale sine (AES17), so 23.01 dB below an rms of 1.0. SMPTE RP 200:2012 as restated in notes."""
BANDS_HZ = {"band": (500.0, 2000.0), "wide": (20.0, 20_000.0)}
"""500 Hz to 2 kHz: EBU Tech 3343 (2016), 8.2; its level is another. Wide: the whole range of hearing."""
RATE_HZ = 48_000
SECONDS = 60
FADE_SECONDS = 3.0
"""Starts softly, so that a control left too high is noticed before it hurts."""
SEED = 1770


def write_noise(path: Path, kind: str) -> str:
    """Write one minute of ``"band"`` or ``"wide"`` pink noise; an empty string, or one sentence why not."""
    level_db = LEVEL_DBFS_RMS - SINE_RMS_OFFSET_DB
    noise = pink_noise(np.random.default_rng(SEED), level_db, SECONDS, RATE_HZ, band_hz=BANDS_HZ[kind])
    noise[: int(FADE_SECONDS * RATE_HZ)] *= np.linspace(0.0, 1.0, int(FADE_SECONDS * RATE_HZ))[:, None]
    try:
        soundfile.write(path, np.repeat(noise, 2, axis=1), RATE_HZ, subtype="PCM_24")
    except (OSError, RuntimeError) as error:  # soundfile's own error is a RuntimeError
        return f"The noise could not be written to {path} ({error}); choose another folder."
    return ""

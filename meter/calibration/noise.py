"""The noise for a calibration: a seamless loop for each loudspeaker, and sound files for the DAW's own path.

Left and right are unrelated, so that both together read 3.0 dB more than one (two equal powers). Each channel is at
-20 dBFS rms where a full-scale sine reads 0 (AES17), which is -23.0 dB where an rms of 1.0 reads 0; over a whole loop
that is exact. The level is that of SMPTE RP 200:2012 as restated in public notes; 500 Hz to 2 kHz is the band of EBU
Tech 3343 (2016), 8.2, whose own level is another.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from dsp.core.signals import pink_noise
from dsp.core.types import FloatArray
from dsp.core.units import SINE_RMS_OFFSET_DB
from meter.calibration.noise_levels import CAP_DBFS_RMS

LEVEL_DBFS_RMS = CAP_DBFS_RMS
BANDS_HZ = {"band": (500.0, 2000.0), "wide": (20.0, 20_000.0)}
BAND_WORDS = {"band": "500-2000-hz", "wide": "20-20000-hz"}
SIDES = ("left", "right", "both")
RATE_HZ = 48_000
LOOP_SECONDS = 20
LOOPS_IN_FILE = 3
FADE_SECONDS = 3.0
"""A file starts softly, so that a control left too high is noticed before it hurts."""
SEED = 1770


def noise_loop(kind: str, side: str, rate_hz: int = RATE_HZ) -> FloatArray:
    """``(frames, 2)`` of ``"band"`` or ``"wide"`` pink noise on one side or both, to be played round and round.

    Made by an inverse Fourier transform, so its end leads into its beginning.
    """
    level_db = LEVEL_DBFS_RMS - SINE_RMS_OFFSET_DB
    loop = np.zeros((LOOP_SECONDS * rate_hz, 2))
    for column, name in enumerate(("left", "right")):
        if side in (name, "both"):
            rng = np.random.default_rng(SEED + column)
            loop[:, column] = pink_noise(rng, level_db, LOOP_SECONDS, rate_hz, band_hz=BANDS_HZ[kind])[:, 0]
    return loop


def file_name(kind: str, side: str) -> str:
    """``calibration-noise-500-2000-hz-left.wav``."""
    return f"calibration-noise-{BAND_WORDS[kind]}-{side}.wav"


def write_noise(folder: Path, kind: str) -> str:
    """Write one minute of the noise for each of ``SIDES``; an empty string, or one sentence why not."""
    both = noise_loop(kind, "both")
    fade = np.ones((LOOPS_IN_FILE * len(both), 1))
    faded = int(FADE_SECONDS * RATE_HZ)
    fade[:faded, 0] = np.linspace(0.0, 1.0, faded)
    for side in SIDES:
        sounding = [side in ("left", "both"), side in ("right", "both")]
        path = folder / file_name(kind, side)
        try:
            with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as file:
                file.title = f"Calibration noise {BAND_WORDS[kind]}, {side}"
                file.comment = (
                    f"{LEVEL_DBFS_RMS:g} dBFS rms per channel, full-scale sine = 0 (AES17); "
                    f"{LEVEL_DBFS_RMS - SINE_RMS_OFFSET_DB:.1f} dB re an rms of 1.0"
                )
                file.write(np.tile(both * sounding, (LOOPS_IN_FILE, 1)) * fade)
        except (OSError, RuntimeError) as error:  # soundfile's own error is a RuntimeError
            return f"The noise could not be written to {path} ({error}); choose another folder."
    return ""

"""The tone test as files: written, and read when it came back through a stage; its findings in plain values."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import soundfile

from dsp.core.types import FloatArray
from dsp.stage.distortion import (
    LEAST_DISTORTION,
    Harmonics,
    Intermodulation,
    read_tones,
    tone_test_signal,
    where_it_begins,
)
from meter.audio.file import open_blocks
from meter.stage.findings import NAN

CAUTION = "Turn the monitors down before you play it: steady tones up to −12 dBFS, for half a minute."
MOST_SECONDS = 600
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


class ToneTestError(Exception):
    """A file without a tone test; the text is one sentence that names it and the fix."""


class ToneFindings(msgspec.Struct, frozen=True):
    """One tone: ``harmonics_db`` 2 to 7 re the fundamental; ``growth_db_per_db`` is that of THD to the next level up.

    Levels in dBFS peak as sent, THD (THD_F) in percent. NaN where the level above is missing or nothing came back.
    """

    hz: int
    level_dbfs: float
    gain_db: float
    thd_percent: float
    harmonics_db: tuple[float, ...]
    odd_over_even_db: float
    growth_db_per_db: float = NAN


class ToneTestFindings(msgspec.Struct, frozen=True):
    """Tones by frequency and level, and intermodulation in percent by level."""

    tones: tuple[ToneFindings, ...]
    intermodulation: tuple[tuple[float, float], ...]


def tone_test_file(rate_hz: int) -> bytes:
    """The test as a mono WAV file of 24 bits."""
    buffer = io.BytesIO()
    soundfile.write(buffer, tone_test_signal(rate_hz), rate_hz, format="WAV", subtype="PCM_24")
    return buffer.getvalue()


def read_tone_test(path: Path) -> ToneTestFindings:
    """Find the test in a file and read it. Raises ToneTestError, and SourceError for a file that cannot be read."""
    with open_blocks(path) as reader:
        sound = _loudest_channel(np.concatenate([np.empty((0, reader.channels)), *_blocks(reader)]))
        rate_hz = reader.rate_hz
    begins = where_it_begins(np.nan_to_num(sound, posinf=0.0, neginf=0.0), rate_hz) if len(sound) else None
    if begins is None:
        raise ToneTestError(
            f"The tone test is not in '{path.name}'; play the file of “tone-test write” through the stage and record "
            "all of it."
        )
    tones, pairs = read_tones(sound, begins, rate_hz)
    if not tones:
        raise ToneTestError(
            f"The tone test in '{path.name}' breaks off before its first tone ends; record all of it."
        )
    return ToneTestFindings(_with_growth(tones), tuple((pair.level_dbfs, pair.percent) for pair in _known(pairs)))


def _blocks(reader: Any) -> list[FloatArray]:
    blocks, frames = [], 0
    while frames < MOST_SECONDS * reader.rate_hz and len(block := reader.read()):
        blocks.append(block)
        frames += len(block)
    return blocks


def _loudest_channel(sound: FloatArray) -> FloatArray:
    power = np.nan_to_num(sound**2).sum(axis=0)
    return np.asarray(sound[:, int(np.argmax(power))])


def _known(pairs: list[Intermodulation]) -> list[Intermodulation]:
    return [pair for pair in pairs if math.isfinite(pair.percent)]


def _with_growth(tones: list[Harmonics]) -> tuple[ToneFindings, ...]:
    found = []
    for tone in tones:
        above = [other for other in tones if other.hz == tone.hz and other.level_dbfs > tone.level_dbfs]
        found.append(
            ToneFindings(
                tone.hz, tone.level_dbfs, tone.gain_db, tone.thd_percent, tone.harmonics_db, tone.odd_over_even_db,
                _growth(tone, min(above, key=lambda other: other.level_dbfs)) if above else NAN,
            )
        )  # fmt: skip
    return tuple(found)


def _growth(tone: Harmonics, above: Harmonics) -> float:
    if not min(tone.thd_percent, above.thd_percent) > 100.0 * LEAST_DISTORTION:
        return NAN
    return 20.0 * math.log10(above.thd_percent / tone.thd_percent) / (above.level_dbfs - tone.level_dbfs)

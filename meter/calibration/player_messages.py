"""What the program that plays calibration noise answers, one JSON object a line."""

from __future__ import annotations

from typing import TypeAlias

import msgspec


class LevelPlayed(msgspec.Struct, frozen=True, tag_field="say", tag="level"):
    """The level that is played, in dBFS rms (AES17), and whether it is still rising."""

    dbfs_rms: float
    rising: bool


class NoiseEnded(msgspec.Struct, frozen=True, tag_field="say", tag="ended"):
    """The noise ended; one sentence, empty when it was told to stop."""

    sentence: str = ""


Answer: TypeAlias = LevelPlayed | NoiseEnded


def read_answer(line: bytes) -> Answer | None:
    """One answer; None for a line that is not one of ours."""
    try:
        return msgspec.json.decode(line, type=LevelPlayed | NoiseEnded)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None

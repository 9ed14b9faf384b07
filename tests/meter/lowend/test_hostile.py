"""Material that no song is made of: a full account, plain JSON and whole sentences, or one sentence of refusal."""

from __future__ import annotations

import json

import numpy as np
import pytest

from meter.lowend.account import measure_low_end
from meter.lowend.sources import LowEndError, from_array
from meter.lowend.words import verdicts

RNG = np.random.default_rng(31)


def material(kind: str, frames: int, rate_hz: int) -> np.ndarray:
    t = np.arange(frames) / rate_hz
    tone = 0.3 * np.sin(2 * np.pi * 50.0 * t)
    makers = {
        "silence": lambda: np.zeros(frames),
        "offset": lambda: np.full(frames, 0.5),
        "noise": lambda: 0.1 * RNG.standard_normal(frames),
        "clicks": lambda: (np.arange(frames) % (rate_hz // 2) == 0) * 1.0,
        "tone": lambda: tone,
        "absurdly loud": lambda: 3000.0 * tone,
        "inaudible": lambda: 1e-6 * tone,
        "denormal": lambda: np.full(frames, 1e-320),
        "holes": lambda: np.where(RNG.random(frames) < 0.001, np.nan, tone),
        "no numbers": lambda: np.full(frames, np.nan),
        "one huge": lambda: np.where(np.arange(frames) == frames // 2, 1e38, tone),
        "late": lambda: np.where(t > 0.9 * t[-1], tone, 0.0),
        "square": lambda: 0.5 * np.sign(tone),
    }
    return makers[kind]()


KINDS = (
    "silence", "offset", "noise", "clicks", "tone", "absurdly loud", "inaudible", "denormal", "holes", "no numbers",
    "one huge", "late", "square",
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("rate_hz", "seconds", "as_mix"), [(8000, 4.1, False), (48_000, 1.0, True), (44_100, 2.3, False)]
)
def test_anything_gives_an_account(kind: str, rate_hz: int, seconds: float, as_mix: bool) -> None:
    frames = round(seconds * rate_hz)
    odd = material(kind, frames, rate_hz)
    parts = [
        from_array("odd", np.column_stack([odd, odd]), rate_hz),
        from_array("tone", material("tone", frames + 17, rate_hz), rate_hz),
        from_array("noise", material("noise", frames, rate_hz), rate_hz),
    ]
    mix = from_array("mix", np.column_stack([odd, -odd]), rate_hz) if as_mix else None
    try:
        found = measure_low_end(parts, mix, tempo_bpm=100.0)
    except LowEndError as refusal:
        pytest.fail(f"refused: {refusal}")
    json.dumps(found.to_json(), allow_nan=False)
    for sentence in (*verdicts(found), *found.notes):
        assert "nan" not in sentence.split()
        assert "inf" not in sentence.split()
        assert sentence.endswith(".")

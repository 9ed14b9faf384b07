"""Which names sound like the kick and the bass (common practice, no source)."""

from __future__ import annotations

import pytest

from dsp.part_names import kick_and_bass


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["Kick In", "Bass DI"], (0, 1)),
        (["bass", "KICK"], (1, 0)),
        (["bass drum", "sub"], (0, 1)),
        (["low drum", "double bass", "organ"], (0, 1)),
        (["bass_drum", "keys"], (0, None)),
        (["drums", "kick 2", "bass amp", "bass DI"], (1, 2)),
        (["guitars", "voice"], (None, None)),
        ([], (None, None)),
    ],
)
def test_names(names: list[str], expected: tuple[int | None, int | None]) -> None:
    assert kick_and_bass(names) == expected

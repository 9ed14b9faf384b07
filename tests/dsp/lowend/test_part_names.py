"""Which names sound like the kick and the bass (common practice, no source)."""

from __future__ import annotations

import pytest

from dsp.lowend.part_names import HELD_IN_ONE, NONE_FOUND, ONE_PART, choose_pair, kick_and_bass


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
        (["drums and bass", "vox"], (None, None)),
        (["bass + drums", "kick", "sub"], (1, 2)),
        (["sub kick", "bass-drum", "synth"], (0, None)),
        (["Bass_Drum", "BASS"], (0, 1)),
        (["kick and bass", "low drum", "bass"], (1, 2)),
        (["drums & sub", "drum"], (1, None)),
    ],
)
def test_names(names: list[str], expected: tuple[int | None, int | None]) -> None:
    assert kick_and_bass(names) == expected


@pytest.mark.parametrize(
    ("names", "kinds", "parts", "doubt"),
    [
        (["drums and bass", "vox"], ["drum", "pitched"], None, HELD_IN_ONE),
        (["drums and bass", "vox"], ["pitched", "drum"], None, HELD_IN_ONE),
        (["drums and bass", "one", "two"], ["drum", "pitched", "drum"], (2, 1), ""),
        (["one", "two"], ["pitched", "drum"], (1, 0), ""),
        (["one", "two"], ["drum", "drum"], None, NONE_FOUND),
        (["drums", "vox"], ["drum", ""], None, NONE_FOUND),
        (["kick"], ["drum"], None, ONE_PART),
    ],
)
def test_a_pair_is_two_different_parts_or_none_with_a_reason(names, kinds, parts, doubt) -> None:
    found = choose_pair(names, range(len(names)), kinds)
    assert (found.parts, found.doubt) == (parts, doubt)
    assert bool(found.reason) == (parts is None)


@pytest.mark.parametrize("first", ["kick", "drums and bass", "bass", "low drum", "sub", "sub kick", "vox"])
@pytest.mark.parametrize("second", ["kick", "drums & bass", "bass", "drums", "drum sub", "vox"])
@pytest.mark.parametrize("kinds", [["drum", "pitched"], ["pitched", "drum"], ["", ""], ["drum", "drum"]], ids=str)
def test_kick_and_bass_are_never_one_part(first: str, second: str, kinds: list[str]) -> None:
    parts = choose_pair([first, second], [0, 1], kinds).parts
    assert parts is None or parts[0] != parts[1]

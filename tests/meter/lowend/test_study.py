"""The study: live and offline say the same, parts take turns and keep what was found, and who is shown first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest

from dsp.lowend import likeness, lowest_note, pair, part_names
from dsp.lowend.low_spectrum import LowSpectra
from dsp.lowend.low_stretch import LowStretch
from meter.lowend import findings
from meter.lowend.account import measure_low_end
from meter.lowend.findings import LowEndFindings
from meter.lowend.looks import SPECTRUM_HZ, spectrum_db
from meter.lowend.sources import from_array
from meter.lowend.study import low_end
from tests.support.low_live import RATE_HZ, LiveLowEnd
from tests.support.low_parts import held, place, tone
from tests.support.low_session import FEEDS, NAMES, session

SECONDS = 9
BASS = place([(0.1 + 0.5 * n, held((41.2, 55.0)[n % 2], 0.45, level=0.2)) for n in range(16)], 8)
KEYS = place([(0.1 + 0.5 * n, held((131.0, 165.0)[n % 2], 0.45, level=0.1)) for n in range(16)], 8)
RUMBLING = KEYS + tone(33.0, -32.0, len(KEYS))


def flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every figure and every word of a record, with its place."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from flat(item, f"{path}.{key}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from flat(item, f"{path}[{number}]")
    else:
        yield path, value


def test_live_and_offline_say_the_same() -> None:
    """The same samples through the live processor and its study, and through the command's path."""
    music = session()[: SECONDS * RATE_HZ]
    live = LiveLowEnd(span="sitting")
    live.feed(music)
    live.feed(np.zeros((2 * RATE_HZ, music.shape[1])))
    stretch = live.stretch()
    assert stretch is not None
    # One second of silence is still heard before the pause; what is kept ends there.
    whole = np.vstack([music, np.zeros((RATE_HZ, music.shape[1]))])
    parts = [from_array(name, whole[:, list(FEEDS[f"part {name}"])], RATE_HZ) for name in NAMES]
    offline = measure_low_end(parts, from_array("mix", whole[:, :2], RATE_HZ))
    found = low_end(replace(stretch, most_looks=None, most_trials=None), live.settings)
    expected = dict(flat(msgspec.structs.replace(offline, notes=()).to_json()))
    compared = dict(flat(msgspec.structs.replace(found, notes=()).to_json()))
    assert compared.keys() == expected.keys()
    assert len(expected) > 900
    for place_of, value in expected.items():
        if isinstance(value, float):
            assert compared[place_of] == pytest.approx(value, abs=0.1), place_of
        else:
            assert compared[place_of] == value, place_of
    assert set(found.notes) <= set(offline.notes)


def studied(*signals: np.ndarray, names: tuple[str, ...] = ("bass", "keys"), **settings: Any) -> LiveLowEnd:
    feeds = {f"part {name}": (number,) for number, name in enumerate(names)}
    live = LiveLowEnd(feeds, len(signals), **settings)
    live.feed(np.hstack(signals))
    live.study()
    return live


def test_rumble_of_a_part_that_owns_nothing_comes_before_that_of_an_owner() -> None:
    """The bass rumbles more, but it holds the low end; the keys have nothing to lose there."""
    live = studied(BASS + tone(22.0, -28.0, len(BASS)), RUMBLING)
    bass, keys = (part.rumble_against_mix_lows_db for part in live.found.parts)
    assert bass > keys > -20.0
    assert live.found.owners == ("bass",)
    assert live.found.shown_part == "keys"
    live.configure(part="bass")
    live.study()
    assert live.found.shown_part == "bass"


def test_the_shown_part_stays_until_another_rumbles_clearly_more() -> None:
    """Two parts that rumble within 3 dB of each other: whichever is shown stays."""
    live = studied(1.7 * BASS, RUMBLING, KEYS + tone(30.0, -31.0, len(KEYS)), names=("bass", "one", "other"))
    stretch = live.meter._stream.stretch(("bass", "one", "other"), "last", None, None, 30.0)
    alone = low_end(stretch, live.settings)
    rumbles = [alone.part(name).rumble_against_mix_lows_db for name in ("one", "other")]
    assert abs(rumbles[0] - rumbles[1]) < 3.0
    assert (min(rumbles) > -20.0, alone.owners) == (True, ("bass",))
    for name in ("one", "other"):
        before = msgspec.structs.replace(alone, shown_part=name)
        assert low_end(stretch, live.settings, before).shown_part == name
    assert alone.shown_part == ("one", "other")[int(np.argmax(rumbles))]


def many() -> LowStretch:
    """Twelve parts of which a study looks at three."""
    names = tuple(f"part {number}" for number in range(12))
    feeds = {f"part {name}": (number,) for number, name in enumerate(names)}
    notes = [place([(0.1, held(40.0 + 5.0 * n, 2.5, level=0.2 if n < 2 else 0.03))], 3) for n in range(12)]
    live = LiveLowEnd(feeds, 12)
    live.feed(np.hstack(notes))
    live.settle(12)
    stretch = live.stretch()
    assert stretch is not None
    return stretch


def test_parts_take_turns_until_all_were_seen_and_owners_more_often() -> None:
    stretch, found, seen = many(), None, []
    for number in range(24):
        stretch = replace(stretch, kept_seconds=10.0 + number)
        found = low_end(stretch, {}, found)
        now = [part.name for part in found.parts if part.seen_at_seconds == stretch.kept_seconds]
        assert len(now) == stretch.most_looks
        assert sum(part.tried_at_seconds == stretch.kept_seconds for part in found.parts) <= 1
        seen.append(now)
        if number == 3:
            assert not any(np.isnan(part.seen_at_seconds) for part in found.parts)
    assert found is not None
    assert not any(np.isnan(part.tried_at_seconds) for part in found.parts if part.high_pass)
    often = {part.name: sum(part.name in now for now in seen[4:]) for part in found.parts}
    others = set(often) - {*found.owners, found.shown_part}
    assert len(found.owners) == 2
    assert min(often[name] for name in (*found.owners, found.shown_part)) > max(often[name] for name in others)
    assert min(often.values()) >= 1


def test_what_is_not_looked_at_keeps_what_was_found() -> None:
    stretch = many()
    first = low_end(replace(stretch, most_looks=None, most_trials=None), {})
    later = replace(stretch, kept_seconds=stretch.kept_seconds + 5.0)
    second = low_end(later, {}, first)
    kept = [part for part in second.parts if part.seen_at_seconds == first.kept_seconds]
    assert len(kept) == 9
    for part in kept:
        assert part == first.part(part.name)
    changed = {part.name for part in second.parts} - {part.name for part in kept}
    for name in changed:
        assert second.part(name).floor_hz == pytest.approx(first.part(name).floor_hz, nan_ok=True)


def test_findings_travel_as_bytes() -> None:
    """NaN and infinities included; every value is a plain one."""
    found = low_end(many(), {"cutoff_hz": 40.0, "part": "part 1"})
    back = msgspec.msgpack.decode(msgspec.msgpack.encode(found), type=LowEndFindings)
    assert repr(back) == repr(found)
    assert back.requested is not None


def test_the_words_of_the_findings_are_those_of_the_measurements() -> None:
    """Faces read the findings and may not import ``dsp``."""
    for word in ("TOGETHER", "TAKING_TURNS", "CANCELLING", "OVERLAPPING", "NOT_YET"):
        assert getattr(findings, word) == getattr(pair, word)
    assert (findings.ONE_PART, findings.HELD_IN_ONE, findings.NONE_FOUND) == (
        part_names.ONE_PART, part_names.HELD_IN_ONE, part_names.NONE_FOUND,
    )  # fmt: skip
    assert findings.SWAPPED_OPPOSITE == likeness.SWAPPED_OPPOSITE
    assert (findings.PITCHED, findings.DRUM) == (lowest_note.PITCHED, lowest_note.DRUM)


def test_the_shown_spectrum_adds_up_to_the_level_of_a_tone() -> None:
    """A full-scale sine reads 0 dB (AES17), wherever its power falls among the bands."""
    frequency_hz = np.arange(513) * 0.9765625
    bins = np.zeros((3, 513))
    bins[:, 62] = 0.5
    levels = spectrum_db(LowSpectra(np.full(3, 0.5), bins, frequency_hz))
    assert len(levels) == len(SPECTRUM_HZ) - 1
    assert 10 * np.log10((10 ** (levels / 10)).sum()) == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(spectrum_db(LowSpectra(np.empty(0), np.empty((0, 513)), frequency_hz))).all()

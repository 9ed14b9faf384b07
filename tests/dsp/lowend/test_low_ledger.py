"""The live ledger's own parts: turns, spans, who is spoken of, what waits and what is kept over gaps and pauses."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.lowend.low_ledger import LAST, MARKED, SITTING, LowLedger
from dsp.lowend.low_rounds import SPECTRUM_HZ, spectrum_db
from dsp.lowend.low_spectrum import LowSpectra
from dsp.lowend.low_stream import LowStream
from tests.support.low_parts import RATE_HZ, held, place, tone

SECONDS = 12
BASS = place([(0.1 + 0.5 * n, held((41.2, 55.0)[n % 2], 0.45, level=0.2)) for n in range(2 * SECONDS)], SECONDS)
KEYS = place([(0.1 + 0.5 * n, held((131.0, 165.0)[n % 2], 0.45, level=0.1)) for n in range(2 * SECONDS)], SECONDS)
RUMBLING = KEYS + tone(33.0, -32.0, len(KEYS))


def ledger(*signals: np.ndarray, names: tuple[str, ...] = ("bass", "keys"), mix: bool = False) -> LowLedger:
    columns = [(number,) for number in range(len(signals))]
    channels = len(signals) + 2 * mix
    made = LowLedger(RATE_HZ, channels, names[: len(signals)], columns, (channels - 2, channels - 1) if mix else None)
    joined = np.hstack(signals)
    if mix:
        both = joined.sum(axis=1, keepdims=True)
        joined = np.hstack([joined, both, both])
    for start in range(0, len(joined), 480):
        made.process(joined[start : start + 480])
    return made


def test_who_has_most_to_tell_is_tried_first() -> None:
    made = ledger(BASS, RUMBLING)
    assert made.names[made.spoken_of] == "keys"
    assert made.rounds.parts[1].trials
    made.want(0, 12, float("nan"))
    assert made.spoken_of == 0
    made.want(None, 12, float("nan"))
    assert made.spoken_of == 1


def test_rumble_of_a_part_that_owns_nothing_comes_before_that_of_an_owner() -> None:
    """The bass rumbles more, but it holds the low end; the keys have nothing to lose there."""
    made = ledger(BASS + tone(22.0, -28.0, len(BASS)), RUMBLING)
    bass, keys = (part.rumble.against_mix_lows_db for part in made.rounds.parts)
    assert bass > keys > -20.0
    assert made.rounds.owners == (0,)
    assert made.names[made.spoken_of] == "keys"


def test_the_mix_lines_up_and_serves_for_trials() -> None:
    made = ledger(BASS, RUMBLING, mix=True)
    assert made.rounds.lag.sure
    assert made.rounds.lag.gain == pytest.approx(1.0, abs=0.01)
    assert made.sums(SITTING).mix_over_sum_db[0] == pytest.approx(0.0, abs=1e-6)
    assert made.rounds.parts[1].trials[1].mix_low_band_change_db < 0.1


def test_spans_count_what_they_say() -> None:
    made = ledger(BASS, KEYS)
    assert made.heard_seconds(LAST) == pytest.approx(SECONDS, abs=0.3)
    made.mark()
    assert made.heard_seconds(MARKED) == 0.0
    assert made.heard_seconds(SITTING) == pytest.approx(SECONDS, abs=0.3)
    assert np.isnan(made.sums(MARKED).share_percent).all()
    made.keep_time(240.0)
    assert made.stream.span_seconds == 8.0
    made.keep_time(240.0)
    made.keep_time(float("nan"))
    assert made.stream.span_seconds == 10.0


def test_a_pause_takes_nothing_away_and_a_gap_is_not_read_across() -> None:
    made = ledger(BASS, RUMBLING)
    kept, floors = made.stream.kept_seconds, [part.note.floor_hz for part in made.rounds.parts]
    made.process(np.zeros((40 * RATE_HZ, 2)))
    assert made.stream.kept_seconds == pytest.approx(kept + 1.0, abs=0.2)
    assert [part.note.floor_hz for part in made.rounds.parts] == pytest.approx(floors, rel=1e-3)
    assert made.stream.capture.end - made.stream.capture.start > 5 * RATE_HZ
    made.skip(RATE_HZ)
    assert made.stream.capture.end == made.stream.capture.start
    assert made.stream.parts[0].audio().shape[0] > 4 * made.stream.parts[0].rate_hz


def test_the_offset_of_a_long_gap_is_added_to_the_age() -> None:
    made = ledger(BASS, KEYS)
    made.skip(7200 * RATE_HZ)
    assert made.stream.age_seconds == pytest.approx(7200.0, rel=0.01)


@pytest.mark.parametrize("columns", [[], [()], [(0, 1, 2)]])
def test_parts_that_cannot_be_are_refused(columns: list[tuple[int, ...]]) -> None:
    with pytest.raises(ValueError, match="one channel or two"):
        LowLedger(RATE_HZ, 3, ["a"] * len(columns), columns)


@pytest.mark.parametrize(("parts", "mix"), [([(2,)], None), ([(-1,)], None), ([(0,)], (1, 2))])
def test_channels_that_are_not_there_are_refused(parts: list[tuple[int, ...]], mix: tuple[int, ...] | None) -> None:
    with pytest.raises(ValueError, match="outside the 2"):
        LowLedger(RATE_HZ, 2, ["a"], parts, mix)


def test_another_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        LowLedger(RATE_HZ, 2, ["a"], [(0,)]).process(np.zeros((10, 3)))


def test_many_channels_at_a_high_rate_capture_less() -> None:
    """34 million samples would be 136 MB; 24 million are kept."""
    few, many = LowStream(48_000, [1] * 2), LowStream(192_000, [1] * 32)
    assert few.capture._frames == 12 * 48_000
    assert many.capture._frames == 24_000_000 // 34


def test_the_shown_spectrum_adds_up_to_the_level_of_a_tone() -> None:
    """A full-scale sine reads 0 dB (AES17), wherever its power falls among the bands."""
    frequency_hz = np.arange(513) * 0.9765625
    bins = np.zeros((3, 513))
    bins[:, 62] = 0.5
    levels = spectrum_db(LowSpectra(np.full(3, 0.5), bins, frequency_hz))
    assert len(levels) == len(SPECTRUM_HZ) - 1
    assert 10 * np.log10((10 ** (levels / 10)).sum()) == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(spectrum_db(LowSpectra(np.empty(0), np.empty((0, 513)), frequency_hz))).all()

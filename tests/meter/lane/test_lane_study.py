"""Findings and sentences of a mix against references."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from dsp.reference.sections import BANDS, COLUMNS, MID, PEAK, SIDE, K, Sections
from meter.lane.analysis import Analysed
from meter.lane.findings import FOUND, LISTENING, NOTHING, LaneFindings, LaneReference
from meter.lane.study import Part, lane, part_of
from meter.lane.words import MOST_TOLD, band_words, lane_words, match_words, sentence
from meter.reference_files import ReferenceFile

RATE_HZ = 48_000


def sections(seconds: int = 20, level_db: float = -20.0, *, stereo: bool = True, **bands_db: float) -> Sections:
    """Rows of a steady sound of equal power in each band; ``b7=3`` adds 3 dB to band 7, ``w7`` to its side alone."""
    row = np.zeros(COLUMNS)
    row[MID], row[SIDE] = 1.0, 0.1 if stereo else 0.0
    for name, change_db in bands_db.items():
        factor, number = 10.0 ** (change_db / 10.0), int(name[1:])
        row[SIDE.start + number] *= factor
        if name.startswith("b"):
            row[MID.start + number] *= factor
    row[K] = len(BANDS)
    row[2:4] = 1.0
    row *= 10.0 ** (level_db / 10.0)
    row[PEAK] = 1.0
    return Sections(RATE_HZ, stereo, 1.0, np.tile(row, (seconds, 1)))


def reference(name: str, found: Sections, start: float = 0.0, end: float = np.inf) -> tuple[ReferenceFile, Analysed]:
    return ReferenceFile(name, start, end), Analysed(found, float(len(found.rows)))


def whole(found: Sections) -> Part:
    return Part(found, np.ones(len(found.rows), dtype=bool), "all")


def compared(mix: Sections, references: Sequence[Sections]) -> LaneFindings:
    return lane(whole(mix), [reference(f"r{n}.wav", each) for n, each in enumerate(references)])


def test_a_tilted_band_is_named_in_the_sentence() -> None:
    found = compared(sections(b7=-4.0), [sections(level_db=level) for level in (-14.0, -20.0, -26.0)])
    assert found.state == FOUND
    assert sentence(found) == "Outside the lane of 3 references: 250–355 Hz −4.0 dB."
    assert lane_words(found) == "lane: 10 to 90 % of 3 references"
    assert match_words(found) == [
        f"r{number}.wav, loud part: {change} dB to match" for number, change in enumerate(("−6.0", "0.0", "+6.0"))
    ]


def test_a_wider_top_is_named() -> None:
    found = compared(sections(w16=4.0, w17=4.0), [sections()] * 3)
    assert "5.6–11.2 kHz wider +4.0 dB" in sentence(found)


def test_at_most_three_things_are_spoken_and_all_are_in_the_record() -> None:
    found = compared(sections(b1=3.0, b5=4.0, b9=5.0, b13=6.0), [sections()] * 3)
    assert [round(each.difference) for each in found.outside] == [6, 5, 4, 3]
    said = sentence(found)
    assert said.count("dB") == MOST_TOLD
    assert "32–45 Hz" not in said


def test_inside_the_lane_nothing_stands_out() -> None:
    found = compared(sections(), [sections()] * 3)
    assert sentence(found) == "Against 3 references: nothing stands out."
    assert found.outside == ()


def test_one_reference_makes_no_lane_and_two_make_a_gap() -> None:
    one = compared(sections(b7=4.0), [sections()])
    assert np.isnan(one.bands[7].lane_low_db)
    assert one.bands[7].difference_db == pytest.approx(4.0, abs=0.1)
    assert "no lane" in lane_words(one)
    assert sentence(one) == "Against 'r0.wav': 250–355 Hz +4.0 dB."
    assert one.to_json()["bands"][7]["lane_low_db"] is None
    two = compared(sections(), [sections(), sections(b7=5.0)])
    assert (two.bands[7].lane_low_db, two.bands[7].lane_high_db) == pytest.approx((-2.0, 2.0))
    assert "80 % of the gap" in lane_words(two)


def test_a_chosen_stretch_counts_alone() -> None:
    quiet, loud = sections(level_db=-30.0, b3=6.0), sections()
    song = Sections(RATE_HZ, True, 1.0, np.concatenate([quiet.rows, loud.rows]))
    found = lane(whole(loud), [reference("song.wav", song, 0.0, 20.0)])
    assert found.references[0].stretch == "0:00–0:20"
    assert found.references[0].match_db == pytest.approx(10.0)
    assert found.bands[3].difference_db == pytest.approx(-6.0)
    loud_part = lane(whole(loud), [reference("song.wav", song)])
    assert loud_part.references[0].stretch == "loud part"
    assert loud_part.references[0].match_db == pytest.approx(0.0, abs=0.01)


def test_without_a_stretch_the_mix_is_its_loud_part() -> None:
    song = Sections(RATE_HZ, True, 1.0, np.concatenate([sections(level_db=-40.0).rows, sections().rows]))
    part = part_of(*reference("mix.wav", song))
    assert part.chosen[22:].all()
    assert not part.chosen[:18].any()


@pytest.mark.parametrize(
    ("bad", "start", "end", "words"),
    [
        (sections(seconds=20, level_db=-200.0), 0.0, np.inf, "silent"),
        (sections(seconds=3), 0.0, np.inf, "5 s or more"),
        (sections(seconds=20), 30.0, 50.0, "outside the file"),
        (sections(seconds=22), 20.0, 40.0, "5 s or more"),
        (sections(seconds=0), 0.0, np.inf, "silent"),
    ],
)
def test_a_reference_that_cannot_be_used_is_one_sentence(bad: Sections, start: float, end: float, words: str) -> None:
    found = lane(whole(sections()), [reference("bad.wav", bad, start, end), reference("good.wav", sections())])
    assert found.state == FOUND
    assert found.used == 1
    fault = found.references[0].fault
    assert words in fault
    assert "bad.wav" in fault
    assert fault.endswith(".")
    alone = lane(whole(sections()), [reference("bad.wav", bad, start, end)])
    assert alone.state == NOTHING
    assert sentence(alone) == fault


def test_mono_leaves_width_out_and_says_so() -> None:
    mono = sections(stereo=False)
    found = compared(mono, [sections()] * 3)
    assert np.isnan([band.width_difference_db for band in found.bands]).all()
    assert "mono" in found.notes[0]
    found = compared(sections(), [sections(), mono, sections()])
    assert found.notes == ("Width is compared with 2 of 3 references; the others are mono.",)
    assert found.bands[4].width_difference_db == pytest.approx(0.0)
    assert compared(sections(), [mono]).notes == ("Width is not compared: the references are mono.",)


def test_too_little_of_the_mix_and_references_still_being_read_are_told() -> None:
    found = compared(sections(seconds=2), [sections()])
    assert found.state == LISTENING
    assert "2 s" in sentence(found)
    waiting = lane(whole(sections()), [LaneReference("slow.wav", read=0.4)])
    assert waiting.state == NOTHING


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(22.4, 31.5, "22–32 Hz"), (710.0, 1400.0, "710 Hz–1.4 kHz"), (1400.0, 2800.0, "1.4–2.8 kHz"),
     (11_200.0, 16_000.0, "11.2–16 kHz"), (31.5, 63.0, "32–63 Hz"), (500.0, 1000.0, "500 Hz–1 kHz")],
)  # fmt: skip
def test_bands_are_named_as_they_are_said(low: float, high: float, words: str) -> None:
    assert band_words(low, high) == words


def test_the_loudness_range_is_that_of_the_whole_files() -> None:
    def song(quiet_db: float) -> Sections:
        rows = [sections(40).rows, sections(40, -20.0 - quiet_db).rows]
        return Sections(RATE_HZ, True, 1.0, np.concatenate(rows))

    references = [reference(f"{number}.wav", song(4.0), 0.0, 30.0) for number in range(3)]
    mix = Part(song(9.0), np.arange(80) < 40, "0:00–0:40")
    found = lane(mix, references)
    assert found.loudness_range_lu.difference == pytest.approx(5.0, abs=0.1)
    assert sentence(found) == "Outside the lane of 3 references: loudness range +5.0 LU."
    short = lane(whole(sections(30)), references)
    assert np.isnan(short.loudness_range_lu.difference)


def test_findings_print_as_json_without_a_nan() -> None:
    found = compared(sections(stereo=False), [sections()]).to_json()
    assert found["bands"][0]["width_difference_db"] is None
    assert found["references"][0]["match_db"] == pytest.approx(0.0, abs=1e-3)

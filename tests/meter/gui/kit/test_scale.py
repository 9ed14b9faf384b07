"""Scales against the standards they follow."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.spectrum.note_names import Note
from meter.gui.kit import scale

# IEC 60268-17 and ANSI C16.5: deflection linear in rectified voltage, 10^((VU - 3) / 20) of full scale. Derived from
# that law; the standard's own engraving table was not read.
NEEDLE = {-20: 7.1, -10: 22.4, -7: 31.6, -5: 39.8, -3: 50.1, -2: 56.2, -1: 63.1, 0: 70.8, 1: 79.4, 2: 89.1, 3: 100.0}

# ISO 266 / IEC 61260-1 Annex E: nominal third-octave frequencies from 25 Hz to 20 kHz.
NOMINAL = (25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500,
           3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000)  # fmt: skip

# ISO 16 (A4 = 440 Hz), equal temperament: open strings, piano ends and middle C, in Hz.
PITCHES = {"B0": (23, 30.868), "E1": (28, 41.203), "A1": (33, 55.0), "D2": (38, 73.416), "G2": (43, 97.999),
           "A0": (21, 27.5), "C4": (60, 261.626), "E4": (64, 329.628), "C8": (108, 4186.009)}  # fmt: skip


@pytest.mark.parametrize(("level", "percent"), NEEDLE.items())
def test_needle_marks_lie_where_the_law_puts_them(level, percent):
    assert scale.vu_place(float(level)) * 100.0 == pytest.approx(percent, abs=0.06)


def test_zero_vu_lies_at_71_percent_of_full_scale():
    # ANSI C16.5: 71 %, from memory ±2 %.
    assert scale.vu_place(0.0) * 100.0 == pytest.approx(71.0, abs=2.0)


def test_minus_three_vu_is_close_to_the_middle():
    assert scale.vu_place(-3.0) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("place", [scale.vu_place, scale.peak_place, scale.correlation_place])
def test_places_are_clamped_and_not_yet_stays(place):
    assert place(-math.inf) == 0.0
    assert place(math.inf) == 1.0
    assert place(1e38) == 1.0
    assert math.isnan(place(math.nan))


def test_peak_scale_rises_without_a_jump():
    levels = np.linspace(scale.PEAK_BOTTOM_DB, scale.PEAK_TOP_DB, 500)
    places = np.array([scale.peak_place(level) for level in levels])
    steps = np.diff(places)
    assert places[0] == 0.0
    assert places[-1] == 1.0
    assert np.all(steps > 0.0)
    assert steps.max() < 0.01


def test_correlation_scale_has_zero_in_the_middle():
    assert [scale.correlation_place(value) for value in (-1.0, 0.0, 1.0)] == [0.0, 0.5, 1.0]


def test_programme_scale_of_type_two_runs_from_minus_12_to_plus_12():
    # EBU Tech 3205-E: twelve divisions of 2 dB, TEST in the middle, permitted maximum at +9.
    places = [scale.straight_place(level, -12.0, 12.0) for level in (-12.0, 0.0, 9.0, 12.0)]
    assert places == [0.0, 0.5, 0.875, 1.0]


def test_vector_scale_agrees_with_the_single_one():
    levels = np.array([-math.inf, -84.0, -40.0, 0.0, 12.0])
    expected = [scale.straight_place(level, -84.0, 0.0) for level in levels]
    assert scale.straight_places(levels, -84.0, 0.0).tolist() == pytest.approx(expected)
    assert scale.straight_places(np.array([math.nan]), -84.0, 0.0).tolist() == [0.0]


def test_picture_keeps_order_and_never_leaves_its_rim():
    reach = scale.picture_reach(np.array([0.0, 0.01, 0.2, 1.0, math.sqrt(2.0), 1e6]))
    assert reach[0] == 0.0
    assert np.all(np.diff(reach) >= 0.0)
    assert reach[4] > 0.99
    assert reach[-1] <= 1.0


def test_log_axis_puts_octaves_at_equal_distances():
    places = [scale.log_place(hz, 20.0, 320.0) for hz in (20.0, 40.0, 80.0, 160.0, 320.0)]
    assert np.diff(places) == pytest.approx([0.25] * 4)
    assert scale.log_place(0.0, 20.0, 320.0) == 0.0


@pytest.mark.parametrize(("index", "nominal"), list(enumerate(NOMINAL, start=-16)))
def test_exact_mid_bands_are_named_by_the_nominal_ones(index, nominal):
    exact = 1000.0 * 10.0 ** (0.1 * index)  # IEC 61260-1 formulas 1 and 2
    assert scale.nominal_hz(exact) == pytest.approx(nominal)


def test_labels_are_short():
    assert [scale.hertz_label(hz) for hz in (31.5, 250.0, 1000.0, 1250.0, 16000.0)] == [
        "31.5", "250", "1k", "1.25k", "16k",
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "expected"), PITCHES.items())
def test_notes(name, expected):
    number, hertz = expected
    assert scale.note_name(number) == name
    assert scale.note_hz(number) == pytest.approx(hertz, abs=0.0006)
    assert scale.nearest_note(hertz * 1.02) == number


def test_the_window_names_notes_as_the_commands_do():
    assert [scale.note_name(note) for note in range(12, 128)] == [Note(note, 0.0).name for note in range(12, 128)]

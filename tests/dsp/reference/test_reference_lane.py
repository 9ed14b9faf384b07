"""A mix against references: closed forms, and published definitions beside their checks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, iirpeak, sosfilt, sosfreqz, tf2sos

from dsp.core.types import FloatArray, Spec
from dsp.loudness.loudness import LoudnessMeter
from dsp.reference.account import NARROWEST_DB, Account, account, between, loud_part, loudness_range
from dsp.reference.lane import LOWS, PEAK_TO_LOUDNESS, RANGE, TONE, WIDTH, compare, lane_of, outside
from dsp.reference.sections import BANDS, COLUMNS, NAMED_EDGES_HZ, K, Sections, SectionStream

RATE_HZ = 48_000
SECONDS = 6


def sections_of(sound: FloatArray, rate_hz: int = RATE_HZ) -> Sections:
    stream = SectionStream(rate_hz, sound.shape[1])
    rows = stream.process(sound)
    return Sections(rate_hz, sound.shape[1] == 2, stream.row_seconds, np.array(rows).reshape(-1, COLUMNS))


def account_of(sound: FloatArray, rate_hz: int = RATE_HZ) -> Account:
    sections = sections_of(sound, rate_hz)
    found = account(sections, np.ones(len(sections.rows), dtype=bool))
    assert found is not None
    return found


def pink(
    seed: int, seconds: float = SECONDS, rate_hz: int = RATE_HZ, gains_db: FloatArray | None = None
) -> FloatArray:
    """Noise of equal power per octave, mono, rms 0.05; ``gains_db`` tilts each of the nineteen bands."""
    frames = round(seconds * rate_hz)
    hz = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    rng = np.random.default_rng(seed)
    spectrum = np.exp(2j * np.pi * rng.random(len(hz))) / np.sqrt(np.maximum(hz, 10.0))
    spectrum[hz < 18.0] = 0.0
    scale = 0.05 / np.std(np.fft.irfft(spectrum, frames))
    if gains_db is not None:
        for item, gain_db in zip(BANDS, gains_db, strict=True):
            spectrum[(hz >= item.low_hz) & (hz < item.high_hz)] *= 10.0 ** (gain_db / 20.0)
    return np.fft.irfft(spectrum, frames) * scale


def stereo(mid: FloatArray, side: FloatArray) -> FloatArray:
    return np.stack([mid + side, mid - side], axis=1)


def one_band(number: int, gain_db: float) -> FloatArray:
    gains = np.zeros(len(BANDS))
    gains[number] = gain_db
    return gains


SIDE = 0.3 * pink(99)
PLAIN = account_of(stereo(pink(1), SIDE))


# What a row holds


def test_bands_are_the_half_octaves_of_iec_61260() -> None:
    """IEC 61260-1:2014 Formulas 1, 3 and 5 with b = 2: edges at 1000 Hz times 10^(3k/20)."""
    edges = [item.low_hz for item in BANDS] + [BANDS[-1].high_hz]
    assert edges == pytest.approx([1000.0 * 10.0 ** (0.15 * k) for k in range(-11, 9)])
    assert np.allclose(NAMED_EDGES_HZ, edges, rtol=0.02)  # R 20/3 of ISO 3 rounds by up to 1.3 %


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_sine_at_minus_23_reads_minus_23_lufs_and_fills_one_band(rate_hz: int) -> None:
    """EBU Tech 3341 case 1: 1 kHz in both channels at -23 dBFS peak reads -23.0 LUFS within 0.1.

    Closed form: true peak -23 dBTP, so peak to loudness is 0 LU within the same; power of both channels is the
    peak's level.
    """
    time = np.arange(round(6 * rate_hz)) / rate_hz
    amplitude = 10.0 ** (-23.0 / 20.0)
    found = account_of((amplitude * np.sin(2.0 * np.pi * 1000.0 * time))[:, None] * np.ones(2), rate_hz)
    assert found.loudness_lufs == pytest.approx(-23.0, abs=0.1)
    assert found.peak_to_loudness_lu == pytest.approx(0.0, abs=0.1)
    inside = account_of((amplitude * np.sin(2.0 * np.pi * 1200.0 * time))[:, None] * np.ones(2), rate_hz).tone_db
    number = next(index for index, item in enumerate(BANDS) if item.low_hz <= 1200.0 < item.high_hz)
    assert inside[number] == pytest.approx(-23.0, abs=0.05)
    assert np.nan_to_num(np.delete(inside, number), nan=-200.0).max() < -60.0


def test_loudness_is_that_of_the_loudness_meter() -> None:
    sound = stereo(pink(2), SIDE)
    meter = LoudnessMeter(Spec(RATE_HZ, 2))
    meter.push(sound)
    assert account_of(sound).loudness_lufs == pytest.approx(meter.integrated, abs=0.1)


def test_every_sample_counts_the_same() -> None:
    """A click has the same energy wherever it falls: the squared tapers add up to a constant."""
    energies = []
    for at in (60_000, 61_500, 63_000, 64_567):
        sound = np.zeros((3 * RATE_HZ, 1))
        sound[at, 0] = 1.0
        energies.append(sections_of(sound).rows[:, K].sum())
    assert np.ptp(10.0 * np.log10(energies)) < 0.01


@pytest.mark.parametrize("size", [1, 64, 65, 480, 8192, 8193, 60_001])
def test_rows_are_the_same_at_any_block_size(size: int) -> None:
    sound = stereo(pink(3, 2.0), pink(4, 2.0))
    sound = sound[:49_000] if size == 1 else sound
    stream = SectionStream(RATE_HZ, 2)
    rows = [row for start in range(0, len(sound), size) for row in stream.process(sound[start : start + size])]
    assert len(rows) == len(sound) // RATE_HZ
    assert np.allclose(rows, SectionStream(RATE_HZ, 2).process(sound), rtol=1e-5, atol=1e-14)


def test_a_gap_drops_its_second_and_nothing_else() -> None:
    sound = np.full((RATE_HZ, 1), 0.0)
    sound[:, 0] = pink(5, 1.0)
    stream = SectionStream(RATE_HZ, 1)
    assert len(stream.process(sound[: RATE_HZ // 2])) == 0
    stream.skip(1000)
    after = stream.process(np.concatenate([sound, sound]))
    fresh = SectionStream(RATE_HZ, 1).process(np.concatenate([sound, sound]))
    assert np.allclose(after, fresh, rtol=1e-5, atol=1e-14)


# The account


def test_width_is_side_over_mid_in_each_band() -> None:
    sound = stereo(pink(6), 0.5 * pink(6))
    assert np.allclose(account_of(sound).width_db, 20.0 * np.log10(0.5), atol=0.01)
    assert np.allclose(account_of(stereo(pink(6), 0.01 * pink(6))).width_db, NARROWEST_DB)
    assert np.allclose(account_of(stereo(0.0 * pink(6), pink(6))).width_db, -NARROWEST_DB)
    assert np.isnan(account_of(pink(6)[:, None]).width_db).all()


def test_bands_above_half_the_rate_are_not_compared() -> None:
    found = account_of(pink(7, rate_hz=16_000)[:, None], 16_000)
    assert np.isfinite(found.tone_db).tolist() == [item.high_hz <= 8000.0 for item in BANDS]


def test_lows_are_20_to_120_re_the_middle() -> None:
    """Closed form: tones of amplitude 0.2 at 60 Hz and 0.1 at 600 Hz differ by 6.02 dB."""
    time = np.arange(6 * RATE_HZ) / RATE_HZ
    sound = 0.2 * np.sin(2.0 * np.pi * 60.0 * time) + 0.1 * np.sin(2.0 * np.pi * 600.0 * time)
    assert account_of(sound[:, None]).lows_db == pytest.approx(20.0 * np.log10(2.0), abs=0.01)


def test_the_loud_part_of_verse_and_chorus_is_the_chorus() -> None:
    chorus = pink(8, 8.0)
    sections = sections_of(np.concatenate([0.4 * chorus, chorus, 0.4 * chorus])[:, None])
    rows = np.flatnonzero(loud_part(sections))
    assert rows.min() >= 7
    assert rows.max() <= 16
    assert len(rows) >= 7


def test_a_chosen_stretch_is_measured_alone_and_pauses_in_it_do_not_count() -> None:
    loud = pink(9, 4.0)
    sound = np.concatenate([loud, np.zeros(4 * RATE_HZ), 0.05 * pink(10, 4.0)])[:, None]
    sections = sections_of(sound)
    first, whole = (account(sections, between(sections, 0.0, end)) for end in (4.0, 12.0))
    assert first is not None
    assert whole is not None
    # The second after the stop holds the tail of the last taper.
    assert whole.loudness_lufs == pytest.approx(first.loudness_lufs, abs=0.7)
    assert whole.seconds <= 5.0
    assert account(sections, between(sections, 5.0, 7.0)) is None  # silence
    assert account(sections, between(sections, 20.0, 30.0)) is None  # after the end


# Against references


@pytest.mark.parametrize("number", range(len(BANDS)))
def test_a_band_tilted_by_3_db_is_named_with_its_3_db(number: int) -> None:
    """Equal sections, one tilted by +3 dB in one band: that band, 3.0 +/- 0.2 dB, and nothing else."""
    gains = one_band(number, 3.0)
    found = compare(account_of(stereo(pink(1, gains_db=gains), 0.3 * pink(99, gains_db=gains))), [PLAIN] * 3)
    told = outside(found)
    assert [(each.kind, each.first, each.last) for each in told] == [(TONE, number, number)]
    assert told[0].difference == pytest.approx(3.0, abs=0.2)
    assert np.abs(np.delete(found.tone.difference, number)).max() < 0.2


def test_level_is_matched_so_a_fader_changes_nothing() -> None:
    louder = account_of(2.0 * stereo(pink(1), SIDE))
    found = compare(louder, [PLAIN, PLAIN])
    assert np.abs(found.tone.difference).max() < 1e-3
    assert found.match_db == pytest.approx([20.0 * np.log10(2.0)] * 2, abs=1e-3)
    assert outside(found) == []


def test_the_lane_is_the_10th_to_90th_percentile_of_the_references() -> None:
    """0, 1, 2, 3, 4 have the median 2, the 10th percentile 0.4 and the 90th 3.6 (Hyndman and Fan, type 7)."""
    lane = lane_of(np.array([3.0, 7.0, 0.0]), np.arange(5.0)[:, None] * np.ones(3))
    assert np.allclose(lane.difference, [1.0, 5.0, -2.0])
    assert np.allclose([lane.low, lane.high], [[-1.6] * 3, [1.6] * 3])
    assert np.allclose(lane.beyond, [0.0, 3.4, -0.4])


def test_a_figure_that_one_reference_lacks_comes_from_the_others() -> None:
    values = np.array([[1.0, np.nan], [3.0, np.nan], [np.nan, np.nan]])
    lane = lane_of(np.array([2.0, 2.0]), values)
    assert lane.difference[0] == 0.0
    assert np.isnan(lane.difference[1])
    assert lane.count.tolist() == [2.0, 0.0]
    assert np.isnan(lane.beyond[1])


def test_neighbouring_bands_are_told_as_one_and_the_farthest_first() -> None:
    gains = np.zeros(len(BANDS))
    gains[6:8], gains[15] = -3.0, 6.0
    references = [replace(PLAIN, peak_to_loudness_lu=PLAIN.peak_to_loudness_lu + n) for n in (3.0, 3.1, 3.2)]
    told = outside(compare(replace(PLAIN, tone_db=PLAIN.tone_db + gains), references))
    assert [(each.kind, each.first, each.last) for each in told] == [
        (TONE, 15, 15), (PEAK_TO_LOUDNESS, -1, -1), (TONE, 6, 7),
    ]  # fmt: skip
    assert told[0].difference == pytest.approx(6.0, abs=0.01)
    assert told[2].difference == pytest.approx(-3.0, abs=0.01)


def test_wider_top_is_told_as_width() -> None:
    width = PLAIN.width_db.copy()
    width[16:] += 4.0
    told = outside(compare(replace(PLAIN, width_db=width), [PLAIN] * 3))
    assert [(each.kind, each.first, each.last) for each in told] == [(WIDTH, 16, 18)]
    assert told[0].difference == pytest.approx(4.0)


def test_lows_are_told_once() -> None:
    more = replace(PLAIN, lows_db=PLAIN.lows_db + 3.0)
    assert [each.kind for each in outside(compare(more, [PLAIN] * 3))] == [LOWS]
    gains = np.where(np.arange(len(BANDS)) < 5, 3.0, 0.0)
    with_bands = replace(more, tone_db=PLAIN.tone_db + gains)
    assert [each.kind for each in outside(compare(with_bands, [PLAIN] * 3))] == [TONE]


def test_one_or_two_references_ask_for_twice_the_distance() -> None:
    mix = replace(PLAIN, tone_db=PLAIN.tone_db + one_band(9, 1.5))
    assert [len(outside(compare(mix, [PLAIN] * count))) for count in (1, 2, 3)] == [0, 0, 1]


def test_nothing_to_compare_with_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        compare(PLAIN, [])


@pytest.mark.parametrize(
    ("levels_db", "expected"), [((-20.0, -30.0), 10.0), ((-20.0, -15.0), 5.0), ((-40.0, -20.0), 20.0)]
)
def test_loudness_range_is_that_of_ebu_tech_3342(levels_db: tuple[float, float], expected: float) -> None:
    """EBU Tech 3342 cases 1 to 3: 20 s of a 1 kHz tone at each level (here 40 s) read 10, 5 and 20 LU within 1 LU."""
    time = np.arange(40 * 16_000) / 16_000
    tone = np.sin(2.0 * np.pi * 1000.0 * time)[:, None] * np.ones(2)
    sections = sections_of(np.concatenate([10.0 ** (level / 20.0) * tone for level in levels_db]), 16_000)
    assert loudness_range(sections) == pytest.approx(expected, abs=1.0)
    assert np.isnan(loudness_range(replace(sections, rows=sections.rows[:55])))


def test_a_wider_loudness_range_is_told() -> None:
    told = outside(compare(PLAIN, [PLAIN] * 3, (12.0, [5.0, 6.0, 7.0])))
    assert [(each.kind, each.difference) for each in told] == [(RANGE, pytest.approx(6.0))]
    assert outside(compare(PLAIN, [PLAIN] * 3, (12.0, [np.nan] * 3))) == []


@pytest.mark.parametrize("kind", ["bell", "high shelf"])
def test_an_equaliser_reads_as_its_response(kind: str) -> None:
    """Beside scipy's filters: the mean of the analytic power response over each half octave of pink noise."""
    if kind == "bell":
        sos = tf2sos(*iirpeak(1200.0, 1.5, fs=RATE_HZ))
    else:
        sos = butter(1, 5000.0, "highpass", fs=RATE_HZ, output="sos")
    sound = stereo(pink(21, 8.0), 0.3 * pink(22, 8.0))
    found = compare(account_of(sound + 0.8 * sosfilt(sos, sound, axis=0)), [account_of(sound)])
    hz = np.array([np.geomspace(item.low_hz, item.high_hz, 200) for item in BANDS])
    response = np.abs(1.0 + 0.8 * sosfreqz(sos, hz.ravel(), fs=RATE_HZ)[1].reshape(hz.shape)) ** 2
    expected = 10.0 * np.log10(response.mean(axis=1))
    difference = found.tone.difference - expected
    assert np.ptp(difference) < 0.15  # but for one gain in all bands: level is matched

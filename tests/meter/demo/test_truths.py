"""The planted truths, each found again in the sound by plain filters, a spectrum or the reference library."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, find_peaks, hilbert, periodogram, sosfilt, sosfiltfilt, welch

from meter.demo.parts import PARTS, RATE_HZ, SECTIONS, Section
from meter.demo.truths import TRUTHS
from meter.references.ebur128 import INTEGRATED, Ebur128, available
from tests.meter.demo.conftest import Feeds

Low = dict[str, NDArray[np.float64]]
FACTOR = 48
LOW_HZ = RATE_HZ / FACTOR
NAMES = {part.name: part.key for part in PARTS}
LOW_END_HZ = (20.0, 120.0)


@pytest.fixture(scope="package")
def low(feeds: Feeds) -> Low:
    """Every feed in stereo at 1 kHz, nothing above 300 Hz: means of 8 frames, then a filter, then every sixth."""
    anti_alias = butter(8, 300.0, fs=RATE_HZ / 8, output="sos")
    slow = {}
    for key, feed in feeds.items():
        means = feed.reshape(-1, 8, feed.shape[1]).mean(axis=1, dtype=np.float64)
        thinned = sosfilt(anti_alias, means, axis=0)[:: FACTOR // 8]
        slow[key] = np.broadcast_to(thinned, (len(thinned), 2))
    return slow


def within(sound: NDArray[np.float64], edges: tuple[float, float], order: int = 4) -> NDArray[np.float64]:
    return np.asarray(sosfilt(butter(order, edges, "bandpass", fs=LOW_HZ, output="sos"), sound, axis=0))


def cut(sound: NDArray[np.float64], section: Section) -> NDArray[np.float64]:
    return sound[section.first_frame // FACTOR : section.end_frame // FACTOR]


def decibels(power: float) -> float:
    return float(10.0 * np.log10(power))


def fold_down_loss_db(sound: NDArray[np.float64]) -> float:
    return decibels(np.mean((sound.mean(axis=1)) ** 2) / np.mean(sound**2))


def test_the_organ_rumbles_under_its_lowest_note(feeds: Feeds) -> None:
    rumble, organ = TRUTHS.rumble, feeds["organ"][:, 0].astype(np.float64)
    hz, power = welch(organ, RATE_HZ, nperseg=10 * RATE_HZ)
    width = hz[1]
    inside = power[(hz >= rumble.band_hz[0]) & (hz <= rumble.band_hz[1])].sum() * width
    beneath = power[hz < rumble.lowest_note_hz / np.sqrt(2.0)].sum() * width
    assert decibels(inside) == pytest.approx(rumble.level_dbfs, abs=0.3)
    assert decibels(beneath) == pytest.approx(rumble.level_dbfs, abs=0.3)
    assert decibels(inside / np.mean(organ**2)) == pytest.approx(rumble.re_part_db, abs=0.3)
    between = power[(hz > 48.0) & (hz < 60.0)].sum() * width
    assert decibels(between / inside) < -30.0
    assert rumble.lowest_note_hz == pytest.approx(65.406, abs=0.001)  # C2, equal temperament on A4 = 440 Hz (ISO 16)


def test_the_rumble_is_there_in_every_section(low: Low) -> None:
    for section in SECTIONS:
        band = cut(within(low["organ"], TRUTHS.rumble.band_hz), section)
        assert decibels(np.mean(band**2)) == pytest.approx(TRUTHS.rumble.level_dbfs, abs=1.0)


def test_the_mix_loses_in_mono_in_the_second_section_only(low: Low) -> None:
    cancellation = TRUTHS.cancellation
    for order in (2, 4):
        band = within(low["mix"], cancellation.band_hz, order)
        for section in SECTIONS:
            loss = fold_down_loss_db(cut(band, section))
            if section == cancellation.section:
                assert loss < cancellation.least_loss_db
            else:
                assert loss > cancellation.most_elsewhere_db
    second_order = within(low["mix"], cancellation.band_hz, 2)
    assert fold_down_loss_db(cut(second_order, cancellation.section)) == pytest.approx(
        cancellation.section_loss_db, abs=0.3
    )


def test_it_loses_all_through_the_second_section(low: Low) -> None:
    band = cut(within(low["mix"], TRUTHS.cancellation.band_hz), TRUTHS.cancellation.section)
    window = round(3 * LOW_HZ)
    losses = [fold_down_loss_db(band[start : start + window]) for start in range(window, len(band) - window, window)]
    assert max(losses) < TRUTHS.cancellation.least_loss_db


def test_the_pair_is_the_culprit(low: Low) -> None:
    key = NAMES[TRUTHS.cancellation.part]
    band = within(low[key], TRUTHS.cancellation.band_hz)
    for section in SECTIONS[1:]:
        left, right = cut(band, section).T
        correlation = np.corrcoef(left, right)[0, 1]
        assert correlation < -0.9 if section == TRUTHS.cancellation.section else correlation > 0.9
    for other in set(NAMES.values()) - {key}:
        if other != "room":  # two independent sides, but nothing to speak of down there
            assert fold_down_loss_db(cut(low[other], SECTIONS[1])) == pytest.approx(0.0, abs=1e-9)
    neighbours = cut(within(low[key], (100.0, 200.0)), TRUTHS.cancellation.section)
    assert np.corrcoef(*neighbours.T)[0, 1] > 0.5


def test_the_drum_rings_into_the_bass_note(low: Low) -> None:
    ringing = TRUTHS.ringing
    octave = (ringing.fundamental_hz / np.sqrt(2.0), ringing.fundamental_hz * np.sqrt(2.0))
    sos = butter(2, octave, "bandpass", fs=LOW_HZ, output="sos")
    envelope = np.abs(hilbert(sosfiltfilt(sos, low["drum"][:, 0])))
    tails = []
    for onset in TRUTHS.drum_onsets:
        peak = envelope[onset // FACTOR : onset // FACTOR + round(0.3 * LOW_HZ)].max()
        tails.append(20 * np.log10(envelope[(onset + ringing.after_frames) // FACTOR] / peak))
    assert min(tails) > -10.0
    assert np.median(tails) == pytest.approx(ringing.tail_db, abs=0.2)


def test_the_drum_falls_by_sixty_decibels_in_the_time_that_is_told(low: Low) -> None:
    sos = butter(2, (30.0, 60.0), "bandpass", fs=LOW_HZ, output="sos")
    first = low["drum"][: round(5 * LOW_HZ), 0]  # alone for two bars
    level = 20 * np.log10(np.abs(hilbert(sosfiltfilt(sos, first))))
    start, end = round(0.6 * LOW_HZ), round(2.0 * LOW_HZ)
    slope = np.polyfit(np.arange(start, end) / LOW_HZ, level[start:end], 1)[0]
    # T60 = 60 dB over the slope, by definition (ISO 3382)
    assert -60.0 / slope == pytest.approx(TRUTHS.ringing.t60_seconds, rel=0.02)


@pytest.mark.skipif(not available(), reason="libebur128 is not installed")
def test_the_third_section_is_three_lu_louder_than_the_second(feeds: Feeds) -> None:
    loudness = {}
    for section in SECTIONS:
        with Ebur128(2, RATE_HZ, INTEGRATED) as reference:
            reference.push(feeds["mix"][section.first_frame : section.end_frame])
            loudness[section.name] = reference.integrated
    step = TRUTHS.step
    difference = loudness[step.section.name] - loudness[step.before.name]
    assert difference == pytest.approx(step.louder_lu, abs=0.1)
    assert loudness[step.section.name] == max(loudness.values())


def shares(low: Low, section: Section) -> dict[str, float]:
    """Covariance share of each part in the low end of the mix: they add up to 1."""
    mix = cut(within(low["mix"], LOW_END_HZ), section)
    whole = np.sum(mix**2)
    return {part.name: np.sum(cut(within(low[part.key], LOW_END_HZ), section) * mix) / whole for part in PARTS}


@pytest.mark.parametrize("section", SECTIONS, ids=lambda section: section.name)
def test_drum_and_bass_own_the_low_end(low: Low, section: Section) -> None:
    share = shares(low, section)
    assert sum(share.values()) == pytest.approx(1.0, abs=1e-4)
    assert sum(share[name] for name in TRUTHS.owners) >= TRUTHS.least_owned
    assert max(share[name] for name in TRUTHS.owners) < TRUTHS.least_owned  # neither of them alone
    assert abs(share["room"]) < 0.02
    assert abs(share["voice"]) < 0.01


def test_organ_and_pair_squat_there(low: Low) -> None:
    most = {name: max(shares(low, section)[name] for section in SECTIONS) for name in TRUTHS.squatters}
    assert min(most.values()) > 0.03


@pytest.mark.parametrize(("key", "onsets"), [("drum", TRUTHS.drum_onsets), ("bass", TRUTHS.bass_onsets)])
def test_onsets_are_where_they_are_said_to_be(feeds: Feeds, key: str, onsets: tuple[int, ...]) -> None:
    touch = sosfilt(butter(2, (300.0, 2000.0), "bandpass", fs=RATE_HZ, output="sos"), feeds[key][:, 0])
    hop, span = RATE_HZ // 100, 5
    energy = np.pad((touch.astype(np.float64) ** 2).reshape(-1, hop).sum(axis=1), span)
    around = np.convolve(energy, np.ones(span), "valid") + 0.01 * energy.max()
    rise = np.log10(around[span:] / around[:-span])  # the next 50 ms over the last 50 ms
    found, _ = find_peaks(np.pad(rise, 1), height=0.5, distance=30)
    found = found - 1
    assert len(found) == len(onsets)
    assert np.abs(found * hop - np.array(onsets)).max() <= 2 * hop


def test_the_bass_really_plays_its_lowest_note(feeds: Feeds) -> None:
    onset = TRUTHS.bass_onsets[0]
    note = feeds["bass"][onset : onset + 6 * RATE_HZ, 0].astype(np.float64)
    hz, power = periodogram(note, RATE_HZ, "hann")
    assert hz[np.argmax(power)] == pytest.approx(TRUTHS.lowest_note_hz["double bass"], abs=0.2)
    assert power[hz < 33.0].max() < 1e-3 * power.max()


def test_facts_fit_each_other() -> None:
    assert TRUTHS.section_frames == tuple(12 * number * TRUTHS.bar_frames for number in range(4))
    assert TRUTHS.total_frames == 48 * TRUTHS.bar_frames
    assert [b - d for d, b in zip(TRUTHS.drum_onsets, TRUTHS.bass_onsets, strict=True)] == [
        TRUTHS.ringing.after_frames
    ] * len(TRUTHS.drum_onsets)
    assert set(TRUTHS.lowest_note_hz) <= set(NAMES)

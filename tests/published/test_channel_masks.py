"""Loudness of each channel of a file by its WAVE channel mask, against BS.1770-5.

Weights: Annex 1 Table 3 and Annex 3 Table 4 (1.41 within 60 to 120 degrees of azimuth, under 30 of elevation,
otherwise 1; the low-frequency channel is left out). Mask bits: Microsoft, WAVEFORMATEXTENSIBLE, dwChannelMask, read
in two copies. Azimuths of the positions: ITU-R BS.2051 (from memory); only on which side of 60 and 120 degrees they
lie matters.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dsp.core.signals import tone
from meter.measure import measure_file
from tests.support.plugins import file_meters
from tests.support.wave_files import write_wave

FRONT, SIDE, BACK, TOP, LFE = 1.0, 1.41, 1.0, 1.0, 0.0
MASKS: dict[str, tuple[int, tuple[float, ...]]] = {
    "5.1 with backs": (0x3F, (FRONT, FRONT, FRONT, LFE, SIDE, SIDE)),
    "5.1 with sides": (0x60F, (FRONT, FRONT, FRONT, LFE, SIDE, SIDE)),
    "6.1 with backs": (0x13F, (FRONT, FRONT, FRONT, LFE, SIDE, SIDE, BACK)),
    "6.1 with sides": (0x70F, (FRONT, FRONT, FRONT, LFE, BACK, SIDE, SIDE)),
    "7.1": (0x63F, (FRONT, FRONT, FRONT, LFE, BACK, BACK, SIDE, SIDE)),
    "7.1 with a wide front": (0xFF, (FRONT, FRONT, FRONT, LFE, SIDE, SIDE, FRONT, FRONT)),
    "7.0": (0x637, (FRONT, FRONT, FRONT, BACK, BACK, SIDE, SIDE)),
    "four": (0x33, (FRONT, FRONT, SIDE, SIDE)),
    "5.1.2": (0x560F, (FRONT, FRONT, FRONT, LFE, SIDE, SIDE, TOP, TOP)),
    "2.1": (0xB, (FRONT, FRONT, LFE)),
    "two surrounds": (0x30, (SIDE, SIDE)),
    "low-frequency channel alone": (0x8, (LFE,)),
    "fewer positions than channels": (0x3, (FRONT, FRONT, 1.0, 1.0)),
}
"""A back pair without sides is the surround pair of Table 3 (110 degrees); with sides it is at 135 (weight 1)."""

PLAIN = -23.0 - 10.0 * math.log10(2.0)
"""A 997 Hz sine of -23 dBFS in one channel of weight 1 (BS.1770-5 Annex 1: 0 dBFS reads -3.01 LKFS)."""

METERS = [plugin for plugin in file_meters() if plugin.id == "loudness"]


def loudness_of(path: Path) -> float | None:
    reading: float | None = measure_file(path, METERS).readings["loudness.integrated_lufs"]
    return reading


def alone(channel: int, channels: int) -> np.ndarray:
    samples = np.zeros((24_000, channels))
    samples[:, channel] = tone(997.0, -23.0, 0.5, 48_000)[:, 0]
    return samples


@pytest.mark.parametrize("rf64", [False, True], ids=["RIFF", "RF64"])
@pytest.mark.parametrize("layout", MASKS)
def test_each_channel_weighs_what_its_position_asks(tmp_path: Path, layout: str, rf64: bool) -> None:
    mask, weights = MASKS[layout]
    for channel, weight in enumerate(weights):
        samples = alone(channel, len(weights))
        reading = loudness_of(write_wave(tmp_path / "one.wav", samples, mask, rf64=rf64))
        if weight == LFE:
            assert reading is None, channel
        else:
            assert reading == pytest.approx(PLAIN + 10.0 * math.log10(weight), abs=0.01), channel


@pytest.mark.parametrize(
    ("channels", "weights"),
    [
        (3, (1, 1, 1)), (4, (1, 1, SIDE, SIDE)), (5, (1, 1, 1, SIDE, SIDE)), (6, (1, 1, 1, LFE, SIDE, SIDE)),
        (7, (1, 1, 1, LFE, BACK, SIDE, SIDE)), (8, (1, 1, 1, LFE, BACK, BACK, SIDE, SIDE)), (12, (1,) * 12),
    ],
)  # fmt: skip
@pytest.mark.parametrize("mask", [None, 0], ids=["no mask", "an empty mask"])
def test_without_a_mask_the_usual_order_is_assumed_and_that_is_said(
    tmp_path: Path, channels: int, weights: tuple[float, ...], mask: int | None
) -> None:
    """The usual order: RFC 9639 (FLAC), 9.1.3, which is that of the WAVE mask."""
    for channel, weight in enumerate(weights):
        reading = loudness_of(write_wave(tmp_path / "one.wav", alone(channel, channels), mask))
        assert reading == (pytest.approx(PLAIN + 10.0 * math.log10(weight), abs=0.01) if weight else None), channel
    told = measure_file(tmp_path / "one.wav", METERS).to_json()
    assert told["channel_roles_from"] == "assumed from the channel count"
    assert len(told["channel_roles"]) == channels
    assert any("does not say" in note for note in told["notes"])


def test_a_mask_is_named_as_where_the_roles_come_from(tmp_path: Path) -> None:
    told = measure_file(write_wave(tmp_path / "a.wav", alone(0, 8), 0x63F), METERS).to_json()
    assert told["channel_roles"] == ["L", "R", "C", "LFE", "Lb", "Rb", "Ls", "Rs"]
    assert told["channel_roles_from"] == "channel mask of the file"
    assert "notes" not in told


def test_a_mask_that_places_only_some_channels_is_told(tmp_path: Path) -> None:
    told = measure_file(write_wave(tmp_path / "a.wav", alone(0, 4), 0x3), METERS).to_json()
    assert told["channel_roles"] == ["L", "R", "3", "4"]
    assert "places 2 of its 4 channels" in told["notes"][0]


@pytest.mark.parametrize("mask", [None, 0x3])
def test_plain_stereo_needs_no_word(tmp_path: Path, mask: int | None) -> None:
    told = measure_file(write_wave(tmp_path / "a.wav", alone(0, 2), mask), METERS).to_json()
    assert not {"channel_roles", "channel_roles_from", "notes"} & set(told)


@pytest.mark.parametrize("mask", [0xFFFFFFFF, 0x80000000, 0xFFFC0000])
def test_bits_that_stand_for_no_position_are_no_error(tmp_path: Path, mask: int) -> None:
    assert loudness_of(write_wave(tmp_path / "odd.wav", alone(0, 6), mask)) == pytest.approx(PLAIN, abs=0.01)


VORBIS = {6: (1, 1, 1, SIDE, SIDE, LFE), 7: (1, 1, 1, SIDE, SIDE, BACK, LFE), 8: (1, 1, 1, SIDE, SIDE, 1, 1, LFE)}
"""Vorbis I specification 4.3.9, read in a copy: left, centre, right, surrounds, ..., low-frequency channel last."""


@pytest.mark.parametrize("channels", VORBIS)
def test_ogg_has_an_order_of_its_own(tmp_path: Path, channels: int) -> None:
    path = tmp_path / "all.ogg"
    soundfile.write(path, tone(997.0, -23.0, 1.0, 48_000, channels), 48_000)
    found = measure_file(path, METERS)
    expected = PLAIN + 10.0 * math.log10(sum(VORBIS[channels]))
    assert found.readings["loudness.integrated_lufs"] == pytest.approx(expected, abs=0.1)
    assert found.to_json()["channel_roles"][-1] == "LFE"
    assert found.to_json()["channel_roles_from"] == "order of the file format"


def test_flac_has_the_order_of_its_standard_unless_a_tag_gives_a_mask(tmp_path: Path) -> None:
    """RFC 9639, 9.1.3 and 8.6.2."""
    path = tmp_path / "all.flac"
    soundfile.write(path, tone(997.0, -23.0, 0.5, 48_000, 6), 48_000, subtype="PCM_24")
    plain = measure_file(path, METERS)
    assert plain.to_json()["channel_roles"] == ["L", "R", "C", "LFE", "Ls", "Rs"]
    assert plain.to_json()["channel_roles_from"] == "order of the file format"
    path.write_bytes(with_tag(path.read_bytes(), b"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0x0137"))
    tagged = measure_file(path, METERS)
    assert tagged.to_json()["channel_roles"] == ["L", "R", "C", "Ls", "Rs", "Cb"]
    assert tagged.readings["loudness.integrated_lufs"] == pytest.approx(
        PLAIN + 10.0 * math.log10(3.0 + 2 * SIDE + BACK), abs=0.01
    )


def with_tag(flac: bytes, tag: bytes) -> bytes:
    """The file with one more comment block of one tag after the stream information."""
    body = (0).to_bytes(4, "little") + (1).to_bytes(4, "little") + len(tag).to_bytes(4, "little") + tag
    end = 4 + 4 + int.from_bytes(flac[5:8], "big")
    rest = flac[end:]
    # The library's own comment block is dropped: a file may hold only one.
    while rest[0] & 0x7F != 4:
        end += 4 + int.from_bytes(rest[1:4], "big")
        rest = flac[end:]
    last = rest[0] & 0x80
    after = rest[4 + int.from_bytes(rest[1:4], "big") :]
    return flac[:end] + bytes([4 | last]) + len(body).to_bytes(3, "big") + body + after

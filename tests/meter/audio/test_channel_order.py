"""The order of a file's channels from damaged and odd headers; what the readings make of it: tests/published."""

from __future__ import annotations

from pathlib import Path

import pytest

from meter.audio.channel_order import channel_order

HEAD = b"fLaC" + bytes([0, 0, 0, 34]) + bytes(34)


def comment(text: bytes, length: int | None = None) -> bytes:
    return bytes([4]) + (len(text) if length is None else length).to_bytes(3, "big") + text


@pytest.mark.parametrize(
    "data",
    [
        b"", b"fLaC", HEAD, HEAD[:7], HEAD + bytes([4, 255, 255, 255]), HEAD + comment(b"CHANNEL_MASK=0x8"),
        HEAD + comment(b"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0xNOTHING"), b"fLaC" + bytes([1, 0, 0, 0]) * 5000,
        HEAD + comment(b"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0x111111111111111"),
    ],
)  # fmt: skip
def test_a_flac_head_that_breaks_off_or_tells_nothing_leaves_the_format_s_order(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "odd.flac"
    path.write_bytes(data)
    order = channel_order(path, "FLAC", "", 6)
    assert (order.roles, order.origin) == (("L", "R", "C", "LFE", "Ls", "Rs"), "format")


def test_a_flac_file_that_is_gone_by_now_leaves_the_format_s_order(tmp_path: Path) -> None:
    assert channel_order(tmp_path / "gone.flac", "FLAC", "", 8).origin == "format"


def test_a_comment_that_claims_more_than_there_is_still_gives_its_mask(tmp_path: Path) -> None:
    path = tmp_path / "short.flac"
    path.write_bytes(HEAD + comment(b"waveformatextensible_channel_mask=0x70F", length=0xFFFFFF))
    assert channel_order(path, "FLAC", "", 7).roles == ("L", "R", "C", "LFE", "Cb", "Ls", "Rs")


def test_a_log_that_only_mentions_a_mask_gives_none(tmp_path: Path) -> None:
    for log in ("", "  IART : a Channel Mask  : 0x8", "  Channel Mask  : none"):
        assert channel_order(tmp_path / "a.wav", "WAV", log, 2).origin == "count"

"""Channel order of a sound file: by its WAVE channel mask, by its format's own order, otherwise assumed."""

from __future__ import annotations

import re
from pathlib import Path

from dsp.core.channel_roles import DEFAULT_ROLES, VORBIS_ROLES, ChannelOrder, default_roles, roles_of_mask

LOGGED_MASK = re.compile(r"^\s*Channel Mask\s*: 0x([0-9A-Fa-f]{1,8})\b", re.MULTILINE)
"""How libsndfile logs ``dwChannelMask`` of WAV, RF64 and W64."""

FLAC_TAG = re.compile(rb"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0[xX]([0-9A-Fa-f]{1,8})\b", re.IGNORECASE)
"""RFC 9639, 8.6.2."""
FLAC_COMMENT = 4
MOST_FLAC_BLOCKS = 128
MOST_COMMENT_BYTES = 1_000_000


def channel_order(path: Path, kind: str, log: str, channels: int) -> ChannelOrder:
    """The order of an opened file; ``kind`` and ``log`` are libsndfile's name of the format and its log."""
    mask = _flac_mask(path) if kind == "FLAC" else _logged_mask(log)
    by_mask = roles_of_mask(mask, channels)
    if by_mask:
        return ChannelOrder(by_mask, "mask")
    of_format = {"OGG": VORBIS_ROLES, "FLAC": DEFAULT_ROLES}.get(kind, {})
    if channels in of_format:
        return ChannelOrder(of_format[channels], "format")
    return ChannelOrder(default_roles(channels), "count")


def _logged_mask(log: str) -> int:
    found = LOGGED_MASK.search(log)
    return int(found[1], 16) if found else 0


def _flac_mask(path: Path) -> int:
    """The mask in a FLAC file's comment block, 0 where there is none; libsndfile does not return it."""
    try:
        with path.open("rb") as file:
            if file.read(4) != b"fLaC":
                return 0
            for _ in range(MOST_FLAC_BLOCKS):
                head = file.read(4)
                if len(head) < 4:
                    return 0
                length = int.from_bytes(head[1:], "big")
                if head[0] & 0x7F == FLAC_COMMENT:
                    found = FLAC_TAG.search(file.read(min(length, MOST_COMMENT_BYTES)))
                    return int(found[1], 16) if found else 0
                if head[0] & 0x80:
                    return 0
                file.seek(length, 1)
    except OSError:
        return 0
    return 0

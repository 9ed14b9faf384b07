"""Roles of channels: which loudspeaker position each carries, by WAVE channel mask, file format or channel count.

A role is a name of ``MASK_ROLES`` (``"L"``, ``"R"``, ``"C"``, ``"LFE"``…), ``"M"`` for mono, or the channel's number
from 1 where no position is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MASK_ROLES = (
    "L", "R", "C", "LFE", "Lb", "Rb", "Lc", "Rc", "Cb", "Ls", "Rs",
    "Tc", "Ltf", "Ctf", "Rtf", "Ltb", "Ctb", "Rtb",
)  # fmt: skip
"""By bit of ``dwChannelMask``, lowest first (Microsoft WAVEFORMATEXTENSIBLE, from two copies): fronts, LFE, backs,
fronts beside the centre, back centre, sides, tops. A file holds its channels in this order."""

POSITIONS: dict[str, tuple[float, float]] = {
    "M": (0, 0), "C": (0, 0), "L": (30, 0), "R": (-30, 0), "Lc": (15, 0), "Rc": (-15, 0),
    "Ls": (110, 0), "Rs": (-110, 0), "Lb": (135, 0), "Rb": (-135, 0), "Cb": (180, 0),
    "Tc": (0, 90), "Ltf": (45, 45), "Ctf": (0, 45), "Rtf": (-45, 45),
    "Ltb": (135, 45), "Ctb": (180, 45), "Rtb": (-135, 45),
}  # fmt: skip
"""Azimuth and elevation in degrees (ITU-R BS.2051, from memory). For loudness it matters only whether an azimuth lies
within 60 to 120 and an elevation under 30: sides at 90 and surrounds at 110 weigh the same, backs at 135 do not."""

DEFAULT_ROLES: dict[int, tuple[str, ...]] = {
    1: ("M",),
    2: ("L", "R"),
    3: ("L", "R", "C"),
    4: ("L", "R", "Ls", "Rs"),
    5: ("L", "R", "C", "Ls", "Rs"),
    6: ("L", "R", "C", "LFE", "Ls", "Rs"),
    7: ("L", "R", "C", "LFE", "Cb", "Ls", "Rs"),
    8: ("L", "R", "C", "LFE", "Lb", "Rb", "Ls", "Rs"),
}
"""The order of FLAC (RFC 9639, 9.1.3) and of the usual WAVE masks; assumed where a file has no mask."""

VORBIS_ROLES: dict[int, tuple[str, ...]] = {
    3: ("L", "C", "R"),
    4: ("L", "R", "Ls", "Rs"),
    5: ("L", "C", "R", "Ls", "Rs"),
    6: ("L", "C", "R", "Ls", "Rs", "LFE"),
    7: ("L", "C", "R", "Ls", "Rs", "Cb", "LFE"),
    8: ("L", "C", "R", "Ls", "Rs", "Lb", "Rb", "LFE"),
}
"""Vorbis I specification 4.3.9, read in a copy; Opus in Ogg has the same order (RFC 7845, 5.1.1.2, from memory)."""


@dataclass(frozen=True)
class ChannelOrder:
    """One role per channel, and where the roles come from: mask, standard of the format, or channel count."""

    roles: tuple[str, ...]
    origin: Literal["mask", "format", "count"]

    @property
    def is_plain(self) -> bool:
        """True for mono, or left and right."""
        return self.roles in (DEFAULT_ROLES[1], DEFAULT_ROLES[2])


def default_roles(channels: int) -> tuple[str, ...]:
    """Roles of ``channels`` channels in the usual order; numbers where there is none."""
    return DEFAULT_ROLES.get(channels) or numbers(channels)


def numbers(channels: int, after: int = 0) -> tuple[str, ...]:
    """``"1"``, ``"2"``… for channels without a known position."""
    return tuple(str(number + 1) for number in range(after, channels))


def roles_of_mask(mask: int, channels: int) -> tuple[str, ...]:
    """Roles of a WAVE channel mask, one per channel; empty where it names no position.

    Bits beyond the channel count are ignored; channels beyond the bits get numbers. A back pair without sides is the
    surround pair of a 5.1 layout (common practice: both masks of 5.1 are in use).
    """
    bits = [bit for bit in range(len(MASK_ROLES)) if mask >> bit & 1][:channels]
    placed = tuple(MASK_ROLES[bit] for bit in bits)
    if not placed:
        return ()
    if not {"Ls", "Rs"} & set(placed):
        surround = {"Lb": "Ls", "Rb": "Rs"}
        placed = tuple(surround.get(role, role) for role in placed)
    return placed + numbers(channels, after=len(placed))

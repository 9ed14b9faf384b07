"""Feeds: named sets of channels of one clock. ``mix`` is what leaves the DAW."""

from __future__ import annotations

from collections.abc import Mapping

MIX = "mix"


def whole_mix(channels: int) -> dict[str, tuple[int, ...]]:
    """The map of a plain stream or file: every channel belongs to the mix."""
    return {MIX: tuple(range(channels))}


def check_feeds(feeds: Mapping[str, tuple[int, ...]], channels: int) -> None:
    """Raise ValueError with one sentence when a feed is empty or names a channel that is not there."""
    for name, columns in feeds.items():
        if not columns:
            raise ValueError(f"The feed “{name}” has no channel; give it at least one.")
        for column in columns:
            if not 0 <= column < channels:
                raise ValueError(
                    f"The feed “{name}” wants channel {column + 1}, but the source has {channels}; choose another."
                )

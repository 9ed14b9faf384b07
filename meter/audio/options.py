"""Options of a request, checked: they come from settings files."""

from __future__ import annotations

import math

from meter.audio.source import MOST_CHANNELS, SourceError, SourceRequest

DEFAULT_LATENCY_SECONDS = 4096 / 48_000
SHORTEST_LATENCY_SECONDS, LONGEST_LATENCY_SECONDS = 0.02, 0.5


def latency_seconds(request: SourceRequest) -> float:
    """Option ``latency_seconds``: 0.02 to 0.5, default 4096/48000 (85 ms)."""
    value = _number(request, "latency_seconds", DEFAULT_LATENCY_SECONDS)
    if not SHORTEST_LATENCY_SECONDS <= value <= LONGEST_LATENCY_SECONDS:
        raise SourceError(
            f"A latency of {value * 1000:g} ms was asked of '{request.title}'; set it between "
            f"{SHORTEST_LATENCY_SECONDS * 1000:g} and {LONGEST_LATENCY_SECONDS * 1000:g} ms."
        )
    return value


def rate_hz(request: SourceRequest) -> int | None:
    """Option ``rate_hz``; None means the source's own rate."""
    value = _number(request, "rate_hz", math.nan)
    return None if math.isnan(value) else round(value)


def channel_numbers(request: SourceRequest, held: int, default: int) -> tuple[int, ...]:
    """Option ``channels``: numbers counted from 1; default is the first ``default`` of the ``held`` channels.

    Raises SourceError for a number the source does not have, none at all, twice the same or more than 32.
    """
    wanted = request.options.get("channels")
    if wanted is None:
        return tuple(range(1, min(held, default, MOST_CHANNELS) + 1))
    if not isinstance(wanted, (list, tuple)) or not all(type(number) is int for number in wanted):
        raise SourceError(f"The channels of '{request.title}' are given as numbers from 1, such as [1, 2].")
    numbers = tuple(wanted)
    if not 1 <= len(numbers) <= MOST_CHANNELS or len(set(numbers)) != len(numbers):
        raise SourceError(f"Choose 1 to {MOST_CHANNELS} different channels of '{request.title}'.")
    missing = [number for number in numbers if not 1 <= number <= held]
    if missing:
        raise SourceError(
            f"'{request.title}' has {held} input channel{'s' if held != 1 else ''}, so channel {missing[0]} "
            "does not exist; choose others."
        )
    return numbers


def _number(request: SourceRequest, key: str, default: float) -> float:
    value = request.options.get(key)
    if value is None:
        return default
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise SourceError(f"The option {key} of '{request.title}' must be a number, not {value!r}.")
    return float(value)

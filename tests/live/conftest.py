"""The live test bed as fixtures: a shared server for tests that leave it as it is, a fresh one for the others."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.live.server import ServerUnavailableError, Sink, SoundServer

FRONT = Sink("front", description="Front Room")
SIDE = Sink("side", description="Side Room")
OLD_RATE = Sink("old_rate", rate_hz=44_100)
DESK = Sink("desk", channels=16, positions=tuple(f"aux{number}" for number in range(16)))
CINEMA = Sink(
    "cinema",
    channels=6,
    positions=("front-left", "front-right", "front-center", "lfe", "rear-left", "rear-right"),
)


def started(*sinks: Sink) -> Iterator[SoundServer]:
    """The server, or a skip with the reason; a failure instead where live tests are required."""
    try:
        with SoundServer(*sinks) as server:
            yield server
    except ServerUnavailableError as error:
        if os.environ.get("CI") or os.environ.get("EARWITNESS_REQUIRE_LIVE"):
            pytest.fail(f"live tests are required here, but {error}")
        pytest.skip(str(error))


@pytest.fixture(scope="module")
def server() -> Iterator[SoundServer]:
    """A server with five sinks, shared by the tests of a module."""
    yield from started(FRONT, SIDE, OLD_RATE, DESK, CINEMA)


@pytest.fixture
def fresh_server() -> Iterator[SoundServer]:
    """A server with two sinks for one test, which may break it."""
    yield from started(FRONT, SIDE)

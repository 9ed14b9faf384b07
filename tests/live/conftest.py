"""The live test bed as fixtures: a shared server for tests that leave it as it is, a fresh one for the others."""

from __future__ import annotations

import os
import subprocess
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


@pytest.fixture(scope="session")
def screen() -> Iterator[str]:
    """A virtual screen of its own; gives what DISPLAY must say."""
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1400x900x24", "-nolisten", "tcp"]
    try:
        server = subprocess.Popen(command, pass_fds=[write], stderr=subprocess.DEVNULL)
    except FileNotFoundError:
        if os.environ.get("EARWITNESS_REQUIRE_LIVE"):
            pytest.fail("Xvfb is required here: apt install xvfb")
        pytest.skip("Xvfb is not installed")
    os.close(write)
    with os.fdopen(read) as numbers:
        number = numbers.readline().strip()
    yield f":{number}"
    server.terminate()
    server.wait()

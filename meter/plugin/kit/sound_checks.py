"""Checks of the numbers: loading, block sizes, borrowed blocks, sample rates, channels, reset and settings.

Each check takes a plugin and returns a sentence about what holds; it raises CheckFailed for what does not, and
NotChecked where there is nothing to check.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from dsp.core.types import FloatArray
from meter.feeds import ALL, MIX, PAIR
from meter.plugin.api import Setting
from meter.plugin.host import Plugin, load_processor
from meter.plugin.kit.compared import (
    ABSOLUTE,
    INAUDIBLE_DB,
    LEVEL_DOUBT,
    SKIRT_DB,
    expect_same,
    levels,
    same_level,
    shown,
)
from meter.plugin.kit.outcome import CheckFailed, NotChecked
from meter.plugin.kit.played import PARTS, RATE_HZ, Played, Readings
from meter.plugin.kit.sounds import music, random_sizes, stepped
from meter.plugin.manifest import Manifest, SettingEntry

METHODS = ("configure", "prepare", "process", "skip", "read", "reset")
SECONDS = 3.4
READ_AT = (1.0, 2.215, 3.3, SECONDS)
"""Seconds of sound at which readings are compared; the second lies within a tick."""
SIZES = (64, 65, 480, 8192, 8193)
TICK_FRAMES = 480
BY_ONE_FRAMES = 4_800
"""So many frames are fed one by one, at the end of the sound."""
RATES_HZ = (44_100, 48_000, 96_000, 192_000)
ODD_RATE_HZ = 11_025
"""Its ticks of 10 ms are 110 and 111 frames long."""
ODD_SECONDS = 1.1
LOUD_THEN_SOFT = ((-18.0, 3.5), (-38.0, 1.1))
CHANNELS = (1, 2, 6, 8)
FEEDS: tuple[Mapping[str, tuple[int, ...]], ...] = (
    {MIX: (0, 1)},
    {MIX: (0,), "part bass": (1,)},
    PARTS,
    {"part low drum": (0,), "part bass": (1, 2)},
    {MIX: (30, 31), **{f"part number {number}": (2 * number, 2 * number + 1) for number in range(15)}},
)
BEYOND = 1e6
"""Tried where a setting has no limit."""


def manifest_of(plugin: Plugin) -> Manifest:
    """The manifest of a plugin that was not refused."""
    assert plugin.manifest is not None
    return plugin.manifest


def check_manifest(plugin: Plugin) -> str:
    """The manifest is there and can be used."""
    if plugin.refusal or plugin.manifest is None:
        raise CheckFailed(plugin.refusal)
    fields, settings = len(plugin.manifest.fields), len(plugin.manifest.setting)
    return f"Meter “{plugin.id}” {plugin.manifest.version}: readings {fields}, settings {settings}."


def check_loading(plugin: Plugin) -> str:
    """The processor can be imported and made, has the methods of the contract, and measures a tick."""
    processor = load_processor(plugin)
    name = type(processor).__name__
    for method in METHODS:
        if not callable(getattr(processor, method, None)):
            raise CheckFailed(f"{name} has no method {method}; the contract is in meter.plugin.api.")
    saves, restores = (callable(getattr(processor, name, None)) for name in ("save_state", "restore_state"))
    if saves != restores:
        missing = "restore_state" if saves else "save_state"
        raise CheckFailed(f"{name} has no method {missing}; save_state and restore_state go together.")
    meter = Played(plugin)
    meter.feed(music(1, 0.5, RATE_HZ, meter.channels)[:TICK_FRAMES])
    meter.read()
    return f"{name} is imported, and measures a tick."


def check_blocks(plugin: Plugin) -> str:
    """Any split of a sound into blocks gives the same readings, and reading changes nothing."""
    sound = music(1, SECONDS, RATE_HZ, Played(plugin).channels)
    expected = _readings(plugin, sound, ())
    for sizes in [*((size,) for size in SIZES), random_sizes(1), random_sizes(2)]:
        words = f"blocks of {sizes[0]} frames" if len(sizes) == 1 else "blocks of random size"
        for one, other in zip(expected, _readings(plugin, sound, sizes), strict=True):
            expect_same(one, other, f"in {words}")
    by_one, seldom = Played(plugin), Played(plugin)
    by_one.feed(sound[:-BY_ONE_FRAMES])
    by_one.feed(sound[-BY_ONE_FRAMES:], (1,))
    expect_same(expected[-1], by_one.read(), "in blocks of 1 frame")
    expect_same(expected[-1], by_one.read(), "when it is read a second time")
    seldom.feed(sound)
    expect_same(expected[-1], seldom.read(), "when it was not read before")
    return f"Blocks of 1 to 8193 frames and random ones read the same within {ABSOLUTE:g}."


def check_borrowing(plugin: Plugin) -> str:
    """A block is neither changed nor kept."""
    meter = Played(plugin)
    for size in (480, 4800, 7):
        meter.lend(music(1, 0.5, RATE_HZ, meter.channels), size)
    return "No block is changed or kept."


def check_rates(plugin: Plugin) -> str:
    """It runs at every usual rate; levels of a tone, and how they fall after it, do not depend on the rate."""
    manifest = manifest_of(plugin)
    expected: Readings = {}
    for rate_hz in sorted(RATES_HZ, key=lambda rate: rate != RATE_HZ):
        meter = Played(plugin, rate_hz)
        sound = stepped(LOUD_THEN_SOFT, rate_hz, meter.channels)
        meter.feed(sound, (rate_hz // 100,))
        found = meter.read()
        expected = expected or found
        for key in levels(manifest):
            _expect_levels(key, expected[key], found[key], f"at {rate_hz:,} Hz")
    for rate_hz in (*RATES_HZ, ODD_RATE_HZ):
        whole, pieces = Played(plugin, rate_hz), Played(plugin, rate_hz)
        sound = music(2, ODD_SECONDS, rate_hz, whole.channels)
        whole.feed(sound)
        pieces.feed(sound, random_sizes(3))
        expect_same(whole.read(), pieces.read(), f"in blocks of random size at {rate_hz:,} Hz")
    return f"44.1, 48, 96 and 192 kHz; levels agree within {LEVEL_DOUBT:g} dB."


def check_channels(plugin: Plugin) -> str:
    """It runs on as many channels as its feed may have."""
    manifest = manifest_of(plugin)
    if manifest.feed == ALL:
        for feeds in FEEDS:
            meter = Played(plugin, feeds=feeds)
            meter.read()
            meter.feed(music(2, 1.0, RATE_HZ, meter.channels), (4800,))
            meter.read()
        return "Sources with and without a mix, with 0 to 15 parts and up to 32 channels."
    counts = {MIX: CHANNELS, PAIR: (2, 4)}.get(manifest.feed, CHANNELS[:2])
    for channels in counts:
        meter = Played(plugin, channels=channels)
        meter.read()
        meter.feed(music(2, 1.0, RATE_HZ, channels), (4800,))
        meter.read()
    return f"Feeds of {', '.join(map(str, counts[:-1]))} and {counts[-1]} channels."


def check_reset(plugin: Plugin) -> str:
    """After a reset it reads as one that was just prepared, then and after more sound; a mark does not throw.

    A meter of the whole sitting is the opposite: a reset changes nothing in it.
    """
    used, fresh = Played(plugin), Played(plugin)
    first, second = (music(seed, SECONDS, RATE_HZ, used.channels) for seed in (3, 4))
    used.feed(first, (479,))
    used.read()
    used.skip(0.123)
    used.feed(first[:1000])
    mark = getattr(used.processor, "mark", None)
    if mark is not None:
        mark()
    before = used.read()
    used.processor.reset()
    if used.manifest.sitting:
        expect_same(before, used.read(), "right after a reset, which a meter of the whole sitting ignores")
        return "A reset leaves it as it is: it counts the whole sitting."
    expect_same(fresh.read(), used.read(), "right after a reset")
    used.feed(second, (480,))
    fresh.feed(second, (480,))
    expect_same(fresh.read(), used.read(), "after a reset and new sound")
    return "After a reset it reads like one that was just prepared."


def check_settings(plugin: Plugin) -> str:
    """Every setting at its limits and each choice, from the start and changed while sound runs; a reset keeps it."""
    entries = manifest_of(plugin).setting
    if not entries:
        raise NotChecked("The manifest has no settings.")
    tried = 0
    for entry in entries:
        for value in _values(entry):
            _try_setting(plugin, entry.key, value)
            tried += 1
    keys = ", ".join(entry.key for entry in entries)
    return f"{tried} values of {keys}."


def _try_setting(plugin: Plugin, key: str, value: Setting) -> None:
    from_start, later = Played(plugin, settings={key: value}), Played(plugin)
    sound = music(5, 1.0, RATE_HZ, later.channels)
    from_start.feed(sound, (480,))
    expected = from_start.read()
    later.feed(sound[:12_345])
    later.configure(**{key: value})
    later.feed(sound[12_345:])
    later.read()
    if later.manifest.sitting:
        return
    later.processor.reset()
    later.feed(sound, random_sizes(4))
    when = f"when the setting “{key}” is {value!r} and was changed before a reset"
    expect_same(expected, later.read(), when)


def _values(entry: SettingEntry) -> Iterator[Setting]:
    if entry.choices:
        yield from entry.choices
    elif isinstance(entry.default, bool):
        yield from (False, True)
    elif isinstance(entry.default, str):
        yield from dict.fromkeys((entry.default, "", "anything"))
    else:
        least = entry.least if entry.least is not None else -BEYOND
        most = entry.most if entry.most is not None else BEYOND
        yield from dict.fromkeys((float(entry.default), least, most))


def _readings(plugin: Plugin, sound: FloatArray, sizes: Sequence[int]) -> list[Readings]:
    meter, found, start = Played(plugin), [], 0
    for seconds in READ_AT:
        end = round(seconds * RATE_HZ)
        meter.feed(sound[start:end], sizes)
        start = end
        found.append(meter.read())
    return found


def _expect_levels(key: str, expected: FloatArray, found: FloatArray, when: str) -> None:
    finite = expected[np.isfinite(expected)]
    floor = max(INAUDIBLE_DB, float(finite.max()) - SKIRT_DB) if len(finite) else INAUDIBLE_DB
    for one, other in zip(expected, found, strict=True):
        if not (same_level(one, other) or max(one, other) < floor):
            raise CheckFailed(f"The field “{key}” reads {shown(other)} instead of {shown(one)} {when}.")

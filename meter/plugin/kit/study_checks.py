"""Checks of a study: it is a plain function of a stretch that nothing changes, and its findings can be sent."""

from __future__ import annotations

import copy
import time
from typing import Any

import msgspec
import numpy as np

from meter.plugin.host import Plugin, load_object
from meter.plugin.kit.outcome import CheckFailed, NotChecked
from meter.plugin.kit.played import RATE_HZ, Played
from meter.plugin.kit.sound_checks import manifest_of
from meter.plugin.kit.sounds import music

SECONDS = 12.0
STEP_SECONDS = 0.5
LONGEST_CAPTURE_SECONDS = 0.01
"""``stretch`` should take 2 ms; a slower machine than this one has room up to here."""


def check_study(plugin: Plugin, key: str) -> str:
    """Run one study of a meter on stretches of sound, of silence and after a gap; by hand, without a thread."""
    entry = next(entry for entry in manifest_of(plugin).study if entry.key == key)
    study, kind = load_object(plugin, entry.function), load_object(plugin, entry.findings)
    if not callable(study):
        raise CheckFailed(f"{entry.function} is not a function.")
    if not (isinstance(kind, type) and issubclass(kind, msgspec.Struct)):
        raise CheckFailed(f"{entry.findings} is not a msgspec.Struct.")
    meter = Played(plugin)
    stretches, took = _captured(meter, key)
    if not stretches:
        raise NotChecked(f"stretch(“{key}”) returned nothing to study in {SECONDS:.0f} s of invented music.")
    if took > LONGEST_CAPTURE_SECONDS:
        raise CheckFailed(f"stretch(“{key}”) takes {took * 1000.0:.1f} ms; take less than 2 ms.")
    settings = meter.manifest.settings({})
    before = None
    for stretch in (stretches[0], stretches[-1]):
        before = _found(study, stretch, settings, before, kind)
    _expect_unchanged(meter, study, kind, key)
    _study_odd_sounds(plugin, study, kind, key)
    return f"It returns {kind.__name__}, alone and with the findings before; a stretch takes {took * 1000.0:.2f} ms."


def findings_now(plugin: Plugin, meter: Played) -> dict[str, Any]:
    """What the studies of a meter find in what it was fed so far, by ``meter.study``, as a face gets it."""
    found = {}
    for entry in meter.manifest.study:
        stretch = _stretch(meter, entry.key)
        if stretch is not None:
            study = load_object(plugin, entry.function)
            found[f"{plugin.id}.{entry.key}"] = study(stretch, meter.manifest.settings(meter.chosen), None)
    return found


def _captured(meter: Played, key: str) -> tuple[list[object], float]:
    """Every stretch of some music, and the shortest time that one took to capture."""
    sound = music(13, SECONDS, RATE_HZ, meter.channels)
    step = round(STEP_SECONDS * RATE_HZ)
    found, times = [], []
    for start in range(0, len(sound), step):
        meter.feed(sound[start : start + step], (480,))
        began = time.thread_time()
        stretch = _stretch(meter, key)
        if stretch is not None:
            times.append(time.thread_time() - began)
            found.append(stretch)
    return found, min(times, default=0.0)


def _stretch(meter: Played, key: str) -> object | None:
    capture: Any = getattr(meter.processor, "stretch", None)
    if capture is None:
        raise CheckFailed(f"{type(meter.processor).__name__} has no method stretch, which a study needs.")
    captured: object | None = capture(key)
    return captured


def _found(study: Any, stretch: object, settings: Any, before: Any, kind: type) -> Any:
    findings = study(stretch, settings, before)
    if not isinstance(findings, kind):
        raise CheckFailed(f"The study returns {type(findings).__name__}, not {kind.__name__}.")
    try:
        msgspec.msgpack.decode(msgspec.msgpack.encode(findings), type=kind)
    except (TypeError, msgspec.MsgspecError) as error:
        raise CheckFailed(f"Its findings cannot be sent ({error}); use numbers, text, lists and structs.") from error
    return findings


def _expect_unchanged(meter: Played, study: Any, kind: type, key: str) -> None:
    """What was captured stays as it is while the processor goes on."""
    sound = music(14, 2 * STEP_SECONDS, RATE_HZ, meter.channels)
    meter.feed(sound, (480,))
    stretch = _stretch(meter, key)
    if stretch is None:
        return
    as_it_was = copy.deepcopy(stretch)
    meter.feed(sound, (480,))
    meter.processor.reset()
    settings = meter.manifest.settings({})
    encoded = [msgspec.msgpack.encode(_found(study, each, settings, None, kind)) for each in (as_it_was, stretch)]
    if encoded[0] != encoded[1]:
        raise CheckFailed(f"process() or reset() changes what stretch(“{key}”) returned; return copies.")


def _study_odd_sounds(plugin: Plugin, study: Any, kind: type, key: str) -> None:
    """A stretch before any sound, of silence, after a gap: None, or something that can be studied."""
    meter = Played(plugin)
    settings = meter.manifest.settings({})
    for seconds_missing in (0.0, 3.0, 0.0):
        if seconds_missing:
            meter.skip(seconds_missing)
        stretch = _stretch(meter, key)
        if stretch is not None:
            _found(study, stretch, settings, None, kind)
        meter.feed(np.zeros((round(SECONDS * RATE_HZ), meter.channels)), (4800,))

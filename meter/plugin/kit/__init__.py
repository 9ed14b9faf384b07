"""The kit: checks whether a meter does what the contract asks. For authors of meters, and for ours.

``earwitness plugins check FOLDER`` runs it. From a test of a meter of your own::

    from meter.plugin.kit import check_meter

    def test_contract() -> None:
        failed = [outcome for outcome in check_meter(Path(__file__).parent) if outcome.failed]
        assert not failed, "\\n".join(map(str, failed))

The checks are plain functions. They run the meter's code in this process and time nothing but the cost check.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from meter.plugin.host import Plugin, discover
from meter.plugin.kit import gap_checks, instance_checks, sound_checks, state_checks, study_checks
from meter.plugin.kit.outcome import CheckFailed, NotChecked, Outcome
from meter.plugin.kit.played import Played
from meter.plugin.where import place_words, reason_of

__all__ = ["CheckFailed", "Outcome", "Played", "check_meter", "check_names", "outcomes", "run_check"]

Check = Callable[[Plugin], str]

_NEEDED = ("manifest", "loading", "cost")
"""Without these no other check can be run in reasonable time."""
_OF_SOUND: dict[str, Check] = {
    "manifest": sound_checks.check_manifest,
    "loading": sound_checks.check_loading,
    "cost": state_checks.check_cost,
    "blocks": sound_checks.check_blocks,
    "borrowing": sound_checks.check_borrowing,
    "rates": sound_checks.check_rates,
    "channels": sound_checks.check_channels,
    "reset": sound_checks.check_reset,
    "gaps": gap_checks.check_gaps,
    "silence": gap_checks.check_silence,
    "invalid": gap_checks.check_invalid,
    "settings": sound_checks.check_settings,
    "state": state_checks.check_state,
    "instances": instance_checks.check_instances,
}


def check_meter(meter: Path | Plugin) -> list[Outcome]:
    """All checks of a meter in a folder, or of a plugin that was discovered; every one has an outcome."""
    plugin = meter if isinstance(meter, Plugin) else discover([meter], installed=False)[0]
    return list(outcomes(plugin))


def outcomes(plugin: Plugin) -> Iterator[Outcome]:
    """The same one after the other. What cannot be loaded makes the rest "skipped"."""
    broken = ""
    for name in check_names(plugin):
        outcome = run_check(plugin, name) if not broken else Outcome(name, "skipped", broken)
        if outcome.failed and name in _NEEDED:
            broken = f"Not checked: the check “{name}” failed."
        yield outcome


def check_names(plugin: Plugin) -> list[str]:
    """Names of the checks of this meter, in their order."""
    return list(_checks(plugin))


def run_check(plugin: Plugin, name: str) -> Outcome:
    """Run one check by its name; never raises for what the meter does."""
    try:
        return Outcome(name, "pass", _checks(plugin)[name](plugin))
    except NotChecked as reason:
        return Outcome(name, "skipped", str(reason))
    except CheckFailed as error:
        return Outcome(name, "fail", str(error), place_words(error, plugin.folder))
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt) and signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
            raise
        return Outcome(name, "fail", f"It raised {reason_of(error)}.", place_words(error, plugin.folder))


def _checks(plugin: Plugin) -> dict[str, Check]:
    found = dict(_OF_SOUND)
    if plugin.manifest is None:
        return found
    for study in plugin.manifest.study:
        found[f"study {study.key}"] = partial(study_checks.check_study, key=study.key)
    views = {"face": plugin.manifest.face} | {
        f"face {name}": dotted for name, dotted in plugin.manifest.views.items()
    }
    for name, dotted in views.items():
        found[name] = partial(_check_face, dotted=dotted)
    return found


def _check_face(plugin: Plugin, dotted: str) -> str:
    from meter.plugin.kit import face_checks

    if not dotted:
        raise NotChecked("It has no face; its readings are shown as a table.")
    if not face_checks.has_qt():
        raise NotChecked("PySide6 is not installed here.")
    return face_checks.check_face(plugin, dotted)

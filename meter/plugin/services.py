"""Services: what the program does for, or with, a meter that asks for it in its manifest (``services = ["tempo"]``).

No module outside a meter's own folder names a meter; it names a service. Of a service with one holder (recorder,
calibration, channel_finder) ours holds it; a meter by others holds it only where none of ours asks for it.

recorder        Each whole second of the readings in ``RECORDER_READS`` goes to the exposure record while
                ``calibrated`` reads 1; the engine writes the readings in ``RECORDER_FILLS`` in place of the
                processor. The settings say who listens, by which rule, and whether gaps count. One holder.
calibration     The window's calibration sets these settings, and takes ``calibrated`` out of force when another
                output is opened. It reads the level of each channel in ``feed_each`` and ``feed_each_c``. While
                calibration noise plays, every other meter gets a gap, and this one the noise. One holder.
tempo           The setting ``tempo_bpm`` takes the tempo that is tapped or typed; 0 for none. Every meter that asks.
feed_map        ``Spec.feeds`` names the columns of each feed of the source, and fields may have the size "parts".
                Every meter that asks; without it ``Spec.feeds`` is empty.
references      The settings “reference_1” to “reference_5” take the reference files chosen in the window, each as
                FILE or FILE@start-end; empty for none. Every meter that asks.
channel_finder  The panel “name the feeds” shows ``level``, one value for each channel. One holder.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from meter.readings import PER_CHANNEL, Field
from meter.reference_files import SETTINGS as REFERENCE_SETTINGS

RECORDER, CALIBRATION, TEMPO = "recorder", "calibration", "tempo"
FEED_MAP, CHANNEL_FINDER, REFERENCES = "feed_map", "channel_finder", "references"

SINGLE = {
    RECORDER: "it keeps the exposure record",
    CALIBRATION: "the listening level is calibrated for the output",
    CHANNEL_FINDER: "it shows every channel",
    FEED_MAP: "it takes all feeds",
}
"""Services that leave no room for a second instance of a meter, with the reason."""

RECORDER_READS = (
    "calibrated", "doubt", "seconds", "seat_second", "peak_second", "seat_minute", "seat_quarter_hour",
)  # fmt: skip
RECORDER_FILLS = (
    "share", "share_today", "share_week", "time_left_low", "time_left_high", "since_break", "creep", "notice",
)  # fmt: skip
CALIBRATION_READS = ("feed_each", "feed_each_c")
CALIBRATED, CALIBRATED_FOR = "calibrated", "calibrated_for"
TEMPO_BPM = "tempo_bpm"
CHANNEL_LEVEL = "level"


@dataclass(frozen=True)
class Service:
    """What a manifest must declare to ask for it: fields with their size, settings with the type of their default."""

    fields: Mapping[str, int | str] = field(default_factory=dict)
    settings: Mapping[str, type] = field(default_factory=dict)


SERVICES: Mapping[str, Service] = {
    RECORDER: Service(
        dict.fromkeys((*RECORDER_READS, *RECORDER_FILLS), 1),
        {
            "rule": str, "criterion_db": float, "criterion_hours": float, "period": str, "exchange_db": float,
            "threshold_db": float, "person": str, "count_gaps": bool,
        },
    ),
    CALIBRATION: Service(
        dict.fromkeys(CALIBRATION_READS, PER_CHANNEL),
        {CALIBRATED: bool, CALIBRATED_FOR: str, "offset_db": float, "doubt_db": float, "monitor_setting": str},
    ),
    TEMPO: Service(settings={TEMPO_BPM: float}),
    REFERENCES: Service(settings=dict.fromkeys(REFERENCE_SETTINGS, str)),
    FEED_MAP: Service(),
    CHANNEL_FINDER: Service({CHANNEL_LEVEL: PER_CHANNEL}),
}  # fmt: skip


class Asks(Protocol):
    """A meter as far as services are concerned."""

    @property
    def services(self) -> Sequence[str]: ...
    @property
    def ours(self) -> bool: ...


Meter = TypeVar("Meter", bound=Asks)


def holder(service: str, meters: Iterable[Meter]) -> Meter | None:
    """The meter that holds a service of one holder: the first of ours that asks for it, then the first by others."""
    asking = asking_for(service, meters)
    return next((meter for meter in asking if meter.ours), asking[0] if asking else None)


def asking_for(service: str, meters: Iterable[Meter]) -> list[Meter]:
    """Every meter that asks for a service."""
    return [meter for meter in meters if service in meter.services]


def why_single(services: Iterable[str]) -> str:
    """Why a meter with these services can stand only once; empty when it can stand on several feeds."""
    return next((SINGLE[service] for service in services if service in SINGLE), "")


def why_not(service: str, fields: Iterable[Field], settings: Mapping[str, object]) -> str:
    """What a manifest lacks for a service, as one sentence without a full stop; empty when it has everything.

    ``settings`` holds the default of each setting by its key.
    """
    wanted = SERVICES.get(service)
    if wanted is None:
        return f"there is no service “{service}”; known are {', '.join(SERVICES)}"
    sizes = {item.key: item.size if item.each == 1 else None for item in fields}
    for key, size in wanted.fields.items():
        if sizes.get(key) != size:
            return f"the service “{service}” needs a field “{key}” of size {size}"
    for key, kind in wanted.settings.items():
        if type(settings.get(key)) is not kind:
            return f"the service “{service}” needs a setting “{key}” whose default is a {kind.__name__}"
    return ""

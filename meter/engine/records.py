"""Opens both records of an engine: the exposure record and the day record, written by one thread."""

from __future__ import annotations

import uuid
from functools import partial
from pathlib import Path

from meter.engine.day_recorder import DayRecorder
from meter.engine.recorder import Recorder
from meter.engine.recorder_thread import RecorderThread
from meter.logbook.clock import machine_clock
from meter.logbook.day_record import FOLDER_NAME
from meter.logbook.day_writer import DayWriter
from meter.logbook.exposure_recorder import ExposureRecorder
from meter.logbook.store import open_store


def open_records(logbook: Path) -> tuple[Recorder, DayRecorder]:
    """Both recorders; day records lie beside ``logbook``. Files are made when there is something to write."""
    clock = machine_clock()
    writer = DayWriter(logbook.parent / FOLDER_NAME, clock)
    thread = RecorderThread(ExposureRecorder(partial(open_store, logbook), clock), writer)
    return Recorder(thread, clock), DayRecorder(thread, machine_clock(), uuid.uuid4().hex)

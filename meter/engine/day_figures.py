"""The figures of one second for the day record: what a chain records, and what is kept of a second. [dsp]"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from dsp.core.types import FloatArray
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.logbook.day_record import Segment, Series, chance_id
from meter.readings import (
    RECORD_EACH,
    RECORD_LAST,
    RECORD_MAX,
    RECORD_MIN,
    RECORDED_EACH,
    Field,
    Slot,
)

Places = NDArray[np.intp]


@dataclass
class _Counted:
    """A field that holds its newest values, newest last, and the field that counts them on."""

    readings: slice
    counter: int
    kind: str
    row: slice
    count: float = 0.0
    values: deque[float] = field(default_factory=deque)

    def take(self, readings: FloatArray) -> None:
        """Keep the values that are new; a count that fell began again."""
        count = float(readings[self.counter])
        if count == self.count or np.isnan(count):
            return
        begun = count < self.count
        new = int(min(count if begun else count - self.count, self.readings.stop - self.readings.start))
        self.count = count
        if new:
            self.values.extend(readings[self.readings][-new:].tolist())

    def put(self, row: FloatArray) -> None:
        """Write what this second has into its row; what does not fit stays for the next one."""
        if not self.values:
            return
        if self.kind == RECORD_EACH:
            some = [self.values.popleft() for _ in range(min(len(self.values), RECORDED_EACH))]
            row[self.row][: len(some)] = some
        elif self.kind == RECORD_LAST:
            row[self.row] = self.values.popleft()
        else:
            row[self.row] = (np.fmax if self.kind == RECORD_MAX else np.fmin).reduce(list(self.values))
            self.values.clear()


class DayFigures:
    """``take`` is called with each set of readings of one chain, ``close`` where a second ends.

    Fields of one feed lie side by side in one row of all feeds. A meter that stands on a feed a second time is
    recorded under the id of its instance, otherwise under that of the meter.
    """

    def __init__(self, chain: Chain, segment: Segment) -> None:
        self._counted: list[_Counted] = []
        self._places: dict[str, tuple[list[int], list[int]]] = {
            kind: ([], []) for kind in (RECORD_LAST, RECORD_MAX, RECORD_MIN)
        }
        self._width = 0
        self._series: list[tuple[Series, slice]] = []
        for feed in dict.fromkeys(meter.feed for meter in chain.meters):
            keys = self._lay_out(chain, [meter for meter in chain.meters if meter.feed == feed])
            if keys:
                width = sum(size for _key, _unit, size in keys)
                row = slice(self._width - width, self._width)
                self._series.append((Series(segment, feed, json.dumps(keys, ensure_ascii=False)), row))
        self._row = np.full(self._width, np.nan)
        self._last, self._max, self._min = (
            tuple(np.array(some, dtype=np.intp) for some in self._places[kind])
            for kind in (RECORD_LAST, RECORD_MAX, RECORD_MIN)
        )

    def take(self, readings: FloatArray) -> None:
        """Account for one set of readings of the open second."""
        row = self._row
        for kind, (places, positions) in ((None, self._last), (np.fmax, self._max), (np.fmin, self._min)):
            if len(places):
                row[positions] = readings[places] if kind is None else kind(row[positions], readings[places])
        for each in self._counted:
            each.take(readings)

    def close(self) -> tuple[tuple[Series, bytes], ...]:
        """The rows of the second that ends; a feed without any figure is left out."""
        row = self._row
        for each in self._counted:
            each.put(row)
        with np.errstate(over="ignore"):
            figures = row.astype("<f4")
        known = ~np.isnan(figures)
        found = tuple((series, figures[some].tobytes()) for series, some in self._series if known[some].any())
        row[:] = np.nan
        return found

    @property
    def waits(self) -> bool:
        """Whether values are left for the next second."""
        return any(len(each.values) > 0 for each in self._counted)

    def restart(self) -> None:
        """The meters are about to be reset: every count begins at 0."""
        for each in self._counted:
            each.count = 0.0

    def go_on(self, readings: FloatArray) -> None:
        """What was counted so far is recorded already."""
        for each in self._counted:
            each.count = float(np.nan_to_num(readings[each.counter]))

    def renew(self) -> None:
        """Go on with series of their own: seconds that have a row come again."""
        self._series = [(replace(series, id=chance_id()), row) for series, row in self._series]

    def _lay_out(self, chain: Chain, meters: Sequence[GuardedMeter]) -> list[tuple[str, str, int]]:
        """Places of the recorded fields of one feed's meters; returns key, unit and size of each."""
        keys: list[tuple[str, str, int]] = []
        there: set[str] = set()
        for meter in meters:
            name = meter.instance.meter if meter.instance.meter not in there else meter.id
            there.add(name)
            for item in meter.manifest.fields:
                if item.record:
                    slot = chain.layout.by_key[f"{meter.id}.{item.key}"]
                    size = self._add(item, slot, chain.layout.by_key.get(f"{meter.id}.{item.counted_by}"))
                    keys.append((f"{name}.{item.key}", item.unit, size))
        return keys

    def _add(self, item: Field, slot: Slot, counter: Slot | None) -> int:
        """Give one field its place in the row; returns its number of values there."""
        if counter is None:
            last, positions = self._places[item.record]
            last.extend(range(slot.offset, slot.offset + slot.size))
            positions.extend(range(self._width, self._width + slot.size))
            size = slot.size
        else:
            size = RECORDED_EACH if item.record == RECORD_EACH else 1
            row = slice(self._width, self._width + size)
            readings = slice(slot.offset, slot.offset + slot.size)
            self._counted.append(_Counted(readings, counter.offset, item.record, row))
        self._width += size
        return size

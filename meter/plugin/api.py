"""The contract of a meter: all that a plugin author imports, besides ``dsp``.

A meter is a folder or package with ``manifest.toml`` (see ``meter.plugin.manifest``), a processor (numbers)
and, if it wants to be seen, a face (a QWidget). The host makes one processor per chain and calls it from one
thread only. The life of a processor::

    configure(settings)      [dsp]  settings already checked against the manifest; again whenever one changes
    prepare(spec)            [dsp]  the one place that sizes state; also means reset
    process(block)           [dsp]  (frames, channels) float64, finite, borrowed: neither keep it nor write to it
    skip(frames)             [dsp]  that many frames were lost here; never invent them
    read(out)                [dsp]  out["key"] = value for each field of the manifest; NaN = not yet
    reset()                  [dsp]  forget the signal, keep the settings; what a whole sitting adds up stays
    mark()                   [dsp]  optional: figures "since the mark" restart here
    save_state()             [dsp]  optional: what is counted since the reset, as plain data
    restore_state(kept)      [dsp]  goes with it: continues from save_state(); after prepare(), before skip()
    stretch(study)           [dsp]  optional: what a study looks back at, or None when there is nothing new

Block sizes vary from 1 frame to minutes; any split of the same signal must give the same readings.

A meter may take every feed of the source: its manifest says ``feed = "all"``, and its blocks hold all channels. One
that asks for the service "feed_map" finds the columns of each feed in ``spec.feeds``, and its fields of size
``"parts"`` have values for each part. ``meter.plugin.services`` lists all services.

What a meter counts since the reset can outlive the engine process. ``save_state`` returns it every few seconds:
names with a number or an array of numbers each, arrays that the meter does not change afterwards. A new engine
prepares the meter for the same source, calls ``restore_state`` and then ``skip`` for what was missed. An exception
there costs only the saved state.

A study is what looks back over seconds: a plain function ``study(stretch, settings, before) -> findings`` that the
manifest names in a ``[[study]]`` table. It runs on a thread of its own, outside the DSP loop. ``stretch`` is what the
processor's method of that name returned: a record that nothing changes afterwards, made within 2 ms. ``before`` is
the last result for this source, None after a reset; a study that looks at a part of the sound at a time carries over
the rest from it. ``findings`` are one msgspec.Struct of plain values. Faces find it in ``frame.findings`` under
``"meter.study"``. One study runs at a time, on the newest stretch; all together use a twelfth of a core.

A meter can stand on several feeds. Each instance has a processor of its own, so keep no state outside the object, and
readings under an id of its own: a face asks for its keys by ``self.key("level")`` (``meter.plugin.face``). Meters of
all feeds, or of a service with one holder, stand once; ``single = true`` in a manifest says the same.

An exception anywhere else, or three ticks in a row past the time a tick may take, puts the meter in quarantine.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np

from dsp.core.saved_state import SavedState
from dsp.core.types import FloatArray, Spec
from meter.readings import Field, Slot

__all__ = ["CONTRACT", "Field", "FloatArray", "Processor", "Readout", "SavedState", "Setting", "Settings", "Spec"]

CONTRACT = "2.0"
"""What a manifest must say; a meter made for another contract is refused."""

Setting = float | str | bool
Settings = Mapping[str, Setting]


class Readout:
    """Where ``read`` puts its values: ``out["short_term"] = -23.0``.

    Raises KeyError for a key the manifest does not declare, ValueError for a wrong size.
    """

    def __init__(self, meter_id: str, slots: tuple[Slot, ...], values: FloatArray) -> None:
        prefix = len(meter_id) + 1
        self._views = {slot.key[prefix:]: values[slot.offset : slot.offset + slot.size] for slot in slots}
        self._values = values
        self._single = {slot.key[prefix:]: slot.offset for slot in slots if slot.size == 1}

    def __setitem__(self, key: str, value: Any) -> None:
        if isinstance(value, float) and key in self._single:
            self._values[self._single[key]] = value
        else:
            self._views[key][...] = value

    def blank(self) -> None:
        """Set every field to "not yet"."""
        for view in self._views.values():
            view[...] = np.nan


class Processor(Protocol):
    """The numbers of a meter; see the module's description for who calls what when."""

    def configure(self, settings: Settings) -> None: ...
    def prepare(self, spec: Spec) -> None: ...
    def process(self, block: FloatArray) -> None: ...
    def skip(self, frames: int) -> None: ...
    def read(self, out: Readout) -> None: ...
    def reset(self) -> None: ...

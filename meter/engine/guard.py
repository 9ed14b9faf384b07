"""One meter under guard: what it throws or overruns puts it in quarantine, and the others go on."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from meter.engine.gathered_sound import GatheredSound
from meter.engine.guest_call import GuestCall
from meter.engine.saved_state import as_numbers
from meter.instances import Instance, feed_title
from meter.plugin.api import FloatArray, Processor, Readout, SavedState, Setting, Settings, Spec
from meter.plugin.folder_package import forget_folder
from meter.plugin.host import Plugin, load_object, load_processor
from meter.plugin.manifest import Manifest, StudyEntry
from meter.plugin.set_aside import set_aside_sentence
from meter.plugin.where import interrupted, reason_of

OVERRUNS_TO_QUARANTINE = 3
STALL_FACTOR = 10.0
"""Wall time past this many block lengths counts as an overrun even if the processor slept through it."""

MOST_BEHIND_OF_A_BLOCK = 1.0
"""Seconds. A machine that stands still for a minute does so within some meter's block; not the meter's fault."""

BEHIND_TO_QUARANTINE = 1.5
"""Seconds that a meter by others may be behind the sound by its own time while sound is being lost."""

FAR_BEHIND = 3.0
"""Seconds that it may be behind in any case: a source that can wait loses nothing and slows down instead."""

LONGEST_KEEP_SECONDS = 0.05
"""A meter that takes longer to hand out what it keeps is not asked again."""

BETWEEN_BLOCKS = ("skip", "read", "mark", "stretch")
"""Calls whose time counts as behind the sound, like that of ``process``."""

Clock = Callable[[], float]


def _nothing(_kept: SavedState | None = None) -> None:
    """What a processor does that has no mark, or nothing to take back."""


def _no_stretch(_study: str) -> None:
    """What a processor captures that has no ``stretch``."""


@dataclass
class Timing:
    """Clocks of the guard in seconds: time spent by this thread, time on the wall of a block, and of other calls."""

    busy: Clock = field(default=time.thread_time)
    wall: Clock = field(default=time.perf_counter)
    between: Clock = field(default=time.perf_counter)


class GuardedMeter:
    """A processor that cannot harm the chain.

    ``fault`` is empty, or one sentence that says why this meter is in quarantine. With ``timing`` None (files)
    no block can overrun. ``enter`` is called before anything is asked of the processor: it may never return.
    """

    def __init__(self, plugin: Plugin, timing: Timing | None = None, instance: Instance | None = None) -> None:
        assert plugin.manifest is not None
        self.manifest: Manifest = plugin.manifest
        self.instance = instance or Instance(plugin.id, plugin.id, plugin.manifest.feed)
        self.fault = ""
        self.suspended = False
        """Nothing counts at present: what sounds is a gap to this meter."""
        self._excluded = ""
        self._plugin = plugin
        self._timing = timing
        self._overruns = 0
        self._was_long = False
        self._behind = 0.0
        self._saves_state = True
        self.enter: Callable[[], None] = _nothing
        self.around = GuestCall()
        self._spec: Spec | None = None
        self._rate_hz = 1
        self._processor: Processor | None = None
        self._gathered: GatheredSound | None = None
        self._is_read = False
        self._studies: dict[str, tuple[Callable[..., object], type]] = {}
        self._settings: dict[str, Setting] = self.manifest.settings({})

    @property
    def id(self) -> str:
        """The id of the instance: the manifest's for the first."""
        return self.instance.id

    @property
    def feed(self) -> str:
        """The feed that it measures."""
        return self.instance.feed

    @property
    def name(self) -> str:
        """The meter's name, with its feed where that is not the one of the manifest."""
        return self.manifest.name if self._on_own_feed else f"{self.manifest.name}: {feed_title(self.feed)}"

    @property
    def state_key(self) -> str:
        """What its saved state is kept under: that of one feed is not restored on another."""
        return self.id if self._on_own_feed else f"{self.id} {self.feed}"

    @property
    def _on_own_feed(self) -> bool:
        return self.instance.first and self.feed == self.manifest.feed

    @property
    def ours(self) -> bool:
        """True for a meter of this program."""
        return self._plugin.ours

    @property
    def services(self) -> tuple[str, ...]:
        """The services that its manifest asks for."""
        return self.manifest.services

    @property
    def settings(self) -> dict[str, Setting]:
        """The settings in force."""
        return dict(self._settings)

    def prepare(self, spec: Spec) -> None:
        """Load if needed, configure and prepare; a quarantined meter gets a new chance here."""
        self.fault = self._excluded
        self._overruns = 0
        self._was_long = False
        self._behind = 0.0
        self._spec = spec
        self._rate_hz = spec.rate_hz
        frames = round(self.manifest.every_seconds * spec.rate_hz)
        self._gathered = GatheredSound(frames, spec.channels) if frames else None
        self._is_read = False
        self._guard("configure", lambda meter: meter.configure(self._settings))
        self._guard("prepare", lambda meter: meter.prepare(spec))

    def configure(self, chosen: Settings) -> None:
        """Change settings; raises ValueError for what the manifest does not allow."""
        settings = self.manifest.settings({**self._settings, **chosen})
        self._catch_up()
        self._settings = settings
        self._guard("configure", lambda meter: meter.configure(self._settings))

    def process(self, block: FloatArray) -> None:
        """Feed one block, or keep it until ``every_seconds`` of sound are there."""
        if self.suspended:
            self.skip(len(block))
        elif self._gathered is None:
            self._process(block)
        else:
            for piece in self._gathered.add(block):
                self._process(piece)

    def _catch_up(self) -> None:
        """Feed what is kept, before anything else happens to the meter."""
        self._is_read = False
        if self._gathered is not None:
            for piece in self._gathered.rest():
                self._process(piece)

    def _process(self, block: FloatArray) -> None:
        """Feed one block and watch the time it takes.

        Its own computing time is asked for only after a block that took longer than its sound.
        """
        self._is_read = False
        if self._timing is None:
            self._feed(block)
            return
        busy = self._timing.busy() if self._was_long else None
        wall = self._timing.wall()
        self._feed(block)
        took, length = self._timing.wall() - wall, len(block) / self._rate_hz
        if took > length or self._behind or busy is not None:
            self._judge_time(took if busy is None else self._timing.busy() - busy, took, length)

    def _feed(self, block: FloatArray) -> None:
        """Feed one block; a meter by others gets a copy, since a read-only view can be made writeable again."""
        if self.ours:
            self._guard("process", lambda meter: meter.process(block))
            return
        given = block.copy()
        given.flags.writeable = False
        self._guard("process", lambda meter: meter.process(given))
        if given.flags.writeable:
            self.fail("it made the sound that it was given writeable; a block is borrowed")

    @property
    def seconds_behind(self) -> float:
        """How far behind the sound this meter would be if it were the only one; 0 with ``timing`` None."""
        return self._behind

    def blame_for_loss(self) -> None:
        """Sound is being lost, and no other meter is further behind: put it in quarantine if it is far enough."""
        if self._behind > BEHIND_TO_QUARANTINE:
            self._put_aside_as_late("sound was lost or about to be")

    def _put_aside_as_late(self, and_what: str) -> None:
        """Ours never wait; on a machine that is too busy they go on, and the loss is reported."""
        if not self.fault and not self.ours:
            late = f"it was {self._behind:.1f} s behind the sound"
            self.fail(f"{late}, and {and_what}")

    def skip(self, frames: int) -> None:
        """Tell the processor that frames are missing."""
        self._catch_up()
        self._guard("skip", lambda meter: meter.skip(frames))

    def reset(self) -> None:
        """Forget the signal."""
        self._catch_up()
        self._guard("reset", lambda meter: meter.reset())

    def mark(self) -> None:
        """Restart the figures since the mark, in a processor that has some."""
        self._catch_up()
        self._guard("mark", lambda meter: getattr(meter, "mark", _nothing)())

    def save_state(self) -> SavedState | None:
        """What it counts since the reset, as plain data; None from one that cannot say."""
        self._catch_up()
        kept: dict[str, Any] = {}
        if self.fault or not self._saves_state:
            return None
        began = time.thread_time()
        plain = dict if self.ours else as_numbers
        failed = self._attempt(lambda meter: kept.update(plain(getattr(meter, "save_state", dict)())))
        self._saves_state = not failed and time.thread_time() - began <= LONGEST_KEEP_SECONDS
        return None if failed else kept

    def restore_state(self, kept: SavedState) -> bool:
        """Restore what another's ``save_state`` returned; False, and prepared again, when that fails."""
        if self.fault or self._spec is None:
            return False
        failed = self._attempt(lambda meter: getattr(meter, "restore_state", _nothing)(kept))
        if failed:
            self.prepare(self._spec)
        return not failed

    def read(self, out: Readout) -> None:
        """Write the readings of all sound so far; a quarantined meter reads "not yet" in every field."""
        self._catch_up()
        self.read_if_new(out)

    def read_if_new(self, out: Readout) -> None:
        """Write the readings unless nothing was measured since they were written."""
        if self._is_read and not self.fault:
            return
        self._guard("read", lambda meter: meter.read(out))
        self._is_read = True
        if self.fault:
            out.blank()

    def forget_read(self) -> None:
        """Another array takes the readings: write them at the next ``read_if_new``."""
        self._is_read = False

    def stretch(self, study: str) -> object | None:
        """What this study looks back at; None when there is nothing new."""
        captured: list[object] = []
        self._guard("stretch", lambda meter: captured.append(getattr(meter, "stretch", _no_stretch)(study)))
        return captured[0] if captured else None

    def study_of(self, entry: StudyEntry) -> tuple[Callable[..., object], type]:
        """The study's function and the type of its findings, imported if needed; raises what the import raises."""
        if entry.key not in self._studies:
            found = (load_object(self._plugin, entry.function), load_object(self._plugin, entry.findings))
            self._studies[entry.key] = found
        return self._studies[entry.key]

    def fail(self, reason: str) -> None:
        """Put it in quarantine until the next source; ``reason`` follows "is set aside:"."""
        if not self.fault:
            self.fault = set_aside_sentence(self.name, reason)
            self._drop_processor()

    def try_again(self) -> None:
        """Load its code again as it is now, and measure from here on: the user asked for it."""
        self._excluded = self.fault = ""
        self._studies, self._saves_state = {}, True
        self._drop_processor()
        if not self._plugin.package:
            forget_folder(self._plugin.folder)
        if self._spec is not None:
            self.prepare(self._spec)

    def _drop_processor(self) -> None:
        """Free the memory of a meter by others; that runs code of its own, which may raise or never return."""
        if not self.ours and self._processor is not None:
            self.enter()
            self._processor = None

    def reason_of(self, error: BaseException) -> str:
        """What its code raised and in which line, in a phrase."""
        return reason_of(error, self._plugin.folder)

    def exclude(self, reason: str) -> None:
        """Put it in quarantine from outside, for good: it hung, and the engine had to be replaced."""
        self.fault = self._excluded = reason

    def _guard(self, doing: str, work: Callable[[Processor], None]) -> None:
        if self.fault:
            return
        thorough = doing in ("configure", "prepare")
        reason = self._attempt_timed(work) if doing in BETWEEN_BLOCKS else self._attempt(work, thorough=thorough)
        if reason:
            doing = "loading" if self._processor is None else doing
            self.fail(f"it failed in {doing} ({reason})")

    def _attempt_timed(self, work: Callable[[Processor], None]) -> str:
        """The same between two blocks: the time of a meter by others counts as behind the sound."""
        if self._timing is None or self.ours:
            return self._attempt(work)
        began = self._timing.between()
        reason = self._attempt(work)
        self._behind += min(self._timing.between() - began, MOST_BEHIND_OF_A_BLOCK)
        return reason

    def _attempt(self, work: Callable[[Processor], None], *, thorough: bool = False) -> str:
        """Do something with the processor, loaded if needed; returns why it failed, or an empty string."""
        if self.ours:
            return self._called(work)
        reason = self.around.run(partial(self._called, work), thorough=thorough)
        if self.around.changed:
            self.fail(f"it {self.around.changed}; that is undone")
        return reason

    def _called(self, work: Callable[[Processor], None]) -> str:
        self.enter()
        try:
            if self._processor is None:
                self._processor = load_processor(self._plugin)
            work(self._processor)
        except BaseException as error:
            if interrupted(error):
                raise
            return self.reason_of(error)
        return ""

    def _judge_time(self, busy: float, wall: float, length: float) -> None:
        self._was_long = wall > length
        self._behind = max(0.0, self._behind + min(wall - length, MOST_BEHIND_OF_A_BLOCK))
        if self._behind > FAR_BEHIND:
            self._put_aside_as_late("fell further behind")
        overrun = busy > length or wall > STALL_FACTOR * length
        self._overruns = self._overruns + 1 if overrun else 0
        if self._overruns >= OVERRUNS_TO_QUARANTINE and not self.ours:
            took = max(busy, wall) * 1000.0
            sound = f"(last {took:.0f} ms for {length * 1000.0:.0f} ms)"
            self.fail(f"three times in a row it took longer than the sound it measured {sound}")

"""Feed maps in one place: the finder, the job file of each source, and the tempo that is tapped."""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Callable
from pathlib import Path

import msgspec
from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QFileDialog, QInputDialog, QWidget

from meter.feeds import (
    MIX,
    MOST_CHANNELS,
    FeedMap,
    FeedMapError,
    Pair,
    read_feed_map,
    without_totals,
    write_feed_map,
)
from meter.gui.source.channel_finder import ChannelFinder
from meter.gui.source.feed_line import FeedLine
from meter.gui.source.source_list import plain_title, source_title
from meter.gui.source.tempo_taps import LEAST_TAPS, Tapping
from meter.readings import PAIR_PREFIX, Frame
from meter.settings import (
    CHOOSES_CHANNELS,
    Columns,
    Settings,
    SourceChoice,
    jobs_folder,
    kept_feeds,
    source_key,
    taken_channels,
)

JOB_FILES = "Jobs (*.toml);;All files (*)"
NO_SOURCE = "Feeds belong to a source; choose one first."
NOT_OPEN = "The source delivers no channel yet; name its feeds when it does."
FEWEST_CHANNELS = 2
FASTEST_BPM, USUAL_BPM = 400.0, 120.0


class FeedMaps(QObject):
    """Wires the finder to the settings. ``changed`` says that the map of the source in use is another now, which
    must be opened again, ``tempo_told`` carries beats per minute, typed or tapped. ``channels_asked`` carries the
    channels to open, from 1: all of them while the finder needs them, those before when it is left without a name.
    ``finder_meter`` reads the levels that the finder shows."""

    changed = Signal()
    channels_asked = Signal(tuple)
    tempo_told = Signal(float)

    def __init__(
        self,
        settings: Settings,
        feed_line: FeedLine,
        source: Callable[[], SourceChoice | None],
        now: Callable[[], float],
        parent: QWidget,
        folder: Path | None = None,
        finder_meter: str = "",
    ) -> None:
        super().__init__(parent)
        self._settings = settings
        self._feed_line = feed_line
        self._source = source
        self._now = now
        self._tapping = Tapping()
        self._folder = folder
        self._map: FeedMap | None = None
        self._frame: Frame | None = None
        self._before: tuple[int, ...] | None = None
        self._mix_meanwhile: tuple[int, ...] = ()
        self._said = ""
        self.finder = ChannelFinder(parent, finder_meter)
        self.tempo = QInputDialog(parent)
        self.tempo.setWindowTitle("tempo")
        self.tempo.setLabelText("BPM; 0 for none")
        self.tempo.setInputMode(QInputDialog.InputMode.DoubleInput)
        self.tempo.setDoubleRange(0.0, FASTEST_BPM)
        self.tempo.setDoubleDecimals(2)
        self.tempo_in_use: Callable[[], float] = lambda: 0.0
        """Beats per minute as they are set, 0 for none."""
        self.tempo.doubleValueSelected.connect(self.tempo_told)
        self.tempo_told.connect(self._answer_tempo)
        self.finder.map_chosen.connect(self._use)
        self.finder.save_asked.connect(self._save_as)
        self.finder.open_asked.connect(self._open)
        self.finder.finished.connect(lambda _: self._left())

    def columns(self) -> Columns | None:
        """The feeds of the source in use as columns, None when all is mix; what cannot be used is said."""
        source = self._source()
        self._map, columns, sentence = kept_feeds(self._settings, source)
        if sentence != self._said:
            self._feed_line.withdraw(self._said)
            self._said = sentence
        self._feed_line.say(sentence, of_source=True)
        if columns is None and source is not None and self._before is not None:
            taken = taken_channels(source.options)
            mix = tuple(place for place, number in enumerate(taken) if number in self._mix_meanwhile)
            return {MIX: mix} if mix else None
        return columns

    def job(self) -> str:
        """The name of the job whose map ``columns`` gave last; empty without one."""
        return self._map.name if self._map is not None else ""

    def map_of(self, source: SourceChoice) -> FeedMap | None:
        """The map kept for any source, None where there is none or it cannot be read."""
        return kept_feeds(self._settings, msgspec.structs.replace(source, options={}))[0]

    def observe(self, frame: Frame) -> None:
        """Look at a snapshot."""
        self._frame = frame
        most = max(frame.status.channels, frame.status.device_channels)
        self._feed_line.offer_feeds(most > FEWEST_CHANNELS or bool(frame.parts))
        if self.finder.isVisible():
            self.finder.show_frame(frame)

    def find(self) -> None:
        """Open the finder on every channel of the source in use; those that are not open yet are opened."""
        source = self._source()
        if source is None or self._frame is None or not self._frame.status.channels:
            self._feed_line.say(NO_SOURCE if source is None else NOT_OPEN, of_source=True)
            return
        taken = taken_channels(source.options) or tuple(range(1, self._frame.status.channels + 1))
        if self.finder.isVisible():
            self.finder.raise_()
        elif source.kind not in CHOOSES_CHANNELS:
            self._bring_up(source, taken)
        else:
            self.find_among(self._frame.status.device_channels, taken)
        self.finder.show_frame(self._frame)

    def find_among(self, count: int, taken: tuple[int, ...], *, opened: bool = True) -> None:
        """Open the finder on all ``count`` channels of the source in use, of which ``taken`` are or would be open."""
        source = self._source()
        if source is None:
            return
        others = [number for number in range(1, count + 1) if number not in taken]
        numbers = tuple(sorted([*taken, *others][:MOST_CHANNELS]))
        more = not opened or set(numbers) != set(taken)
        self._before, self._mix_meanwhile = (taken, taken) if more else (None, ())
        if more:
            self.channels_asked.emit(numbers)
        self._bring_up(source, numbers)

    def _bring_up(self, source: SourceChoice, channels: tuple[int, ...]) -> None:
        named = self._map or self.map_of(source)
        if named is None and self._frame is not None and source.kind not in CHOOSES_CHANNELS:
            named = _map_of(self._frame, channels)
        heard = self._mix_meanwhile or channels
        if named is None and len(heard) <= FEWEST_CHANNELS:
            named = FeedMap("", heard)
        self.finder.bring_up(channels, named, plain_title(source_title(source)))

    def put_away(self) -> None:
        """Another source was chosen: the finder is of the one before, whose channels are no longer open."""
        self._before, self._mix_meanwhile = None, ()
        self.finder.close()

    def _left(self) -> None:
        """Without a name nothing has changed: the channels that were open are opened again."""
        before, self._before, self._mix_meanwhile = self._before, None, ()
        if before is not None:
            self.channels_asked.emit(before)

    def tap(self) -> None:
        """One tap of the tempo; from the fourth on it counts. Each is answered in the feed line."""
        tempo = self._tapping.tap(self._now())
        if tempo is not None:
            self.tempo_told.emit(tempo)
        else:
            self._feed_line.flash(f"tempo: tap {self._tapping.taps} of {LEAST_TAPS}, on each beat")

    def _answer_tempo(self, tempo: float) -> None:
        self._feed_line.flash(f"tempo {tempo:g} BPM" if tempo > 0.0 else "no tempo")

    def ask_tempo(self) -> None:
        """Have the tempo typed, beginning with the one that is set; nothing waits for it."""
        self.tempo.setDoubleValue(self.tempo_in_use() or USUAL_BPM)
        self.tempo.show()
        self.tempo.raise_()

    def shut_down(self) -> None:
        """Close the finder and the question for the tempo."""
        self.finder.close()
        self.tempo.close()

    def _use(self, feeds: FeedMap | None) -> None:
        source = self._source()
        if source is None:
            return
        if feeds is None:
            self._settings.feed_maps.pop(source_key(source), None)
        elif not self._write(feeds, self._path_for(feeds, source)):
            return
        self._put_in_use(feeds)

    def _put_in_use(self, feeds: FeedMap | None) -> None:
        """The names are given: the finder closes, and the channels that it opened stay open."""
        self._map, self._before, self._mix_meanwhile = feeds, None, ()
        self.finder.close()
        self.changed.emit()

    def _save_as(self, feeds: FeedMap) -> None:
        place = str((self._folder or jobs_folder()) / f"{_file_name(feeds.name)}.toml")
        path, _ = QFileDialog.getSaveFileName(self.finder, "save the set-up", place, JOB_FILES)
        if path and self._write(feeds, Path(path)):
            self._put_in_use(feeds)

    def _open(self) -> None:
        path, _ = QFileDialog.getOpenFileName(
            self.finder, "open a set-up", str(self._folder or jobs_folder()), JOB_FILES
        )
        if not path:
            return
        try:
            self.finder.show_map(read_feed_map(Path(path)))
        except FeedMapError as error:
            self.finder.say(str(error))

    def _path_for(self, feeds: FeedMap, source: SourceChoice) -> Path:
        """The file the map came from while the job keeps its name and no other source uses it, else a new one."""
        kept = self._settings.feed_maps.get(source_key(source))
        same_job = self._map is not None and self._map.name == feeds.name
        others = (path for key, path in self._settings.feed_maps.items() if key != source_key(source))
        if kept and same_job and kept not in others:
            return Path(kept)
        return _free_path(self._folder or jobs_folder(), feeds)

    def _write(self, feeds: FeedMap, path: Path) -> bool:
        source = self._source()
        sentence = write_feed_map(feeds, path)
        self.finder.say(sentence or f"Kept as {path}.")
        if not sentence and source is not None:
            self._settings.feed_maps[source_key(source)] = str(path)
        return not sentence


def _free_path(folder: Path, feeds: FeedMap) -> Path:
    """A file that is not there yet, named after the job; one that holds this very map already serves as well."""
    name = _file_name(feeds.name)
    for number in itertools.count(1):
        path = folder / (f"{name}.toml" if number == 1 else f"{name}_{number}.toml")
        if not os.path.lexists(path) or _holds(path, feeds):
            return path
    raise AssertionError("unreachable")


def _holds(path: Path, feeds: FeedMap) -> bool:
    try:
        return read_feed_map(path) == feeds
    except FeedMapError:
        return False


def _file_name(job: str) -> str:
    """A file name that every system takes."""
    return re.sub(r"[^\w-]+", "_", job, flags=re.ASCII).strip("_").lower()[:60] or "job"


def _map_of(frame: Frame, channels: tuple[int, ...]) -> FeedMap | None:
    """What the source itself tells of its channels, if it does."""
    numbers = {name: tuple(channels[column] for column in columns) for name, columns in frame.feeds.items()}
    parts = {name: numbers[f"part {name}"] for name in frame.parts}
    pairs = {
        name.removeprefix(PAIR_PREFIX): Pair(each[: len(each) // 2], each[len(each) // 2 :])
        for name, each in numbers.items()
        if name.startswith(PAIR_PREFIX)
    }
    if not parts and not pairs:
        return None
    return FeedMap("", numbers.get("mix", ()), parts, without_totals(pairs))

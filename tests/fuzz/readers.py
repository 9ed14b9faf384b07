"""Readers of files that others may have written, each with good files to damage and what is done with one."""

from __future__ import annotations

import contextlib
import io
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

import msgspec
import numpy as np
import soundfile

import meter
from dsp.core.signals import pink_noise
from dsp.reference.sections import COLUMNS, SectionStream
from meter import settings as settings_file
from meter.alignments import ALIGNMENTS
from meter.audio.file import open_blocks
from meter.audio.source import SourceError
from meter.engine.chain import Chain
from meter.engine.guard import GuardedMeter
from meter.engine.saved_state import EngineState, MeterKept, pack, unpack
from meter.exposure_rules import EXPOSURE_RULES
from meter.feeds import FeedMapError, Pair, feed_map, fitting_feeds, read_feed_map, whole_mix, write_feed_map
from meter.gui.page.layout import PAGES
from meter.instances import Instance, usable_instances
from meter.lane.analysis import VERSION as CACHE_VERSION
from meter.lane.analysis import _Stored, read_cached
from meter.logbook.day_record import Event, Second, Segment, Series, day_path
from meter.logbook.day_writer import DayWriter, Item
from meter.logbook.exposure_record import ExposureRecord
from meter.logbook.exposure_summary import summarise
from meter.logbook.recorded_day import read as read_day
from meter.logbook.store import open_store
from meter.marks import Mark
from meter.marks_file import VERSION as MARKS_VERSION
from meter.marks_file import KeptMarks, MarksFile
from meter.plugin.enabled import Enabled, Identity, read_enabled, write_enabled
from meter.plugin.host import discover
from meter.plugin.manifest import ManifestError, read_manifest
from meter.preset_files import Kind, PresetError, find_presets, our_folder, read_preset
from meter.settings_merge import SharedSettings
from tests.fuzz.damage import OF_BYTES, OF_TEXT, Damage, damage_rows, damaged
from tests.support.ledgers import HOUR, ME, NIOSH, NOON, Desk, FakeTime
from tests.support.plugins import file_meters

HOUSE = Path(meter.__file__).parent


@dataclass(frozen=True)
class Reader:
    """``good`` makes good files in a folder; ``read`` returns the sentences about a damaged one called ``file``.

    ``cases`` is this reader's part of 10,000. Whatever ``read`` raises is a fault. ``rows``: the file is a database,
    whose cells are damaged as well.
    """

    name: str
    file: str
    cases: int
    good: Callable[[Path], list[bytes]]
    read: Callable[[Path], list[str]]
    kinds: list[Damage]
    rows: bool = False

    def write(self, chance: Random, good: list[bytes], path: Path) -> None:
        """Write one damaged file."""
        if self.rows and chance.random() < 0.5:
            path.write_bytes(chance.choice(good))
            damage_rows(chance, path)
        else:
            path.write_bytes(damaged(chance, good, self.kinds))


@contextlib.contextmanager
def refused(*errors: type[Exception]) -> Iterator[list[str]]:
    """The sentence of an error that the reader promises to raise."""
    said: list[str] = []
    try:
        yield said
    except errors as error:
        said.append(str(error))


def _tomls(*folders: Path) -> list[bytes]:
    return [path.read_bytes() for folder in folders for path in sorted(folder.rglob("*.toml"))]


def _presets(_folder: Path, kind: Kind[Any]) -> list[bytes]:
    return _tomls(our_folder(kind))


def _preset(path: Path, kind: Kind[Any]) -> list[str]:
    """As one that someone gave to the user, and as the user's own in the place of one of ours."""
    with refused(PresetError) as said:
        read_preset(path, kind)
    own = path.parent / "own" / kind.folder
    own.mkdir(parents=True)
    shutil.copy(path, own)
    return said + find_presets(kind, path.parent / "own").sentences


def _maps(folder: Path) -> list[bytes]:
    pairs = {"bus compressor": Pair((7, 8), (1, 2)), "tape": Pair((9, 10), (7, 8))}
    maps = [
        feed_map("evening song", [1, 2], {"kick": [3], "double bass": [4], "guitars": [5, 6]}, pairs),
        feed_map("", [1, 2], {}),
        feed_map("parts only", [], {f"bus {number}": [number] for number in range(1, 20)}),
    ]
    paths = [folder / f"{number}.toml" for number in range(len(maps))]
    for path, feeds in zip(paths, maps, strict=True):
        assert write_feed_map(feeds, path) == ""
    return [path.read_bytes() for path in paths]


def _map(path: Path) -> list[str]:
    with refused(FeedMapError) as said:
        found = read_feed_map(path)
        for taken in ((), (1, 2), tuple(range(1, 11))):
            with refused(FeedMapError) as more:
                said += [fitting_feeds(found.columns(taken), (), 10)[1]]
            said += more
        assert write_feed_map(found, path) == ""
        assert read_feed_map(path) == found
    return said


def _manifest(path: Path) -> list[str]:
    with refused(ManifestError) as said:
        found = read_manifest(path)
        with refused(ValueError) as more:
            found.settings({entry.key: entry.default for entry in found.setting})
        said += [*more, found.why_single, found.title_of()]
    return [*said, *(plugin.refusal for plugin in discover([path.parent], installed=False))]


def _settings(_folder: Path) -> list[bytes]:
    kept = settings_file.Settings(
        source=settings_file.SourceChoice("device", "Interface", {"host_api": "ALSA", "channels": [3, 4]}, "Desk"),
        meters={"vu": {"alignment_dbfs": -20.0, "movement": "ppm_1"}, "listening": {"rule": "none"}},
        calibrations=[settings_file.Calibration("monitor:Out", 99.4, "2026-11-25", 79.5, "C", "band")],
        monitor_settings=[settings_file.MonitorSetting("monitor:Out", "headphones", "late", -14.0)],
        monitor_states=[settings_file.MonitorState("monitor:Out", "headphones", "late")],
        feed_maps={"device Interface": "/jobs/song.toml"},
        instances=[Instance("vu_2", "vu", "part drums")],
        width=1000,
        height=700,
    )
    return [msgspec.json.format(msgspec.json.encode(kept), indent=2), msgspec.json.encode(settings_file.Settings())]


def _read_settings(path: Path) -> list[str]:
    found, sentence = settings_file.load(path)
    _feeds, _columns, more = settings_file.kept_feeds(found, found.source)
    if found.source is not None:
        settings_file.with_map_channels(found, found.source)
    usable_instances(found.instances, {"vu": "", "listening": "it stands once"})
    for entry in found.calibrations:
        found.changes_of(entry.source, entry.heard_on)
    return [sentence, more, SharedSettings(found, path).save(), settings_file.load(path)[1]]


def _marks(_folder: Path) -> list[bytes]:
    figures = {"loudness.integrated_mark": -23.0, "peaks.true_max_mark": -1.5}
    marks = tuple(Mark(-60.0 * n, 1e9 + 60.0 * n, f"mark {n}", -60.0 * n + 30.0, figures) for n in range(20, 0, -1))
    return [msgspec.msgpack.encode(KeptMarks(MARKS_VERSION, marks[:count])) for count in (0, 1, 20)]


def _read_marks(path: Path) -> list[str]:
    file = MarksFile(path)
    marks, sentence = file.load(2e9)
    assert all(mark.start <= mark.end <= 0.0 for mark in marks)
    return [sentence, file.save([*marks, Mark(0.0, 2e9, "mark 1")], 10.0, {})]


def _enabled(folder: Path) -> list[bytes]:
    one, two = Identity("/meters/tilt", "1.0.0"), Identity("/lib/hum", "2.0 (hum 2.0)", "hum_meter")
    path = folder / "enabled.json"
    write_enabled(Enabled((one, two), ((two, "Its face froze the window."),)), path)
    return [path.read_bytes()]


def _read_enabled(path: Path) -> list[str]:
    found, sentence = read_enabled(path)
    refusals = [plugin.refusal for plugin in discover(enabled=found)]
    me = Identity("/meters/tilt", "1.0.0")
    found.with_meter(me).without(me).without_face(me, "why").face_fault(me)
    return [sentence, *refusals]


def _records(folder: Path) -> list[bytes]:
    desk = Desk(folder)
    desk.listen_to([(75.0, 0.2), (90.0, 0.1)])
    desk.pause(HOUR)
    desk.listen(80.0, 300)
    desk.ledger.close()
    return [desk.path.read_bytes()]


def _record(path: Path) -> list[str]:
    store = open_store(path)
    record = ExposureRecord(store, FakeTime(NOON + 3 * HOUR).clock())
    record.begin_sitting(ME)
    record.add_second(NOON + 3 * HOUR, 80.0, 100.0)
    record.flush()
    summarise(record, ME, NIOSH, NOON + 3 * HOUR, 0, count_gaps=True)
    record.close()
    return [store.sentence]


def _day_writer(folder: Path) -> DayWriter:
    return DayWriter(folder, FakeTime(NOON).clock(), day_of=lambda _at: "2026-03-04")


def _rows(start: int, count: int) -> Iterator[Item]:
    segment = Segment("run", start, "", "a source", 48_000, 2, '{"mix": [0, 1]}')
    series = Series(segment, "mix", '[["loudness.momentary", "LUFS", 1], ["loudness.blocks", "", 3]]')
    for at in range(start, start + count):
        yield Second(at, ((series, np.full(4, at % 7, "<f4").tobytes()),))
        yield Event(at + 0.5, "gap", "Words.", "", "mix", 0.5, '{"loudness.integrated_mark": -23.0}', segment)


def _days(folder: Path) -> list[bytes]:
    writer = _day_writer(folder)
    for item in _rows(NOON, 100):
        writer.add(item)
    writer.close()
    return [day_path("", "2026-03-04", folder).read_bytes()]


def _day(path: Path) -> list[str]:
    """Read by the history, then the recorder goes on in it."""
    before = read_day(path)
    assert all((np.diff(feed.at) >= 0).all() for feed in before.feeds.values())
    folder = path.parent / "record"
    place = day_path("", "2026-03-04", folder)
    place.parent.mkdir(parents=True)
    shutil.copy(path, place)
    writer = _day_writer(folder)
    for item in _rows(NOON + 3600, 5):
        writer.add(item)
    writer.flush()
    said = writer.sentence
    writer.close()
    return [before.sentence, said]


def _chain() -> Chain:
    return Chain([GuardedMeter(plugin) for plugin in file_meters()], 48_000, 2, whole_mix(2))


def _states(_folder: Path) -> list[bytes]:
    chain = _chain()
    chain.process(pink_noise(np.random.default_rng(1), -20.0, 1.0, 48_000, 2))
    return [pack(EngineState(3, "a source", 5.0, (48_000, 0, 0), chain.save_state()), 10_000_000)]


def arrays(chance: Random, data: bytes, _others: Sequence[bytes]) -> bytes:
    """Give meters numbers, shapes and names that they never kept."""
    with np.errstate(all="ignore"):
        return _with_odd_arrays(chance, unpack(data))


def _with_odd_arrays(chance: Random, left: EngineState) -> bytes:
    """As bytes, with one to twenty arrays that are not as a meter gave them."""
    meters = {name: MeterKept(meter.version, dict(meter.kept)) for name, meter in left.meters.items()}
    for _ in range(chance.choice([1, 3, 20])):
        name = chance.choice([name for name, meter in meters.items() if meter.kept])
        kept = meters[name].kept
        key = chance.choice(list(kept))
        value = np.asarray(kept[key])
        match chance.randrange(6):
            case 0:
                del kept[key]
                kept["another"] = value
            case 1:
                kept[key] = np.full_like(value, chance.choice([0, 1]))
            case 2:
                odd = chance.choice([np.nan, np.inf, -np.inf, 1e308, -1e308, 1e-320, 2.0**63])
                kept[key] = np.full(value.shape, odd)
            case 3:
                kept[key] = value.reshape(-1)[: value.size // 2]
            case 4:
                kept[key] = np.concatenate([value.reshape(-1)] * 3)
            case _:
                kept[key] = value.astype(chance.choice(["?", "i1", "u8", "f2"]), casting="unsafe")
    return pack(EngineState(left.beginning, left.source, left.taken_at, left.counts, meters), 10_000_000)


def _read_state(path: Path, chains: list[Chain]) -> list[str]:
    """A state that still is one goes to meters of ours, which then measure on."""
    with refused(ValueError):  # the engine says so in a sentence of its own
        left = unpack(path.read_bytes())
        if not chains or chains[0].faults:
            chains[:] = [_chain()]
        chains[0].restore_state(left.meters)
        with np.errstate(all="ignore"):
            chains[0].process(np.full((4800, 2), 0.1))
            chains[0].read()
        return list(chains[0].faults.values())
    return []


def _caches(_folder: Path) -> list[bytes]:
    rows = np.full((20, COLUMNS), 1e-4, "<f4").tobytes()
    row_seconds = SectionStream(48_000, 1).row_seconds
    return [msgspec.msgpack.encode(_Stored(CACHE_VERSION, 48_000, True, row_seconds, 20.0, ("A note.",), rows))]


def _cache(path: Path) -> list[str]:
    found = read_cached(path)
    return list(found.notes) if found is not None else []


FORMATS = [
    ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAVEX", "PCM_24"), ("RF64", "PCM_24"), ("W64", "PCM_16"),
    ("AIFF", "PCM_16"), ("AIFF", "DOUBLE"), ("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("OGG", "OPUS"),
    ("MP3", "MPEG_LAYER_III"),
    ("CAF", "PCM_16"), ("WAV", "IMA_ADPCM"), ("AU", "ULAW"),
]  # fmt: skip


def _sounds(_folder: Path) -> list[bytes]:
    sound = pink_noise(np.random.default_rng(2), -20.0, 0.05, 48_000, 2)
    made = []
    for kind, subtype in FORMATS:
        file = io.BytesIO()
        soundfile.write(file, sound, 48_000, format=kind, subtype=subtype)
        made.append(file.getvalue())
    return made


MOST_FRAMES = 20 * 48_000
"""Of a damaged file so many are read: a short file may hold hours of silence."""


def _sound(path: Path) -> list[str]:
    with refused(SourceError) as said, open_blocks(path) as reader:
        assert 1 <= reader.channels <= 32
        assert len(reader.order.roles) == reader.channels
        while reader.frames_read < MOST_FRAMES and len(block := reader.read(65_536)):
            assert block.shape[1] == reader.channels
        said.append(reader.note)
    return said


def _tomls_of_meters(_folder: Path) -> list[bytes]:
    return _tomls(HOUSE / "builtin")


def readers() -> list[Reader]:
    """All of them; their parts add up to 10,000 and more."""
    presets = [
        Reader(kind.folder, "own.toml", 600, partial(_presets, kind=kind), partial(_preset, kind=kind), OF_TEXT)
        for kind in (EXPOSURE_RULES, PAGES, ALIGNMENTS)
    ]
    return [
        *presets,
        Reader("feed maps", "song.toml", 1500, _maps, _map, OF_TEXT),
        Reader("manifests", "manifest.toml", 1500, _tomls_of_meters, _manifest, OF_TEXT),
        Reader("settings", "settings.json", 1200, _settings, _read_settings, OF_TEXT),
        Reader("marks", "marks.msgpack", 800, _marks, _read_marks, OF_BYTES),
        Reader("enabled meters", "enabled_meters.json", 400, _enabled, _read_enabled, OF_TEXT),
        Reader("exposure record", "logbook.sqlite3", 600, _records, _record, OF_BYTES, rows=True),
        Reader("day record", "2026-03-04.sqlite3", 600, _days, _day, OF_BYTES, rows=True),
        Reader("saved state", "state", 600, _states, partial(_read_state, chains=[]), [arrays, arrays, *OF_BYTES]),
        Reader("cached references", "cached", 300, _caches, _cache, OF_BYTES),
        Reader("sound files", "take.wav", 2000, _sounds, _sound, OF_BYTES),
    ]

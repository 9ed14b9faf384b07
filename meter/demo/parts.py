"""Parts of the scenario, their columns, and the grid of sections and beats in frames."""

from __future__ import annotations

from dataclasses import dataclass

RATE_HZ = 48_000
TEMPO_BPM = 64
BEATS_PER_BAR = 4
BEAT_FRAMES = RATE_HZ * 60 // TEMPO_BPM
"""45,000: at this tempo a beat is a whole number of frames, and a bar 375 ticks of 10 ms."""
BAR_FRAMES = BEAT_FRAMES * BEATS_PER_BAR


@dataclass(frozen=True)
class Part:
    """One feed of the scenario. ``key`` names its file, ``name`` is the text to show, ``channels`` is 1 or 2."""

    key: str
    name: str
    channels: int


MIX = Part("mix", "mix", 2)
PARTS: tuple[Part, ...] = (
    Part("drum", "low drum", 1),
    Part("bass", "double bass", 1),
    Part("plucked", "plucked pair", 2),
    Part("organ", "organ", 1),
    Part("voice", "voice", 1),
    Part("room", "room", 2),
)
"""In the order in which they are summed. A part of one channel goes to both sides of the mix as it is."""


@dataclass(frozen=True)
class Stage:
    """A stage with a feed on both sides. ``key`` names the file of the sound after it; ``before`` are summed."""

    key: str
    name: str
    channels: int
    before: tuple[str, ...]


STAGES: tuple[Stage, ...] = (
    Stage("bus", "bus compressor", 1, ("drum", "bass")),
    Stage("colour", "colour stage", 2, (MIX.key,)),
)
"""A gentle compressor on the bus of drum and bass, and a colour stage behind the whole mix."""
BEFORE = "before "
"""Before the key of a stage: the sound that goes into it."""


@dataclass(frozen=True)
class Section:
    """A stretch of whole bars; bars count from 0 here, and people count them from 1."""

    name: str
    first_bar: int
    bars: int

    @property
    def first_frame(self) -> int:
        """Frame on which the section begins."""
        return self.first_bar * BAR_FRAMES

    @property
    def end_frame(self) -> int:
        """First frame after the section."""
        return (self.first_bar + self.bars) * BAR_FRAMES


SECTIONS: tuple[Section, ...] = (
    Section("bare opening", 0, 12),
    Section("the pair joins", 12, 12),
    Section("full", 24, 12),
    Section("quiet close", 36, 12),
)
TOTAL_FRAMES = SECTIONS[-1].end_frame
"""8,640,000 frames: three minutes exactly, then the first frame again."""


def channel_names() -> tuple[str, ...]:
    """A name for every column of the whole scenario: ``mix L``, ``mix R``, ``low drum``… ``after colour stage R``."""
    names: list[str] = []
    for part in (MIX, *PARTS):
        names += [part.name] if part.channels == 1 else [f"{part.name} L", f"{part.name} R"]
    for stage in STAGES:
        for side in ("before", "after"):
            whole = f"{side} {stage.name}"
            names += [whole] if stage.channels == 1 else [f"{whole} L", f"{whole} R"]
    return tuple(names)


def feed_columns() -> dict[str, tuple[int, ...]]:
    """The mix, and one ``part NAME`` for each part, in the first columns of the whole scenario."""
    feeds: dict[str, tuple[int, ...]] = {}
    column = 0
    for part in (MIX, *PARTS):
        label = part.name if part is MIX else f"part {part.name}"
        feeds[label] = tuple(range(column, column + part.channels))
        column += part.channels
    return feeds


def pair_columns() -> dict[str, tuple[int, ...]]:
    """One ``pair NAME`` for each stage, in the columns after those: before, then after."""
    feeds: dict[str, tuple[int, ...]] = {}
    column = sum(part.channels for part in (MIX, *PARTS))
    for stage in STAGES:
        feeds[f"pair {stage.name}"] = tuple(range(column, column + 2 * stage.channels))
        column += 2 * stage.channels
    return feeds

"""A right meter, and wrong ones made from it by one change each: what the kit has to notice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from meter.plugin.new_meter import write_new_meter


@dataclass(frozen=True)
class Wrong:
    """One change to one file, the check that has to fail, and what its sentence has to say.

    ``at`` is text of the line of the meter's own files that has to be named; empty where no line is to blame.
    """

    file: str
    old: str
    new: str
    check: str
    says: str
    at: str = ""


def write_right_meter(place: Path) -> Path:
    """The meter that ``plugins new`` writes."""
    return write_new_meter("trial", place)


def write_wrong_meter(place: Path, wrong: Wrong) -> Path:
    """The same with the change made; the old text has to be there once."""
    folder = write_right_meter(place)
    path = folder / wrong.file
    text = path.read_text(encoding="utf-8")
    assert text.count(wrong.old) == 1, wrong.old
    path.write_text(text.replace(wrong.old, wrong.new), encoding="utf-8")
    return folder


def line_of(folder: Path, wrong: Wrong) -> int:
    """Number of the line that has to be named."""
    lines = (folder / wrong.file).read_text(encoding="utf-8").splitlines()
    [number] = [number for number, line in enumerate(lines, 1) if wrong.at in line]
    return number


PROCESS, FACE, MANIFEST = "process.py", "face.py", "manifest.toml"
TAKE = "        self._take(self._ticks.push(block * block))\n"
SKIP = "        self._take(self._ticks.skip(frames))\n"
READ = '        out["level"] = power_to_db(self._power)\n'
HIGHEST = '        out["highest"] = power_to_db(float(self._highest))\n'
RESTORE = '        self._highest = kept["highest"]\n'
SAY_FIGURE = '        self.say("figure", figure(frame.number(self.key("highest"))))\n'
SAY_UNIT = '        self.say("unit", "dBFS")\n'
PAINT = "    def paint_moving(self, painter, region):\n"

WRONG = {
    "remembers across a reset": Wrong(
        PROCESS,
        "        self._highest = math.nan\n",
        '        self._highest = getattr(self, "_highest", math.nan)\n',
        "reset",
        "“highest”",
    ),
    "does not reset a filter": Wrong(PROCESS, "        self._ticks.reset()\n", "", "reset", "after a reset"),
    "depends on block size": Wrong(
        PROCESS,
        TAKE,
        TAKE + "        self._power = (block * block).mean(axis=0)\n",
        "blocks",
        "“level”",
    ),
    "depends on when it is read": Wrong(
        PROCESS,
        READ,
        READ + "        self._power = self._power * 0.999\n",
        "blocks",
        "“level”",
    ),
    "keeps the block": Wrong(
        PROCESS, TAKE, TAKE + "        self._last = block[-1:]\n", "borrowing", "keeps the block"
    ),
    "writes to the block": Wrong(
        PROCESS,
        TAKE,
        "        block *= block\n" + TAKE,
        "loading",
        "read-only",
        at="block *= block",
    ),
    "writes to the block by force": Wrong(
        PROCESS,
        TAKE,
        "        block.base.flags.writeable = True\n        block.flags.writeable = True\n        block[0] = 0.0\n"
        + TAKE,
        "borrowing",
        "changes the block",
    ),
    "counts a gap as silence": Wrong(
        PROCESS,
        SKIP,
        "        self.process(np.zeros((frames, self._spec.channels)))\n",
        "gaps",
        "after a gap",
    ),
    "a mean that counts a gap": Wrong(
        PROCESS,
        "            self._highest = float(np.fmax(self._highest, np.fmax.reduce(powers, axis=None)))\n",
        "            self._total = getattr(self, '_total', 0.0) + float(np.nansum(ticks[:, 0]))\n"
        "            self._highest = self._total / self._ticks.ticks / 480\n",
        "gaps",
        "“highest”",
    ),
    "NaN that stays after a gap": Wrong(
        PROCESS,
        SKIP,
        SKIP + "        self._window.push = lambda ticks: ticks * math.nan\n",
        "gaps",
        "no value after a gap",
    ),
    "throws at a gap": Wrong(
        PROCESS, SKIP, "        raise RuntimeError('lost')\n", "gaps", "RuntimeError: lost", at="raise"
    ),
    "NaN that stays after silence": Wrong(
        PROCESS,
        TAKE,
        TAKE + "        self._gain = (getattr(self, '_gain', 1.0) * block.std() / (block.std() or math.nan))\n"
        "        self._power = self._power * self._gain / self._gain\n",
        "silence",
        "after silence",
    ),
    "a floor under silence": Wrong(
        PROCESS,
        READ,
        '        out["level"] = power_to_db(self._power + 1e-12)\n',
        "silence",
        "in silence",
    ),
    "restores wrongly": Wrong(
        PROCESS, RESTORE, '        self._highest = 2.0 * kept["highest"]\n', "state", "“highest”"
    ),
    "restores silence": Wrong(PROCESS, RESTORE, "        self._highest = 0.0\n", "state", "“highest”"),
    "saves what cannot be kept": Wrong(
        PROCESS,
        '        return {"highest": self._highest}\n',
        '        return {"spec": self._spec}\n',
        "state",
        "cannot be kept",
    ),
    "saves without restoring": Wrong(
        PROCESS, "    def restore_state(", "    def take_back(", "loading", "restore_state"
    ),
    "slow": Wrong(
        PROCESS,
        TAKE,
        "        import time\n        end = time.perf_counter() + 0.012\n"
        "        while time.perf_counter() < end:\n            pass\n" + TAKE,
        "cost",
        "10 ms",
    ),
    "wrong field size": Wrong(
        PROCESS,
        READ,
        '        out["level"] = np.zeros(3)\n',
        "loading",
        "takes 2 numbers",
        at="np.zeros(3)",
    ),
    "a size for stereo only": Wrong(
        PROCESS,
        READ,
        '        out["level"] = np.zeros(2)\n',
        "channels",
        "takes one number",
        at="np.zeros(2)",
    ),
    "an unknown field": Wrong(PROCESS, READ, '        out["levels"] = 0.0\n', "loading", "“levels”", at='"levels"'),
    "leaves an old value": Wrong(
        PROCESS,
        HIGHEST,
        "        if self._power[0] > 0.0:\n    " + HIGHEST,
        "gaps",
        "“highest”",
    ),
    "a rate for 48 kHz only": Wrong(
        PROCESS,
        "        self._frames = self._ticks_in_mean * spec.rate_hz / TICKS_PER_SECOND\n",
        "        self._frames = self._ticks_in_mean * 480\n",
        "rates",
        "96,000 Hz",
    ),
    "a setting that throws at its limit": Wrong(
        PROCESS,
        '        self._ticks_in_mean = round(float(settings["seconds"]) * TICKS_PER_SECOND)\n',
        '        self._ticks_in_mean = (50, 100, 200)[int(settings["seconds"])]\n',
        "settings",
        "IndexError",
        at="(50, 100",
    ),
    "a method is missing": Wrong(PROCESS, "    def skip(", "    def leave_out(", "loading", "no method skip"),
    "a class is missing": Wrong(
        MANIFEST,
        "process:Trial",
        "process:Gone",
        "manifest",
        "manifest.toml, line 5: process.py has no “Gone”",
    ),
    "a file is missing": Wrong(
        MANIFEST,
        "face:TrialFace",
        "gone:TrialFace",
        "manifest",
        "manifest.toml, line 6: “gone:TrialFace” names gone.py",
    ),
    "a syntax error": Wrong(
        PROCESS,
        "    def reset(self):\n",
        "    def reset(self:\n",
        "loading",
        "SyntaxError",
        at="def reset(self:",
    ),
    "an import that is not there": Wrong(
        PROCESS,
        "import math\n",
        "import mathh\n",
        "loading",
        "mathh",
        at="import mathh",
    ),
    "a face that throws in paint": Wrong(
        FACE,
        PAINT,
        PAINT + "        painter.gone()\n",
        "face",
        "AttributeError",
        at="painter.gone()",
    ),
    "a face that throws in arrange": Wrong(
        FACE,
        "        high = min(",
        "        1 / (inside.width() > 10_000)\n        high = min(",
        "face",
        "ZeroDivisionError",
        at="10_000",
    ),
    "a face that throws at minus infinity": Wrong(
        FACE,
        " if math.isfinite(level) else 0.0",
        "\n            int(share)",
        "face",
        "cannot convert",
        at="int(share)",
    ),
    "an empty face": Wrong(
        FACE,
        SAY_FIGURE + SAY_UNIT,
        "        self._bars = QRect()\n",
        "face",
        "is empty",
    ),
    "a face that shows no readings": Wrong(
        FACE,
        SAY_FIGURE,
        '        self._levels = []\n        self.say("figure", "same")\n',
        "face",
        "does not change",
    ),
    "a face that shows another meter in place of its own": Wrong(
        FACE,
        SAY_FIGURE,
        '        self._levels = []\n        self.say("figure", figure(frame.number("other.highest")))\n',
        "face",
        "does not change",
    ),
    "a face whose text is cut off": Wrong(
        FACE,
        SAY_FIGURE,
        '        self.say("figure", "the highest of all means since reset")\n',
        "face",
        "cut off",
    ),
    "a face drawn over the edge": Wrong(
        FACE,
        PAINT,
        PAINT + "        painter.fillRect(self.rect(), self.measured)\n",
        "face",
        "edge",
    ),
    "a face that writes the id of its meter": Wrong(
        FACE,
        'frame.vector(self.key("level"))',
        'frame.vector("trial.level")',
        "face",
        "As a second instance",
    ),
    "shares its state with a second instance": Wrong(
        PROCESS,
        "        self._window = RollingSum(self._ticks_in_mean, spec.channels)\n",
        "        self._window = type(self).__dict__.get('w') or RollingSum(self._ticks_in_mean, spec.channels)\n"
        "        type(self).w = self._window\n",
        "instances",
        "“level”",
    ),
    "a face that is none": Wrong(
        FACE, "class TrialFace(Face):", "class TrialFace:", "face", "meter.plugin.face.Face"
    ),
}

"""A new meter to start from: a folder with a manifest, a processor, a face and a test, all of them working."""

from __future__ import annotations

import json
import re
import unicodedata
from pathlib import Path
from string import Template

from meter.builtin import OURS
from meter.plugin.api import CONTRACT
from meter.plugin.manifest import MANIFEST_NAME
from meter.readings import ID_PATTERN

LONGEST_NAME = 60
LONGEST_ID = 32


class NewMeterError(ValueError):
    """No meter was written; the text is one sentence, ``exit_code`` is 2 for a wrong name and 1 for the disk."""

    def __init__(self, sentence: str, exit_code: int = 2) -> None:
        super().__init__(sentence)
        self.exit_code = exit_code


def write_new_meter(name: str, place: Path) -> Path:
    """Write a folder in ``place``, called as the meter's id, and return it; raises NewMeterError.

    Nothing that exists is changed. What was begun is removed again when it cannot be written whole.
    """
    meter_id = id_of(name)
    folder = place / meter_id
    files = {file: Template(text).substitute(_words(name, meter_id)) for file, text in FILES.items()}
    written: list[Path] = []
    try:
        folder.mkdir()
    except FileExistsError:
        raise NewMeterError(f"{folder} is there already; choose another name or another place with --in.") from None
    except FileNotFoundError:
        raise NewMeterError(f"The folder {place} is not there; make it first, or choose another with --in.") from None
    except (OSError, ValueError) as error:
        raise NewMeterError(
            f"{folder} cannot be made ({_reason(error)}); choose another place with --in.", 1
        ) from error
    try:
        for file, text in files.items():
            path = folder / file.replace("NAME", meter_id)
            written.append(path)
            path.write_text(text, encoding="utf-8")
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        folder.rmdir()
        raise NewMeterError(
            f"{folder} cannot be written ({_reason(error)}); choose another place with --in.", 1
        ) from error
    return folder


def id_of(name: str) -> str:
    """The id for a name in any letters: "Größe 2" gives ``grosse_2``. Raises NewMeterError where there is none."""
    name = " ".join(name.split())
    shown = name if name.isprintable() else ascii(name)[1:-1]
    if not name:
        raise NewMeterError("A meter needs a name, such as “tilt”.")
    if "/" in name or "\\" in name:
        raise NewMeterError(f"“{shown}” is a path; give the name only, and the place with --in.")
    if not name.isprintable() or len(name) > LONGEST_NAME:
        raise NewMeterError(f"A meter cannot be called “{shown}”; use up to {LONGEST_NAME} visible letters.")
    plain = unicodedata.normalize("NFKD", name.casefold())
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    meter_id = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
    if not re.match(ID_PATTERN, meter_id):
        raise NewMeterError(
            f"“{shown}” makes no id; begin with a letter a to z, and use up to {LONGEST_ID} letters and digits."
        )
    if meter_id in OURS:
        raise NewMeterError(f"“{meter_id}” is a meter of this program; choose another name.")
    return meter_id


def _words(name: str, meter_id: str) -> dict[str, str]:
    return {
        "id": meter_id,
        "name": _quoted(" ".join(name.split())),
        "Class": "".join(word.capitalize() for word in meter_id.split("_")),
        "contract": CONTRACT,
    }


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _reason(error: OSError | ValueError) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


MANIFEST = """\
id = "$id"
name = $name
version = "0.1.0"
contract = "$contract"
processor = "process:$Class"
face = "face:${Class}Face"
summary = "Mean level of each channel, and the max since R."

[[field]]
key = "level"
unit = "dBFS"
size = "channels"
label = "mean level of each channel"
not_yet = "needs as much sound as it is a mean of, without a gap"

[[field]]
key = "highest"
unit = "dBFS"
label = "max mean level since R"
summary = true
not_yet = "needs as much sound as it is a mean of, without a gap"

[[setting]]
key = "seconds"
default = 1.0
least = 0.1
most = 10.0
unit = "s"
label = "time that the level is a mean of"
"""

PROCESS = '''\
"""Mean level of each channel over some seconds (RMS, a full-scale square wave reads 0 dBFS)."""

import math

import numpy as np

from dsp.core.types import TICKS_PER_SECOND
from dsp.core.units import power_to_db
from dsp.core.windows import RollingSum, TickSums


class $Class:
    def __init__(self):
        self._spec = None

    def configure(self, settings):
        """Take the settings; a mean over another time starts afresh."""
        self._ticks_in_mean = round(float(settings["seconds"]) * TICKS_PER_SECOND)
        if self._spec is not None:
            self.prepare(self._spec)

    def prepare(self, spec):
        self._spec = spec
        self._frames = self._ticks_in_mean * spec.rate_hz / TICKS_PER_SECOND
        self._ticks = TickSums(spec.rate_hz, spec.channels)
        self._window = RollingSum(self._ticks_in_mean, spec.channels)
        self.reset()

    def reset(self):
        self._ticks.reset()
        self._window.reset()
        self._power = np.full(self._spec.channels, math.nan)
        self._highest = math.nan

    def process(self, block):
        self._take(self._ticks.push(block * block))

    def skip(self, frames):
        """Lost frames: the mean is "not yet" until it has no gap in it."""
        self._take(self._ticks.skip(frames))

    def read(self, out):
        out["level"] = power_to_db(self._power)
        out["highest"] = power_to_db(float(self._highest))

    def save_state(self):
        return {"highest": self._highest}

    def restore_state(self, kept):
        self._highest = kept["highest"]

    def _take(self, ticks):
        """Sums of squares of each tick that has ended, shape (ticks, channels); NaN where frames are missing."""
        if len(ticks):
            powers = self._window.push(ticks) / self._frames
            self._power = powers[-1]
            self._highest = float(np.fmax(self._highest, np.fmax.reduce(powers, axis=None)))
'''

FACE = '''\
"""The highest mean level as a figure, and a bar for each channel."""

import math

from PySide6.QtCore import QRect

from meter.figures import figure
from meter.gui.kit.label import Label, line_height
from meter.gui.kit.theme import FIGURE_PX, TEXT_PX
from meter.plugin.face import Face

BOTTOM_DBFS = -60.0


class ${Class}Face(Face):
    def __init__(self):
        super().__init__()
        figures = Label(FIGURE_PX, bold=True, least_px=TEXT_PX, sample="−88.8")
        self.labels = {"figure": figures, "unit": Label(TEXT_PX, role="soft")}
        self._levels = []
        self._bars = QRect()

    @property
    def subtitle(self):
        return f"mean of {self.settings.get('seconds', 1.0):g} s, and its highest"

    def arrange(self, inside):
        """Give figure and bars their places below the title."""
        high = min(line_height(FIGURE_PX, bold=True), inside.height() // 2)
        self.labels["figure"].place(QRect(inside.left(), inside.top(), inside.width(), high))
        self.beside("figure", "unit")
        self._bars = inside.adjusted(0, high + 8, 0, 0)

    def take(self, frame):
        """Every frame: keep the numbers, and repaint where they show."""
        levels = list(frame.vector(self.key("level")))
        if levels != self._levels:
            self._levels = levels
            self.update(self._bars)

    def take_words(self, frame):
        """Four times a second."""
        self.say("figure", figure(frame.number(self.key("highest"))))
        self.say("unit", "dBFS")
        self.beside("figure", "unit")

    def paint_moving(self, painter, region):
        for number, level in enumerate(self._levels):
            share = (level - BOTTOM_DBFS) / -BOTTOM_DBFS if math.isfinite(level) else 0.0
            top = self._bars.top() + number * self._bars.height() // len(self._levels)
            high = max(1, self._bars.height() // len(self._levels) - 2)
            painter.fillRect(QRect(self._bars.left(), top, self._bars.width(), high), self.theme.trough)
            width = round(self._bars.width() * min(max(share, 0.0), 1.0))
            painter.fillRect(QRect(self._bars.left(), top, width, high), self.measured)
'''

TEST = '''\
"""The meter keeps the contract, and reads what arithmetic gives."""

from pathlib import Path

import pytest

from dsp.core.signals import tone
from meter.plugin.host import discover
from meter.plugin.kit import Played, check_meter

FOLDER = Path(__file__).parent


def test_contract():
    failed = [outcome for outcome in check_meter(FOLDER) if outcome.failed]
    assert not failed, "\\n".join(map(str, failed))


def test_a_sine_reads_3_db_under_its_peak():
    [plugin] = discover([FOLDER], installed=False)
    meter = Played(plugin)
    meter.feed(tone(1000.0, -20.0, 2.0, 48_000, channels=2))
    readings = meter.read()
    assert readings["level"] == pytest.approx([-23.01, -23.01], abs=0.01)
    assert readings["highest"] == pytest.approx([-23.01], abs=0.01)
'''

FILES = {MANIFEST_NAME: MANIFEST, "process.py": PROCESS, "face.py": FACE, "test_NAME.py": TEST}

"""The card of a stage as a PNG file, drawn without a screen."""

from __future__ import annotations

import os
from pathlib import Path

from meter.commands.errors import CommandError
from meter.commands.new_file import write_new
from meter.stage.findings import StageFindings

SUFFIX = ".png"
WIDTH_PX, HEIGHT_PX, SCALE = 1100, 640, "2"
FAILED = 1


def picture_path(wanted: Path) -> Path:
    """The path with the suffix of a PNG file. Raises CommandError for another suffix."""
    if not wanted.suffix:
        return wanted.with_suffix(SUFFIX)
    if wanted.suffix.lower() != SUFFIX:
        raise CommandError(f"The picture is a PNG file, not {wanted.suffix}; call it {wanted.stem}{SUFFIX}.")
    return wanted


def draw_stage(found: StageFindings, title: str, path: Path) -> str:
    """Draw the card into a new file, numbered where ``path`` is taken; returns a sentence that names it.

    Raises CommandError where it cannot be drawn or written.
    """
    os.environ["QT_QPA_PLATFORM"] = os.environ.get("QT_QPA_PLATFORM") or "offscreen"
    os.environ.setdefault("QT_SCALE_FACTOR", SCALE)
    from meter.app import make_application

    make_application()
    picture = _drawn(found, title)
    try:
        written = write_new(path, picture)
    except OSError as error:
        reason = error.strerror or error
        raise CommandError(
            f"The picture {path} cannot be written ({reason}); choose another folder.", FAILED
        ) from error
    return f"The picture of the card: {written.absolute()}"


def _drawn(found: StageFindings, title: str) -> bytes:
    import numpy as np
    from PySide6.QtCore import QBuffer, QIODevice
    from PySide6.QtWidgets import QApplication

    from meter.builtin.stage.face import STUDY, StageFace
    from meter.builtin.stage.findings import FOUND, PairFindings
    from meter.gui.kit.theme import apply_theme
    from meter.instances import Instance
    from meter.readings import PAIR_PREFIX, FeedStatus, Frame, Layout

    application = QApplication.instance()
    assert isinstance(application, QApplication)
    apply_theme(application, "dark")
    feed, meter = PAIR_PREFIX + title, StageFace.__module__.split(".")[-2]
    face = StageFace(as_picture=True)
    face.stand_for(meter, title)
    face.resize(WIDTH_PX, HEIGHT_PX)
    layout = Layout((), {feed: (0, 1)}, (), (Instance(meter, meter, feed),))
    pair = PairFindings(FOUND, found.seconds, found)
    face.show_frame(Frame(layout, np.empty(0), FeedStatus(state="ended"), {f"{meter}.{STUDY}": pair}))
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    face.grab().save(buffer, "PNG")
    face.deleteLater()
    if face.fault:
        raise CommandError(f"The card could not be drawn: {face.fault}", FAILED)
    return bytes(buffer.data().data())

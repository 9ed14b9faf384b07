"""The shape of a low spectrum in a picture: filled from the left up to a frequency, on an axis of octaves."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QRect
from PySide6.QtGui import QPolygonF

from meter.builtin.low_end.face_data import Floats
from meter.gui.kit import scale
from meter.gui.kit.points import polygon_of

LOW_HZ, HIGH_HZ = 20.0, 435.0
SPAN_DB = 54.0


def x_of(picture: QRect, frequency_hz: float) -> int:
    """The column of a frequency, clamped to the picture."""
    return picture.left() + round(scale.log_place(frequency_hz, LOW_HZ, HIGH_HZ) * (picture.width() - 1))


def low_shape(picture: QRect, frequencies: Floats, levels: Floats, up_to_hz: float = math.inf) -> QPolygonF:
    """The filled shape down to 54 dB under the highest level; empty where nothing is known or inside."""
    if len(frequencies) != len(levels):
        return QPolygonF()
    known = np.isfinite(frequencies) & ~np.isnan(levels)
    if picture.isEmpty() or not known.any() or math.isnan(up_to_hz):
        return QPolygonF()
    top = float(levels[known].max())
    known &= frequencies <= up_to_hz
    if not math.isfinite(top) or not known.any():
        return QPolygonF()
    places = np.log(frequencies[known] / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)
    x = picture.left() + np.clip(places, 0.0, 1.0) * (picture.width() - 1)
    floor = float(picture.bottom())
    y = floor - scale.straight_places(levels[known], top - SPAN_DB, top) * (picture.height() - 1)
    return polygon_of(np.concatenate([x[:1], x, x[-1:]]), np.concatenate([[floor], y, [floor]]))

"""Many points at once: a QPolygonF filled from NumPy without one Python object per point."""

from __future__ import annotations

import ctypes

import numpy as np
import shiboken6
from numpy.typing import NDArray
from PySide6.QtGui import QPolygonF


def polygon_of(x: NDArray[np.float64], y: NDArray[np.float64]) -> QPolygonF:
    """A polygon of the points (x, y), both of one length; empty for none.

    QPointF is two doubles side by side, so the polygon's memory is an array of shape (points, 2).
    """
    polygon = QPolygonF()
    if not len(x):
        return polygon
    polygon.resize(len(x))
    address = shiboken6.getCppPointer(polygon.data())[0]
    view = np.ctypeslib.as_array((ctypes.c_double * (2 * len(x))).from_address(address))
    view[0::2] = x
    view[1::2] = y
    return polygon

"""Whether two outlines are of one piece: how much they share, how one lies within the other."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.choosing import common_share
from cardmeasure.outlines.pieces import Outline, clockwise

Floats = NDArray[np.floating[Any]]

RIM_MM = (0.8, 9.0)
"""A picture printed inside a border lies so far within its card, on all sides."""
RIM_PLACES = np.linspace(0.1, 0.9, 9)
MOSTLY = 0.85
"""Share of a rim's places at which it must be seen."""


def area_mm2(outline: Outline) -> float:
    """Area of the outline's quadrilateral."""
    return float(abs(cv2.contourArea(outline.corners_mm.astype(np.float32))))


def covered_mm2(outline: Outline) -> float:
    """Area within the outline's rough contour."""
    return float(abs(cv2.contourArea(outline.contour_mm.astype(np.float32))))


def shared(a: Outline, b: Outline) -> float:
    """Common part of two outlines, over the smaller's area."""
    smaller, larger = (a, b) if area_mm2(a) <= area_mm2(b) else (b, a)
    return common_share(clockwise(smaller.corners_mm), clockwise(larger.corners_mm))


def lies_within(inner: Outline, outer: Outline) -> bool:
    """Whether a rectangle leaves a rim of another outline on all four sides, as a picture does inside its border."""
    corners = clockwise(inner.corners_mm)
    polygon = (outer.contour_mm if outer.flags else outer.corners_mm).astype(np.float32)
    for side in range(4):
        a, b = corners[side], corners[(side + 1) % 4]
        way = (b - a) / np.linalg.norm(b - a)
        out = np.array([way[1], -way[0]])
        places = a + RIM_PLACES[:, None] * (b - a)
        room = [cv2.pointPolygonTest(polygon, (float(x), float(y)), True) for x, y in places + RIM_MM[0] * out]
        beyond = [cv2.pointPolygonTest(polygon, (float(x), float(y)), True) for x, y in places + RIM_MM[1] * out]
        if np.mean([r > 0 for r in room]) < MOSTLY or np.mean([r < 0 for r in beyond]) < MOSTLY:
            return False
    return True

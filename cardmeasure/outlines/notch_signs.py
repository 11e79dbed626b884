"""Whether a region's rim has notches that a seam could join: a quick look, before seams are sought in full."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.numerics import lengths
from cardmeasure.outlines.seams import (
    DEEP_MM,
    NARROWEST_MM,
    NO_FACE,
    NOTCH_MM,
    NOTCH_REACH_MM,
    OTHER_TABLE,
    STEEPEST,
)
from cardmeasure.outlines.table_light import Grid, log_light, off_table
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

STEP_MM, ROW_MM = 1 / 3, 0.2
"""Points along a side, and rows of them, lie so far apart."""
OUTSIDE_MM, DEEPEST_MM = (2.4, 0.6), 2.8
"""The table is seen so far outside, and a notch sought so far inside the smallest rectangle around the region."""
FACE_MM, AROUND_MM = (2.5, 5.0), 5.0
"""A face is seen so far beside a notch; the table around it within so much along the side."""


def may_have_seam(photo: Photo, camera: Camera, region_mm: Floats, *, table: Callable[[], Floats]) -> bool:
    """Whether the table shows within the rim of a region (n, 2) at places that face each other on two of its sides.

    table : gives the logarithm of the light (3,) of the table around it, which is seldom asked for.
    """
    box = np.asarray(cv2.boxPoints(cv2.minAreaRect(region_mm.astype(np.float32))), np.float64)
    return any(_face_each_other(photo, camera, np.roll(box, -k, axis=0), table) for k in range(2))


def _face_each_other(photo: Photo, camera: Camera, box: Floats, table: Callable[[], Floats]) -> bool:
    """Whether the first side of a rectangle (4, 2) and the one opposite have notches that a seam could join."""
    width, height = float(np.linalg.norm(box[1] - box[0])), float(np.linalg.norm(box[2] - box[1]))
    if width < 2 * NARROWEST_MM:
        return False
    down = (box[3] - box[0]) / height
    count = int(width / STEP_MM)
    first = _notches(_rows(photo, camera, box[0], box[1], down, count), table)
    if not first.any():
        return False
    second = _notches(_rows(photo, camera, box[3], box[2], -down, count), table)
    reach = round((STEEPEST * height + 2 * NOTCH_REACH_MM) / STEP_MM)
    near = cv2.dilate(first.astype(np.uint8)[None], np.ones((1, 2 * reach + 1), np.uint8))[0]
    return bool((second & (near > 0)).any())


def _rows(photo: Photo, camera: Camera, start: Floats, end: Floats, inward: Floats, count: int) -> Floats:
    """Logarithms of light (r, count, 3) along a side, row by row from the table inward."""
    right, rows = (end - start) / count, round((OUTSIDE_MM[0] + DEEPEST_MM) / ROW_MM)
    origin = start + right / 2 - OUTSIDE_MM[0] * inward
    grid = Grid(columns=count, rows=rows, origin_mm=origin, right_mm=right, down_mm=ROW_MM * inward)
    return log_light(photo, camera, grid.all_mm())


def _notches(rows: Floats, table: Callable[[], Floats]) -> NDArray[np.bool_]:
    """At which columns (w,) of rows (r, w, 3) the table shows farther in than faces beside it begin."""
    outside = round((OUTSIDE_MM[0] - OUTSIDE_MM[1]) / ROW_MM)
    around = _smooth(rows[:outside].mean(axis=0, keepdims=True), AROUND_MM)
    inside = rows[round(OUTSIDE_MM[0] / ROW_MM) :]
    from_table, nearest = off_table(inside, around), np.full(inside.shape[:2], np.inf, np.float32)
    beside = _smooth(inside, FACE_MM[1] - FACE_MM[0])
    shift = round(sum(FACE_MM) / 2 / STEP_MM)
    for way in (-shift, shift):
        face = np.roll(beside, way, axis=1)
        is_face = lengths(face - around) > NO_FACE
        nearest = np.where(is_face, np.minimum(nearest, lengths(inside - face)), nearest)
    seen = np.isfinite(nearest)  # a face, beside it
    shown = (from_table < nearest) & seen & (np.cumsum(seen, axis=0) > DEEP_MM / ROW_MM - 1)
    out = _wide_enough(shown)
    if out.any():  # most sides are done here
        out = _wide_enough(shown & (off_table(around, table()[None, None]) < OTHER_TABLE))
    return out


def _wide_enough(shown: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """At which columns (w,) places (r, w) are shown as wide as a notch, away from the side's ends."""
    wide = cv2.erode(shown.astype(np.uint8), np.ones((1, int(NOTCH_MM / STEP_MM)), np.uint8))
    room = round(NARROWEST_MM / STEP_MM)
    out = np.asarray(wide.any(axis=0))
    out[:room] = out[-room:] = False
    return out


def _smooth(rows: Floats, width_mm: float) -> Floats:
    return np.asarray(cv2.blur(rows, (round(width_mm / STEP_MM), 1), borderType=cv2.BORDER_REPLICATE))

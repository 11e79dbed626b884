"""Where a square goes in a photo: where the truth file says there is room, or where room is found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.real.corpus import LabelledPhoto
from calibration.real.painting import Placing, rim_px
from cardmeasure.camera import Camera, to_plane
from cardmeasure.reference.design import SQUARE_30, SQUARE_80, SquareDesign

Floats = NDArray[np.floating[Any]]

LEAST_80_MM = 45.0
"""A smaller place gets the small design."""
SIDES_MM = (80.0, 60.0, 50.0, 40.0, 30.0, 25.0, 20.0, 16.0, 13.0, 9.0)
"""Sides tried where the truth file names no place, the largest that fits first."""
TURN_DEG = 4.0
ROOM_SHARE = 0.03
"""Kept free round a square that was placed here, as a share of its side."""
FRAME_PX = 8.0
STEPS = 40
LEAST_CELL_PX = 5.0


def placings(photo: LabelledPhoto, camera: Camera, grey: Floats, *, thickness_mm: float, paper_mm: float) -> tuple[
    Placing, ...
]:  # fmt: skip
    """The places of a photo for a square; none where there is no room.

    grey (h, w): the photo's code values, which tell plain ground from busy. thickness_mm : of the things on the table.
    """
    lie = {"thickness_mm": thickness_mm, "paper_mm": paper_mm}
    named = [placed(place.side_mm, at_mm=place.at_mm, turn_deg=place.turn_deg, **lie) for place in photo.places]
    picture_px = (grey.shape[1], grey.shape[0])
    inside = tuple(one for one in named if _is_free(_check_px(camera, one), (), picture_px, frame_px=0.0))
    return inside or _found(photo, camera, grey, lie)


def placed(
    side_mm: float, *, at_mm: tuple[float, float], turn_deg: float, thickness_mm: float, paper_mm: float
) -> Placing:
    """A square of a design of the project's, printed so that its side is as asked; its paper shrinks with it."""
    design: SquareDesign = SQUARE_80 if side_mm >= LEAST_80_MM else SQUARE_30
    scale = side_mm / design.side_mm
    below = thickness_mm - paper_mm * scale
    return Placing(design=design, at_mm=at_mm, turn_deg=turn_deg, scale=scale, below_mm=below)


def _found(photo: LabelledPhoto, camera: Camera, grey: Floats, lie: dict[str, float]) -> tuple[Placing, ...]:
    height, width = grey.shape
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], float) - 0.5
    corners = to_plane(camera, frame)
    taken = [thing.corners_px for thing in photo.things] + [one.outline_px for one in photo.apart]
    small = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    busy = np.asarray(cv2.GaussianBlur(cv2.Laplacian(small, cv2.CV_32F) ** 2, (0, 0), 4), np.float32)
    low, high = corners.min(axis=0), corners.max(axis=0)
    for side in SIDES_MM:
        best: tuple[float, Placing] | None = None
        for x in np.linspace(low[0], high[0], STEPS):
            for y in np.linspace(low[1], high[1], STEPS):
                one = placed(side, at_mm=(float(x), float(y)), turn_deg=TURN_DEG, **lie)
                roomy = placed(side * (1 + 2 * ROOM_SHARE), at_mm=one.at_mm, turn_deg=TURN_DEG, **lie)
                rim = rim_px(camera, roomy, per_side=3)
                if _is_free(rim, taken, (width, height)) and _cell_px(rim, one.design) > LEAST_CELL_PX:
                    cost = _busyness(rim, busy)
                    if best is None or cost < best[0]:
                        best = (cost, one)
        if best is not None:
            return (best[1],)
    return ()


def _check_px(camera: Camera, placing: Placing) -> Floats:
    """The rim of a square's check in the photo: places that a homography found may lose some of the paper's margin."""
    design = placing.design
    return rim_px(camera, replace(placing, scale=placing.scale * design.check_mm / design.side_mm))


def _is_free(rim: Floats, taken: Sequence[Floats], picture_px: tuple[int, int], *, frame_px: float = FRAME_PX) -> bool:
    if not np.isfinite(rim).all() or rim.min() < frame_px or (rim > np.array(picture_px) - 1 - frame_px).any():
        return False
    hull = cv2.convexHull(rim.astype(np.float32))
    return all(cv2.intersectConvexConvex(hull, cv2.convexHull(one.astype(np.float32)))[0] <= 0 for one in taken)


def _cell_px(rim: Floats, design: SquareDesign) -> float:
    """Size of a check cell in the photo, px."""
    share = design.cell_mm / design.side_mm
    return float(np.sqrt(abs(cv2.contourArea(rim.astype(np.float32))))) * share


def _busyness(rim: Floats, busy: Floats) -> float:
    mask = np.zeros(busy.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.round(rim / 4).astype(np.int32), 1)
    inside = busy[mask > 0]
    return float(inside.mean()) if len(inside) else float("inf")

"""The light of the table at and around a region, seen from above."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table
from cardmeasure.numerics import lengths
from cardmeasure.photo import Photo
from cardmeasure.photo.colour import looked_up

Floats = NDArray[np.floating[Any]]

ROOM_MM = 4.0
"""So much of a region's surroundings is seen, too."""
RING_MM, PER_MM = 3.0, 3.0
"""What the table around it looks like is seen in a ring of this width at the rim, at so many pixels per millimetre."""
FLOOR = 0.012
"""Added to linear light before the logarithm, so that black noise is no line."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Grid:
    """Where the pixels of a picture lie on the table: mm of the first, and from one to the next in a row and in a
    column, (2,) each."""

    columns: int
    rows: int
    origin_mm: Floats
    right_mm: Floats
    down_mm: Floats

    def to_mm(self, x: NDArray[Any], y: NDArray[Any]) -> Floats:
        """Places (..., 2) on the table of pixels."""
        # coordinate by coordinate, as numpy is slow where the last axis is short
        axes = zip(self.origin_mm, self.right_mm, self.down_mm, strict=True)
        return np.stack([first + x * right + y * down for first, right, down in axes], axis=-1)

    def all_mm(self) -> Floats:
        """Places (rows, columns, 2) of all its pixels."""
        return self.to_mm(np.arange(self.columns), np.arange(self.rows)[:, None])

    def turned(self) -> Grid:
        """The same with rows for columns."""
        return Grid(
            columns=self.rows, rows=self.columns,
            origin_mm=self.origin_mm, right_mm=self.down_mm, down_mm=self.right_mm,
        )  # fmt: skip


def grid_over(contour_mm: Floats, per_mm: float) -> Grid:
    """Pixels over a region (n, 2) and its surroundings, along its smallest rectangle."""
    (cx, cy), (w, h), angle = cv2.minAreaRect(contour_mm.astype(np.float32))
    turn = np.radians(angle)
    right, down = np.array([np.cos(turn), np.sin(turn)]) / per_mm, np.array([-np.sin(turn), np.cos(turn)]) / per_mm
    columns, rows = (int(np.ceil((side + 2 * ROOM_MM) * per_mm)) for side in (w, h))
    origin = np.array([cx, cy]) - (columns - 1) / 2 * right - (rows - 1) / 2 * down
    return Grid(columns=columns, rows=rows, origin_mm=origin, right_mm=right, down_mm=down)


def table_around(photo: Photo, camera: Camera, region_mm: Floats) -> Floats:
    """Logarithm of light (3,) of the table close around a region (n, 2)."""
    grid = grid_over(region_mm, PER_MM)
    room = round(RING_MM * PER_MM)
    x, y = np.arange(grid.columns), np.arange(grid.rows)
    above_below, beside = np.r_[y[:room], y[-room:]], np.r_[x[:room], x[-room:]]
    strips = (grid.to_mm(x, above_below[:, None]), grid.to_mm(beside, y[room:-room, None]))
    ring = [log_light(photo, camera, strip).reshape(-1, 3) for strip in strips]
    return np.asarray(np.median(np.concatenate(ring), axis=0))


def log_light(photo: Photo, camera: Camera, mm: Floats) -> Floats:
    """Logarithm of the light (h, w, 3) at places (h, w, 2) on the table."""
    px = project_table(camera, mm).astype(np.float32)
    codes = cv2.remap(photo.pixels_bgr, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return looked_up(np.log(photo.response.astype(np.float32) + np.float32(FLOOR)), np.asarray(codes))


def off_table(light: Floats, table: Floats) -> Floats:
    """How unlike the table (..., 3) light (..., 3) is, in logarithms; darker it may be, as notches lie in the shade."""
    off = light - table
    mean = off @ np.full(off.shape[-1], 1 / off.shape[-1], off.dtype)
    return lengths(off - np.minimum(mean, 0.0)[..., None])

"""The table as seen from straight above, at one scale all over, whatever the tilt of the photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table, to_plane
from cardmeasure.photo import Photo
from cardmeasure.reducing import reduced_photo

Floats = NDArray[np.floating[Any]]
Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]

PER_MM = 2.0
"""Pixels per millimetre, at most: the scale that the network learned at (calibration/training)."""
MOST_PX = 600_000
"""Pixels of a view, at most; larger tables are seen at a coarser scale. So much costs the network 0.95e9 multiply-adds."""
MULTIPLE_PX = 32
"""Sides of a view are multiples of this, as the network halves them five times."""
FARTHEST_MM = 500.0
"""The view ends so far from the reference: beyond, photos are blurred and slanted."""
UNSEEN = 127
"""Code value of places that the photo does not show, as in training."""
GAMMA = 2.2
NODE_PX = 8
"""The projection is worked out at every so many-th pixel, and is linear between."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TableView:
    """codes (h, w, 3): blue first, as a screen shows them; seen (h, w): whether the photo shows that place; origin_mm
    (2,): of the first pixel's centre; per_mm: pixels per millimetre."""

    codes: Bytes
    seen: NDArray[np.bool_]
    origin_mm: Floats
    per_mm: float

    def to_view(self, points_mm: Floats) -> Floats:
        """Pixels of the view (..., 2) of places on the table, mm."""
        return np.asarray((points_mm - self.origin_mm) * self.per_mm)

    def to_mm(self, points: Floats) -> Floats:
        """Places on the table of pixels of the view (..., 2)."""
        return np.asarray(points / self.per_mm + self.origin_mm)


def view_from_above(photo: Photo, camera: Camera, *, px_per_mm: float) -> TableView:
    """All of the table that the photo shows near the reference.

    px_per_mm : of the photo at the reference; the view is no finer than the photo.
    """
    low, high = _reach(photo, camera)
    per_mm = min(PER_MM, px_per_mm, float(np.sqrt(MOST_PX / np.prod(high - low))))
    columns, rows = (int(np.ceil(side * per_mm / MULTIPLE_PX)) * MULTIPLE_PX for side in high - low)
    k = min(1.0, per_mm / px_per_mm)
    size = (max(8, round(photo.width_px * k)), max(8, round(photo.height_px * k)))
    small = photo.pixels_bgr if k == 1.0 else reduced_photo(photo, *size)
    factor = np.array([small.shape[1] / photo.width_px, small.shape[0] / photo.height_px])
    x, y = _places(camera, low, rows, columns, per_mm, factor)
    codes = cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = (x >= 0) & (y >= 0) & (x <= small.shape[1] - 1) & (y <= small.shape[0] - 1)
    shown = _as_on_screens(codes, photo)
    shown[~seen] = UNSEEN
    return TableView(codes=shown, seen=seen, origin_mm=low, per_mm=per_mm)


def _as_on_screens(codes: NDArray[Any], photo: Photo) -> Bytes:
    """Bytes of the common tone curve, whatever that of the photo."""
    table = np.rint(255 * np.clip(photo.response, 0, 1) ** (1 / GAMMA)).astype(np.uint8)
    return np.asarray(cv2.LUT(codes, table) if codes.dtype == np.uint8 else table[codes], np.uint8)


def _reach(photo: Photo, camera: Camera) -> tuple[Floats, Floats]:
    """The lowest and the highest place (2,) of the table that the photo shows, mm."""
    s = np.linspace(0, 1, 9)
    x, y = (photo.width_px - 1) * s, (photo.height_px - 1) * s
    zero, one = np.zeros(9), np.ones(9)
    sides = ((x, zero), (x, y[-1] * one), (zero, y), (x[-1] * one, y))
    reach = to_plane(camera, np.concatenate([np.column_stack(side) for side in sides]))
    low, high = (np.clip(f(reach, axis=0), -FARTHEST_MM, FARTHEST_MM) for f in (np.min, np.max))
    return low, np.maximum(high, low + 1.0)


def _places(
    camera: Camera, low: Floats, rows: int, columns: int, per_mm: float, factor: Floats
) -> tuple[Singles, Singles]:
    """Pixels of the reduced photo for each pixel of the view, (rows, columns) each."""
    coarse_x, coarse_y = np.arange(0, columns + NODE_PX, NODE_PX), np.arange(0, rows + NODE_PX, NODE_PX)
    x, y = np.meshgrid(coarse_x / per_mm + low[0], coarse_y / per_mm + low[1])
    px = project_table(camera, np.column_stack([x.ravel(), y.ravel()]))
    px = ((px + 0.5) * factor - 0.5).reshape(*x.shape, 2).astype(np.float32)
    # the grid's nodes are every eighth pixel
    affine = np.array([[1 / NODE_PX, 0, 0], [0, 1 / NODE_PX, 0]], np.float32)
    fine = cv2.warpAffine(px, affine, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.ascontiguousarray(fine[..., 0]), np.ascontiguousarray(fine[..., 1])

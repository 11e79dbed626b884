"""Linear light across curves, between pixels: for edges that bend, where pixels cannot be read line by line.

Interpolation is symmetric, so it moves nothing; it blurs by a known little (`INTERPOLATION_PX`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import Photo
from cardmeasure.photo.colour import looked_up

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

REDUCED = 4
BATCH = 40_000
"""Samples at a time: what fits the processor's cache."""

STEP_PX = 0.5
"""Distance of samples across an edge."""
INTERPOLATION_PX = float(np.sqrt(1 / 6))
"""Standard deviation of the blur by linear interpolation, averaged over all places between pixels."""


def distances_px(*, inner_px: float, outer_px: float) -> Floats:
    """Distances (b,) from an edge, outward positive, at which it is looked at."""
    return np.asarray(np.arange(-np.ceil(inner_px / STEP_PX), np.ceil(outer_px / STEP_PX) + 1) * STEP_PX)


@dataclass(frozen=True, kw_only=True, eq=False)
class Others:
    """Where other pieces lie, so that nobody takes them for table: label (h, w) on a picture reduced by `REDUCED`."""

    label: NDArray[np.int32]

    def hides(self, px: Floats, own: Ints) -> NDArray[np.bool_]:
        """Whether other pieces than `own` (...) lie at pixels (..., 2)."""
        at = np.clip((px / REDUCED).astype(np.intp), 0, np.array(self.label.shape)[::-1] - 1)
        found = self.label[at[..., 1], at[..., 0]]
        return np.asarray((found != 0) & (found != own))


def others_of(shape: tuple[int, int], outlines_px: dict[int, Floats], *, margin_px: float) -> Others:
    """Labels of all outlines (n, 2), widened by a margin, on a photo of height and width `shape`; 0 is table."""
    label = np.zeros((shape[0] // REDUCED + 1, shape[1] // REDUCED + 1), np.int32)
    for number, outline in outlines_px.items():
        # a poor pose may put points partly behind the camera: endlessly far away, which takes as long to draw
        if not np.isfinite(outline).all():
            continue
        points = [np.round(np.clip(outline, -max(shape), 2 * max(shape)) / REDUCED).astype(np.int32)]
        cv2.polylines(label, points, True, number, max(1, round(2 * margin_px / REDUCED)))
        cv2.fillPoly(label, points, number)
    return Others(label=label)


def light_across(
    photo: Photo, px: Floats, normal: Floats, distance_px: Floats, *, others: Others | None = None,
    own: Ints | None = None,
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:  # fmt: skip
    """Mean light (s, b, 3) of stretches whose edges are crossed at px (s, m, 2) along normals (s, m, 2).

    The second value (s, b) says where all of it lies in the photo, and on no other piece than the stretch's own (s,).
    """
    light = np.zeros((len(px), len(distance_px), 3), np.float32)
    free = np.zeros(light.shape[:2], bool)
    last_x, last_y = photo.width_px - 2.0, photo.height_px - 2.0
    batch = max(1, BATCH // (px.shape[1] * len(distance_px)))
    for first in range(0, len(px), batch):
        k = slice(first, first + batch)
        x, y = (px[k, :, None, axis] + distance_px * normal[k, :, None, axis] for axis in range(2))
        free[k] = ((x >= 0) & (x <= last_x) & (y >= 0) & (y <= last_y)).all(axis=1)
        light[k] = _bilinear(photo, np.clip(x, 0.0, last_x), np.clip(y, 0.0, last_y)).mean(axis=1)
        if others is not None and own is not None:
            beyond = others.hides(np.stack([x, y], axis=-1), own[k, None, None]).any(axis=1) & (distance_px > 0)
            free[k] &= ~np.logical_or.accumulate(beyond, axis=1)
    return light, free


def _bilinear(photo: Photo, x: Floats, y: Floats) -> NDArray[np.float32]:
    """Light (..., 3) at pixels x, y (...) that lie inside the photo."""
    column, row = np.floor(x).astype(np.intp), np.floor(y).astype(np.intp)
    fx, fy = ((at - whole).astype(np.float32)[..., None] for at, whole in ((x, column), (y, row)))
    number, pixels = row * photo.width_px + column, photo.pixels_bgr.reshape(-1, 3)

    def seen(dx: int, dy: int) -> NDArray[np.float32]:
        return looked_up(photo.response, pixels.take(number + (dy * photo.width_px + dx), axis=0))

    upper = seen(0, 0) * (1 - fx) + seen(1, 0) * fx
    lower = seen(0, 1) * (1 - fx) + seen(1, 1) * fx
    return np.asarray(upper * (1 - fy) + lower * fy, np.float32)

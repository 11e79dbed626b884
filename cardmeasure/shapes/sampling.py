"""Linear light across curves, between pixels: for edges that bend, where pixels cannot be read line by line.

Interpolation is symmetric, so it moves nothing; it blurs by a known little (`INTERPOLATION_PX`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

STEP_PX = 0.5
"""Distance of samples across an edge."""
INTERPOLATION_PX = float(np.sqrt(1 / 6))
"""Standard deviation of the blur by linear interpolation, averaged over all places between pixels."""


def distances_px(*, inner_px: float, outer_px: float) -> Floats:
    """Distances (b,) from an edge, outward positive, at which it is looked at."""
    return np.asarray(np.arange(-np.ceil(inner_px / STEP_PX), np.ceil(outer_px / STEP_PX) + 1) * STEP_PX)


def light_across(
    photo: Photo, px: Floats, normal: Floats, distance_px: Floats
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Mean light (s, b, 3) of stretches whose edges are crossed at px (s, m, 2) along normals (s, m, 2).

    The second value (s,) says whether the whole stretch lies in the photo.
    """
    light = np.zeros((len(px), len(distance_px), 3), np.float32)
    inside = np.zeros(len(px), bool)
    limit = np.array([photo.width_px, photo.height_px]) - 2.0
    for k in range(len(px)):
        at = px[k][:, None] + distance_px[None, :, None] * normal[k][:, None]
        inside[k] = bool((at >= 0).all() and (at <= limit).all())
        light[k] = _bilinear(photo, np.clip(at, 0.0, limit)).mean(axis=0)
    return light, inside


def _bilinear(photo: Photo, at: Floats) -> NDArray[np.float32]:
    """Light (..., 3) at pixels (..., 2) that lie inside the photo."""
    whole = np.floor(at).astype(np.intp)
    share = (at - whole).astype(np.float32)
    x, y = whole[..., 0], whole[..., 1]
    fx, fy = share[..., :1], share[..., 1:]

    def seen(dx: int, dy: int) -> NDArray[np.float32]:
        return np.asarray(photo.response[photo.pixels_bgr[y + dy, x + dx].astype(np.intp)], np.float32)

    upper = seen(0, 0) * (1 - fx) + seen(1, 0) * fx
    lower = seen(0, 1) * (1 - fx) + seen(1, 1) * fx
    return np.asarray(upper * (1 - fy) + lower * fy, np.float32)

"""Brightness across the sides of cards, in linear light, taken from the full-resolution photo without resampling.

A side that runs rather down the picture is read row by row, others column by column: each pixel near the side is
linearised and sorted by its exact distance from the predicted side. Nothing is interpolated, so nothing is smoothed
or shifted; pixels at many fractions of a pixel from the side fill the profile (the slanted-edge idea of ISO 12233).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

BIN_PX = 0.5
NODES = 15
"""Points at which a predicted side is projected; between them it is interpolated."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Profiles:
    """Mean linear light against distance from the predicted side, outward positive, one row a stretch of side.

    card, side (n,); along (n,): middle of the stretch, -1..1. px, normal (n, 2): predicted place and outward normal.
    distance_px (b,): bin middles. light (n, b, 3): BGR. weight (n, b): pixels in the bin. inside (n,): whether the
    whole stretch lies in the photo.
    """

    card: Ints
    side: Ints
    along: Floats
    px: Floats
    normal: Floats
    distance_px: Floats
    light: Floats
    weight: Floats
    inside: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Stretches:
    """How sides are cut into stretches: wanted length, what is left out at the corners, and how many at least."""

    length_mm: float = 6.0
    corner_mm: float = 4.5
    fewest: int = 4
    most: int = 24


def sample_profiles(photo: Photo, camera: Camera, quads: Floats, *, reach_px: float, stretches: Stretches) -> Profiles:
    """Profiles over all sides of all quadrilaterals (c, 9), from -reach_px (inside) to reach_px (outside)."""
    bins = int(np.ceil(reach_px / BIN_PX))
    distance = (np.arange(2 * bins) - bins + 0.5) * BIN_PX
    parts = [
        _side(photo, camera, quads[card], card, side, distance, stretches)
        for card in range(len(quads))
        for side in range(qd.SIDES)
    ]
    names = ("card", "side", "along", "px", "normal", "light", "weight", "inside")
    return Profiles(distance_px=distance, **{n: np.concatenate([p[n] for p in parts]) for n in names})


def straight_range(length_mm: float, corner_mm: float) -> float:
    """Half the share of a side that is surely straight, 0..1: corners left out, but no more than 60 per cent."""
    return float(max(0.4, 1.0 - 2.0 * corner_mm / length_mm))


def _side(
    photo: Photo, camera: Camera, quad: Floats, card: int, side: int, distance: Floats, stretches: Stretches
) -> dict[str, NDArray[np.generic]]:
    length = quad[qd.WIDTH] if side % 2 == 0 else quad[qd.HEIGHT]
    limit = straight_range(float(length), stretches.corner_mm)
    count = int(np.clip(round(limit * length / stretches.length_mm), stretches.fewest, stretches.most))
    t = np.linspace(-limit, limit, NODES)
    curve = _on_side(camera, quad, side, t)
    middle = (np.arange(count) + 0.5) / count * 2 * limit - limit
    ahead = _on_side(camera, quad, side, middle + 1e-3) - _on_side(camera, quad, side, middle - 1e-3)
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    normal = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    px = _on_side(camera, quad, side, middle)
    light, weight = _binned(photo, curve, t, limit, count, distance)
    margin = distance[-1] * np.abs(normal) + 1
    inside = ((px >= margin) & (px <= [photo.width_px - 1, photo.height_px - 1] - margin)).all(axis=1)
    return {
        "card": np.full(count, card, np.intp), "side": np.full(count, side, np.intp), "along": middle, "px": px,
        "normal": normal, "light": light, "weight": weight, "inside": inside,
    }  # fmt: skip


def _on_side(camera: Camera, quad: Floats, side: int, along: Floats) -> Floats:
    n = len(along)
    places = qd.side_places(np.full(n, side, np.intp), along)
    return project(camera, qd.world_points(np.repeat(quad[None], n, axis=0), places))


def _binned(
    photo: Photo, curve: Floats, along: Floats, limit: float, count: int, distance: Floats
) -> tuple[Floats, Floats]:
    """Mean light (count, b, 3) and number of pixels (count, b) of one side."""
    bins = len(distance)
    span = np.abs(curve[-1] - curve[0])
    major = int(np.argmax(span))  # 0: read column by column, 1: row by row
    minor = 1 - major
    size = (photo.width_px, photo.height_px)
    order = np.argsort(curve[:, major])
    low = max(0, int(np.ceil(curve[:, major].min())))
    high = min(size[major] - 1, int(np.floor(curve[:, major].max())))
    if high - low < count:
        return np.zeros((count, bins, 3)), np.zeros((count, bins))
    lines = np.arange(low, high + 1)
    at = np.interp(lines, curve[order, major], curve[order, minor])
    t = np.interp(lines, curve[order, major], along[order])
    slope = np.gradient(at)
    # clockwise sides have their outside to the left of the way they run
    runs = 1.0 if curve[-1, major] > curve[0, major] else -1.0
    outward = (-1.0 if major == 0 else 1.0) * runs / np.sqrt(1 + slope**2)
    half = int(np.ceil(-distance[0] / float(np.abs(outward).min()))) + 1
    across = np.round(at).astype(np.intp)[:, None] + np.arange(-half, half + 1)
    d = (across - at[:, None]) * outward[:, None]
    stretch = np.clip(((t + limit) / (2 * limit) * count).astype(np.intp), 0, count - 1)
    index = np.floor(d / BIN_PX).astype(np.intp) + bins // 2
    ok = (index >= 0) & (index < bins) & (across >= 0) & (across < size[minor])
    clipped = np.clip(across, 0, size[minor] - 1)
    code = photo.pixels_bgr[lines[:, None], clipped] if major == 1 else photo.pixels_bgr[clipped, lines[:, None]]
    key = (stretch[:, None] * bins + index)[ok]
    values = photo.response[code[ok]]
    weight = np.bincount(key, minlength=count * bins).astype(np.float64)
    sums = [np.bincount(key, values[:, c], minlength=count * bins) for c in range(3)]
    light = np.stack(sums, axis=-1) / np.maximum(weight, 1)[:, None]
    return light.reshape(count, bins, 3), weight.reshape(count, bins)

"""Brightness across the sides of cards, in linear light, taken from the full-resolution photo without resampling.

A side that runs rather down the picture is read row by row, others column by column: each pixel near the side is
linearised and sorted by its exact distance from the predicted side. Nothing is interpolated, so nothing is smoothed
or shifted; pixels at many fractions of a pixel from the side fill the profile (the slanted-edge idea of ISO 12233).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Side:
    """One side to be read: its stretches reach over -limit..limit of it."""

    card: int
    side: int
    limit: float
    count: int

    @property
    def nodes(self) -> Floats:
        """Places along the side at which it is projected to be followed, (NODES,)."""
        return np.linspace(-self.limit, self.limit, NODES)

    @property
    def middles(self) -> Floats:
        """Middles of the stretches, (count,)."""
        return np.asarray((np.arange(self.count) + 0.5) / self.count * 2 * self.limit - self.limit)


def sample_profiles(photo: Photo, camera: Camera, quads: Floats, *, reach_px: float, stretches: Stretches) -> Profiles:
    """Profiles over all sides of all quadrilaterals (c, 9), from -reach_px (inside) to reach_px (outside)."""
    bins = int(np.ceil(reach_px / BIN_PX))
    distance = (np.arange(2 * bins) - bins + 0.5) * BIN_PX
    sides = [_side(quad, card, side, stretches) for card, quad in enumerate(quads) for side in range(qd.SIDES)]
    count = [side.count for side in sides]
    card, number = (np.repeat(np.array(values, np.intp), count) for values in zip(*map(_key, sides), strict=True))
    along = np.concatenate([side.middles for side in sides])
    px = _on_sides(camera, quads, card, number, along)
    ahead = _on_sides(camera, quads, card, number, along + 1e-3) - _on_sides(camera, quads, card, number, along - 1e-3)
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    normal = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    margin = distance[-1] * np.abs(normal) + 1
    light, weight = _all_binned(photo, sides, _curves(camera, quads, sides), distance)
    return Profiles(
        card=card, side=number, along=along, px=px, normal=normal, distance_px=distance, light=light, weight=weight,
        inside=((px >= margin) & (px <= [photo.width_px - 1, photo.height_px - 1] - margin)).all(axis=1),
    )  # fmt: skip


def straight_range(length_mm: float, corner_mm: float) -> float:
    """Half the share of a side that is surely straight, 0..1: corners left out, but no more than 60 per cent."""
    return float(max(0.4, 1.0 - 2.0 * corner_mm / length_mm))


def _side(quad: Floats, card: int, side: int, stretches: Stretches) -> _Side:
    length = float(quad[qd.WIDTH] if side % 2 == 0 else quad[qd.HEIGHT])
    limit = straight_range(length, stretches.corner_mm)
    count = int(np.clip(round(limit * length / stretches.length_mm), stretches.fewest, stretches.most))
    return _Side(card=card, side=side, limit=limit, count=count)


def _key(side: _Side) -> tuple[int, int]:
    return side.card, side.side


def _on_sides(camera: Camera, quads: Floats, card: Ints, side: Ints, along: Floats) -> Floats:
    """Pixels (n, 2) of places along sides, all (n,)."""
    return project(camera, qd.world_points(quads[card], qd.side_places(side, along)))


def _curves(camera: Camera, quads: Floats, sides: list[_Side]) -> Floats:
    """Pixels (s, NODES, 2) of the nodes of all sides."""
    card, side = (np.repeat(np.array(values, np.intp), NODES) for values in zip(*map(_key, sides), strict=True))
    nodes = np.concatenate([side.nodes for side in sides])
    return _on_sides(camera, quads, card, side, nodes).reshape(len(sides), NODES, 2)


def _all_binned(photo: Photo, sides: list[_Side], curves: Floats, distance: Floats) -> tuple[Floats, Floats]:
    """Mean light (n, b, 3) and number of pixels (n, b) of all stretches."""
    table = photo.response.astype(np.float64)
    parts = [_binned(photo.pixels_bgr, table, s, curve, distance) for s, curve in zip(sides, curves, strict=True)]
    return np.concatenate([light for light, _ in parts]), np.concatenate([weight for _, weight in parts])


def _binned(
    pixels: NDArray[np.generic], table: Floats, side: _Side, curve: Floats, distance: Floats
) -> tuple[Floats, Floats]:
    """Mean light (count, b, 3) and number of pixels (count, b) of one side."""
    bins, count = len(distance), side.count
    major = int(np.argmax(np.abs(curve[-1] - curve[0])))  # 0: read column by column, 1: row by row
    minor = 1 - major
    size = pixels.shape[1::-1]
    low = max(0, int(np.ceil(curve[:, major].min())))
    high = min(size[major] - 1, int(np.floor(curve[:, major].max())))
    if high - low < count:
        return np.zeros((count, bins, 3)), np.zeros((count, bins))
    # clockwise sides have their outside to the left of the way they run
    runs = 1.0 if curve[-1, major] > curve[0, major] else -1.0
    nodes = curve if runs > 0 else curve[::-1]
    lines = np.arange(low, high + 1)
    at = np.interp(lines, nodes[:, major], nodes[:, minor])
    t = np.interp(lines, nodes[:, major], runs * side.nodes)
    outward = (-1.0 if major == 0 else 1.0) * runs / np.sqrt(1 + np.gradient(at) ** 2)
    half = int(np.ceil(-distance[0] / float(np.abs(outward).min()))) + 1
    width = min(2 * half + 1, size[minor])
    first = np.clip(np.round(at).astype(np.intp) - half, 0, size[minor] - width)
    # counted in bins from one below the first, so that all that lies beyond the profile falls into two spare ones
    index = (first - at)[:, None] + np.arange(width)
    index *= (outward / BIN_PX)[:, None]
    index += bins // 2 + 1
    np.clip(index, 0, bins + 1, out=index)
    stretch = np.clip(((t + side.limit) / (2 * side.limit) * count).astype(np.intp), 0, count - 1)
    key = (index.astype(np.intp) + stretch[:, None] * (bins + 2)).ravel()
    codes = _windows(pixels, lines, first, width=width, major=major)
    sums = [np.bincount(key, light, minlength=count * (bins + 2)) for light in _looked_up(table, codes)]
    weight = np.bincount(key, minlength=count * (bins + 2)).reshape(count, -1)[:, 1:-1].astype(np.float64)
    light = np.stack(sums, axis=-1).reshape(count, -1, 3)[:, 1:-1]
    return light / np.maximum(weight, 1)[..., None], weight


def _windows(pixels: NDArray[np.generic], lines: Ints, first: Ints, *, width: int, major: int) -> NDArray[np.generic]:
    """Code values (3, lines x width): on each line `width` pixels from `first`; lines are rows or, major 0, columns."""
    view = np.lib.stride_tricks.sliding_window_view(pixels, width, axis=major)
    window = view[lines, first] if major == 1 else view[first, lines]
    return np.ascontiguousarray(window.transpose(1, 0, 2)).reshape(3, -1)


def _looked_up(table: Floats, codes: NDArray[np.generic]) -> Floats:
    """Entries of a table (256,) or (65536,) at code values."""
    if codes.dtype == np.uint8:
        return np.asarray(cv2.LUT(codes.astype(np.uint8, copy=False), table), np.float64)
    return table[codes.astype(np.intp)]

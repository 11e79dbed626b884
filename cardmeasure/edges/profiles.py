"""Brightness across the sides of cards, in linear light, taken from the full-resolution photo without resampling.

A side that runs rather down the picture is read row by row, others column by column: on each line a window of pixels
about the side is linearised, and windows that meet the side at nearly the same fraction of a pixel are averaged.
Nothing is interpolated, so nothing is smoothed or shifted; the fractions together sample the profile more finely than
the pixels do (the slanted-edge idea of ISO 12233).
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

PHASES = 2
"""Into so many parts a pixel is divided by where the side crosses it."""
STEEPEST = 0.707
"""Cosine of 45 degrees: lines never cross a side at a sharper angle."""
NODES = 15
"""Points at which a predicted side is projected; between them it is interpolated."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Profiles:
    """Mean linear light against distance from the predicted side, outward positive, one row a stretch of side.

    card, side (n,); along (n,): middle of the stretch, -1..1. px, normal (n, 2): predicted place and outward normal.
    distance_px (n, b): ascending, about the side. light (n, b, 3): BGR. weight (n, b): how many pixels were averaged.
    inside (n,): whether the whole stretch lies in the photo.
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
    """How sides are cut into stretches: wanted length, what is left out at the corners, and how many at least.

    `every`: of the lines across a side so many-th is read. `phases`: see `PHASES`.
    """

    length_mm: float = 6.0
    corner_mm: float = 4.5
    fewest: int = 4
    most: int = 24
    every: int = 1
    phases: int = PHASES


@dataclass(frozen=True, kw_only=True)
class Reach:
    """How far profiles reach inside and outside the predicted side, pixels."""

    inner_px: float
    outer_px: float

    @property
    def pixels(self) -> tuple[int, int]:
        """Pixels of a line on either side of the crossing."""
        return int(np.ceil(self.inner_px / STEEPEST)) + 1, int(np.ceil(self.outer_px / STEEPEST)) + 1


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


def sample_profiles(photo: Photo, camera: Camera, quads: Floats, *, reach: Reach, stretches: Stretches) -> Profiles:
    """Profiles over all sides of all quadrilaterals (c, 9)."""
    sides = [_side(quad, card, side, stretches) for card, quad in enumerate(quads) for side in range(qd.SIDES)]
    count = [side.count for side in sides]
    card, number = (np.repeat(np.array(values, np.intp), count) for values in zip(*map(_key, sides), strict=True))
    along = np.concatenate([side.middles for side in sides])
    px, normal = places_and_normals(camera, quads[card], number, along)
    pixels = photo.pixels_bgr.reshape(-1, 3).view(np.dtype((np.void, 3 * photo.pixels_bgr.itemsize))).ravel()
    source = _Source(pixels=pixels, codes=photo.pixels_bgr.dtype, response=photo.response,
                     size=(photo.width_px, photo.height_px))  # fmt: skip
    read = [_read(source, s, curve, reach, stretches) for s, curve in zip(sides, _curves(camera, quads, sides), strict=True)]
    distance, light, weight = (np.concatenate(parts) for parts in zip(*read, strict=True))
    margin = reach.outer_px * np.abs(normal) + 1
    return Profiles(
        card=card, side=number, along=along, px=px, normal=normal, distance_px=distance, light=light,
        weight=np.where((distance > -reach.inner_px) & (distance < reach.outer_px), weight, np.float32(0)),
        inside=((px >= margin) & (px <= [photo.width_px - 1, photo.height_px - 1] - margin)).all(axis=1),
    )  # fmt: skip


def places_and_normals(camera: Camera, quads: Floats, side: Ints, along: Floats) -> tuple[Floats, Floats]:
    """Pixels and outward normals, (n, 2) each, of places along the sides (n,) of quadrilaterals (n, 9)."""
    n, step = len(along), 1e-3
    at = np.concatenate([along, along + step, along - step])
    px = project(camera, qd.world_points(np.tile(quads, (3, 1)), qd.side_places(np.tile(side, 3), at)))
    ahead = px[n : 2 * n] - px[2 * n :]
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    return px[:n], np.column_stack([ahead[:, 1], -ahead[:, 0]])


def whole_sides(fine: Profiles, cards: int) -> Profiles:
    """All stretches of a side put together; they hardly bend over a side, as the prediction follows the lens."""
    key = fine.card * qd.SIDES + fine.side
    first = np.searchsorted(key, np.arange(cards * qd.SIDES))
    weight = np.add.reduceat(fine.weight, first, axis=0)
    per = 1 / np.maximum(weight, 1)
    nominal = np.add.reduceat(fine.distance_px, first, axis=0) / np.diff(np.append(first, len(key)))[:, None]
    distance = np.where(weight > 0, np.add.reduceat(fine.distance_px * fine.weight, first, axis=0) * per, nominal)
    light = np.add.reduceat(fine.light * fine.weight[..., None], first, axis=0) * per[..., None]
    normal = np.add.reduceat(fine.normal, first, axis=0)
    index = np.arange(cards * qd.SIDES)
    return Profiles(
        card=index // qd.SIDES, side=index % qd.SIDES, along=np.zeros(len(index)),
        px=np.add.reduceat(fine.px, first, axis=0) / np.diff(np.append(first, len(key)))[:, None],
        normal=normal / np.linalg.norm(normal, axis=1)[:, None], distance_px=distance, light=light, weight=weight,
        inside=np.ones(len(index), bool),
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


def _curves(camera: Camera, quads: Floats, sides: list[_Side]) -> Floats:
    """Pixels (s, NODES, 2) of the nodes of all sides."""
    card, side = (np.repeat(np.array(values, np.intp), NODES) for values in zip(*map(_key, sides), strict=True))
    nodes = np.concatenate([side.nodes for side in sides])
    return project(camera, qd.world_points(quads[card], qd.side_places(side, nodes))).reshape(len(sides), NODES, 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Source:
    """The photo as one row of pixels, each an opaque triple of code values, and how to make light of them."""

    pixels: NDArray[np.void]
    codes: np.dtype[Any]
    response: NDArray[np.float32]
    size: tuple[int, int]

    def light(self, index: Ints) -> NDArray[np.float32]:
        """Linear light (n, 3 m) of the pixels with numbers (n, m)."""
        codes = self.pixels.take(index).view(self.codes).reshape(len(index), -1)
        if codes.dtype == np.uint8:
            return np.asarray(cv2.LUT(codes, self.response), np.float32)
        return self.response[codes]


def _read(
    source: _Source, side: _Side, curve: Floats, reach: Reach, stretches: Stretches
) -> tuple[Floats, Floats, Floats]:
    """Distances (count, b), mean light (count, b, 3) and number of pixels (count, b) of one side."""
    major = int(np.argmax(np.abs(curve[-1] - curve[0])))  # 0: read column by column, 1: row by row
    minor = 1 - major
    before, after = reach.pixels
    width, phases = before + after + 1, stretches.phases
    # clockwise sides have their outside to the left of the way they run
    runs = 1.0 if curve[-1, major] > curve[0, major] else -1.0
    outside = (-1.0 if major == 0 else 1.0) * runs
    nodes = curve if runs > 0 else curve[::-1]
    low = max(0, int(np.ceil(nodes[0, major])))
    high = min(source.size[major] - 1, int(np.floor(nodes[-1, major])))
    if high - low < side.count or width > source.size[minor]:
        return _nothing(side.count, before, after, phases)
    lines = np.arange(low, high + 1, max(1, min(stretches.every, (high - low) // (8 * side.count))))
    at = np.interp(lines, nodes[:, major], nodes[:, minor])
    t = np.interp(lines, nodes[:, major], runs * side.nodes)
    cosine = outside / np.sqrt(1 + np.gradient(at, lines) ** 2)
    whole = np.round(at).astype(np.intp)
    first = np.clip(whole - (before if outside > 0 else after), 0, source.size[minor] - width)
    phase = np.clip(((at - whole + 0.5) * phases).astype(np.intp), 0, phases - 1)
    stretch = np.clip(((t + side.limit) / (2 * side.limit) * side.count).astype(np.intp), 0, side.count - 1)
    key = stretch * phases + phase
    order = np.argsort(key, kind="stable")
    along, across = (1, source.size[0]) if major == 1 else (source.size[0], 1)
    light = source.light((first * along + lines * across)[order, None] + np.arange(width) * along)
    return _averaged(
        light, key[order], np.column_stack([first - at, cosine])[order], count=side.count, phases=phases, width=width,
        nominal=(-float(before if outside > 0 else after), outside),
    )  # fmt: skip


def _averaged(
    light: NDArray[np.float32], key: Ints, crossing: Floats, *, count: int, phases: int, width: int,
    nominal: tuple[float, float],
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Means over lines of the same stretch and phase; `crossing` (n, 2): first pixel from the side, cosine; sorted."""
    starts = np.flatnonzero(np.diff(key, prepend=-1))
    groups = key[starts]
    number = np.diff(np.append(starts, len(key)))
    middle = np.full((count * phases, 2), nominal)
    middle[:, 0] -= np.tile((np.arange(phases) + 0.5) / phases - 0.5, count)
    middle[groups] = np.add.reduceat(crossing, starts, axis=0) / number[:, None]
    mean = np.zeros((count * phases, width, 3), np.float32)
    mean[groups] = (np.add.reduceat(light, starts, axis=0) / number[:, None].astype(np.float32)).reshape(-1, width, 3)
    weight = np.zeros(count * phases, np.float32)
    weight[groups] = number
    distance = (middle[:, :1] + np.arange(width)) * middle[:, 1:]
    # a later phase crosses further on, so its pixels lie further back: together they ascend
    distance = distance.reshape(count, phases, width)[:, ::-1].transpose(0, 2, 1).reshape(count, -1)
    mean = mean.reshape(count, phases, width, 3)[:, ::-1].transpose(0, 2, 1, 3).reshape(count, -1, 3)
    weights = np.tile(weight.reshape(count, phases)[:, ::-1], (1, width))
    if nominal[1] < 0:
        return distance[:, ::-1], mean[:, ::-1], weights[:, ::-1]
    return distance, mean, weights


def _nothing(count: int, before: int, after: int, phases: int) -> tuple[Floats, Floats, Floats]:
    """A side of which nothing can be read."""
    distance = np.arange(-before * phases, after * phases + phases) / phases
    shape = (count, len(distance))
    return np.tile(distance, (count, 1)), np.zeros((*shape, 3), np.float32), np.zeros(shape, np.float32)

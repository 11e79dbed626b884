"""Brightness across the sides of cards, in linear light, taken from the full-resolution photo without resampling.

A side that runs rather down the picture is read row by row, others column by column: on each line a window of pixels
about the side is linearised, and windows that meet the side at nearly the same fraction of a pixel are averaged.
Nothing is interpolated, so nothing is smoothed or shifted; the fractions together sample the profile more finely than
the pixels do (the slanted-edge idea of ISO 12233).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import kernels
from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.edges.backdrop import Backdrop
from cardmeasure.photo import Photo
from cardmeasure.photo.colour import looked_up

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

PHASES = 2
"""Into so many parts a pixel is divided by where the side crosses it."""
STEEPEST = 0.707
"""Cosine of 45 degrees: lines never cross a side at a sharper angle."""
NODES = 15
"""Points at which a predicted side is projected; between them it is interpolated."""
EVENLY = np.linspace(0, 1, NODES)
BATCH_LINES = 5000
DEEP_SHARE, DEEP_ROOM_MM, LEAST_STRAIGHT = 1.1, 0.5, 0.15
"""Beside a deep corner so much of its rough radius and so many millimetres are left out, but a part of a side stays."""


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

    def rows(self, index: Ints) -> Profiles:
        """Some of them, some perhaps more than once."""
        return Profiles(**{part.name: getattr(self, part.name)[index] for part in fields(self)})


@dataclass(frozen=True, kw_only=True)
class Stretches:
    """How sides are cut into stretches: wanted length, what is left out at the corners, and how many at least.

    `every`: of the lines across a side so many-th is read, but so many of a stretch at least as `fewest_lines` says,
    where there are so many. `phases`: see `PHASES`. `deep_mm` (c,): of each card the radius of corners so round that
    more is left out, 0 where they are not.
    """

    length_mm: float = 6.0
    corner_mm: float = 4.5
    fewest: int = 4
    most: int = 24
    every: int = 1
    fewest_lines: int = 20
    phases: int = PHASES
    deep_mm: Floats | None = None


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
class _Lines:
    """Lines of pixels that cross sides, in the order of their groups, a group being a phase of a stretch.

    start (m,): number of the first pixel of each, stride (m,): from one pixel to the next. ahead (m,): the first pixel
    from the crossing, in pixels along the line. group (m,), ascending.
    """

    start: Ints
    stride: Ints
    ahead: Floats
    group: Ints


def sample_profiles(
    photo: Photo, camera: Camera, quads: Floats, *, reach: Reach, stretches: Stretches, backdrop: Backdrop | None = None
) -> Profiles:
    """Profiles over all sides of all quadrilaterals (c, 14); `backdrop`: what lies behind them, if it is not even."""
    length = quads[:, [qd.WIDTH, qd.HEIGHT, qd.WIDTH, qd.HEIGHT]].ravel()
    limit = straight_range(length, stretches.corner_mm)
    if stretches.deep_mm is not None:
        limit = np.minimum(limit, deep_range(length, np.repeat(stretches.deep_mm, qd.SIDES)))
    count = np.clip(np.round(limit * length / stretches.length_mm), stretches.fewest, stretches.most).astype(np.intp)
    which = np.repeat(np.arange(len(length)), count)
    first = np.cumsum(count) - count
    card, side = which // qd.SIDES, which % qd.SIDES
    along = ((np.arange(len(which)) - first[which] + 0.5) / count[which] * 2 - 1) * limit[which]
    px, normal = places_and_normals(camera, quads[card], side, along)
    curves = _curves(camera, quads, limit)
    minor = np.argmin(np.abs(curves[:, -1] - curves[:, 0]), axis=1)  # 0: read row by row, 1: column by column
    # on a line the distance grows by this from pixel to pixel
    cosine = normal[np.arange(len(which)), minor[which]]
    outwards = np.add.reduceat(cosine, first) > 0
    behind = None if backdrop is None else (backdrop, which, cosine)
    distance, light, weight = _read(photo, curves, minor, outwards, first, count, reach, stretches, behind)
    distance *= cosine[:, None]
    turned = cosine < 0
    distance[turned], light[turned], weight[turned] = (a[turned, ::-1] for a in (distance, light, weight))
    margin = reach.outer_px * np.abs(normal) + 1
    return Profiles(
        card=card, side=side, along=along, px=px, normal=normal, distance_px=distance, light=light,
        weight=np.where((distance > -reach.inner_px) & (distance < reach.outer_px), weight, np.float32(0)),
        inside=np.asarray(((px >= margin) & (px <= [photo.width_px - 1, photo.height_px - 1] - margin)).all(axis=1)),
    )  # fmt: skip


def places_and_normals(camera: Camera, quads: Floats, side: Ints, along: Floats) -> tuple[Floats, Floats]:
    """Pixels and outward normals, (n, 2) each, of places along the sides (n,) of quadrilaterals (n, 14)."""
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


def straight_range(length_mm: Floats, corner_mm: float) -> Floats:
    """Half the share of sides (n,) that is surely straight, 0..1: corners left out, but no more than 60 per cent."""
    return np.asarray(np.maximum(0.4, 1.0 - 2.0 * corner_mm / length_mm))


def deep_range(length_mm: Floats, radius_mm: Floats) -> Floats:
    """The same (n,) beside corners rounded by such radii (n,); 1 where they are 0."""
    left = 1.0 - 2.0 * (DEEP_SHARE * radius_mm + DEEP_ROOM_MM) / length_mm
    return np.where(radius_mm > 0, np.maximum(left, LEAST_STRAIGHT), 1.0)


def _curves(camera: Camera, quads: Floats, limit: Floats) -> Floats:
    """Pixels (4 c, NODES, 2) along all sides, from one end of their stretches to the other."""
    index = np.repeat(np.arange(len(limit)), NODES)
    along = (np.linspace(-1, 1, NODES) * limit[:, None]).ravel()
    world = qd.world_points(quads[index // qd.SIDES], qd.side_places(index % qd.SIDES, along))
    return project(camera, world).reshape(len(limit), NODES, 2)


def _read(
    photo: Photo, curves: Floats, minor: Ints, outwards: NDArray[np.bool_], first: Ints, count: Ints, reach: Reach,
    stretches: Stretches, behind: tuple[Backdrop, Ints, Floats] | None,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Pixels from the crossings (n, b), mean light (n, b, 3), number of pixels (n, b) of all stretches.

    behind : backdrop, and for each stretch (n,) its side and by how much the distance grows from pixel to pixel.
    """
    before, after = reach.pixels
    width, phases, total = before + after + 1, stretches.phases, int(count.sum())
    ahead = np.where(np.repeat(outwards, count), -before, -after).astype(np.float64)
    ahead = (ahead[:, None] - ((np.arange(phases) + 0.5) / phases - 0.5)).ravel()
    light, weight = np.zeros((total * phases, width, 3), np.float32), np.zeros(total * phases, np.float32)
    if kernels.compiled is not None and behind is None:
        distance = _read_by_kernel(photo, curves, minor, outwards, count, reach, stretches, (light, weight, ahead))
        return _in_order(distance, light, weight, phases)
    pixels = photo.pixels_bgr.reshape(-1, 3).view(np.dtype((np.void, 3 * photo.pixels_bgr.itemsize))).ravel()
    for chosen in _batches(curves, minor, stretches.every):
        parts = [_lines(photo, curves[k], int(minor[k]), int(count[k]), before if outwards[k] else after, width,
                        stretches) for k in chosen]  # fmt: skip
        offset = [(first[k] * phases, part) for k, part in zip(chosen, parts, strict=True) if part is not None]
        if not offset:
            continue
        group = np.concatenate([base + part.group for base, part in offset])
        start, stride, cross = (np.concatenate([getattr(part, name) for _, part in offset]) for name in
                                ("start", "stride", "ahead"))  # fmt: skip
        codes = pixels.take(start[:, None] + np.arange(width) * stride[:, None]).view(photo.pixels_bgr.dtype)
        seen = looked_up(photo.response, codes.reshape(len(group), -1))
        if behind is not None:
            table, side, cosine = behind
            mine = group // phases
            keep, seen = table.made_even(
                photo, seen, side=side[mine], group=group, start=start, stride=stride, ahead=cross, cosine=cosine[mine]
            )
            group, cross = group[keep], cross[keep]
            if not len(group):
                continue
        starts = np.flatnonzero(np.diff(group, prepend=-1))
        number = np.diff(np.append(starts, len(group)))
        mine = group[starts]
        light[mine] = (np.add.reduceat(seen, starts, axis=0) / number[:, None].astype(np.float32)).reshape(-1, width, 3)
        weight[mine] = number
        ahead[mine] = np.add.reduceat(cross, starts) / number
    return _in_order(ahead, light, weight, phases)


def _in_order(ahead: Floats, light: Floats, weight: Floats, phases: int) -> tuple[Floats, Floats, Floats]:
    """What `_read` returns, from groups (g,), (g, width, 3), (g,), a stretch's phases one after the other.

    A later phase crosses further on, so its pixels lie further back: turned round, together they ascend.
    """
    groups, width, _ = light.shape
    total = groups // phases
    distance = (ahead[:, None] + np.arange(width)).reshape(total, phases, width)[:, ::-1].transpose(0, 2, 1)
    light = light.reshape(total, phases, width, 3)[:, ::-1].transpose(0, 2, 1, 3)
    weights = np.tile(weight.reshape(total, phases)[:, ::-1], (1, width))
    return distance.reshape(total, -1), light.reshape(total, -1, 3), weights


def _read_by_kernel(
    photo: Photo, curves: Floats, minor: Ints, outwards: NDArray[np.bool_], count: Ints, reach: Reach,
    stretches: Stretches, groups: tuple[Floats, Floats, Floats],
) -> Floats:  # fmt: skip
    """Light and number of pixels of all groups, in place; returns the first pixels from the crossings (g,)."""
    (light, weight, nominal), (before, after) = groups, reach.pixels
    pixels, total = np.ascontiguousarray(photo.pixels_bgr), np.zeros(len(weight))
    courses = np.column_stack([minor, np.where(outwards, before, after), count]).astype(np.int64)
    kernels.compiled.read_profiles(
        (photo.width_px, photo.height_px, pixels.itemsize, len(photo.response)), (len(curves), int(count.sum())),
        NODES, light.shape[1], stretches.phases, stretches.every, stretches.fewest_lines, pixels,
        kernels.singles(photo.response), kernels.doubles(curves), courses, light, weight, total,
    )  # fmt: skip
    number = np.maximum(weight, 1)
    light /= number[:, None, None]
    return np.where(weight > 0, total / number, nominal)


def _batches(curves: Floats, minor: Ints, every: int) -> list[Ints]:
    """Sides in batches of about so many lines that their windows fit the processor's cache."""
    length = np.abs(curves[:, -1] - curves[:, 0]).max(axis=1) / every
    batch = (np.cumsum(length) // BATCH_LINES).astype(np.intp)
    return np.split(np.arange(len(minor)), np.flatnonzero(np.diff(batch)) + 1)


def _lines(
    photo: Photo, curve: Floats, minor: int, count: int, before: int, width: int, stretches: Stretches
) -> _Lines | None:
    """The lines across one side, whose curve is (NODES, 2); None where there are too few."""
    major, size = 1 - minor, (photo.width_px, photo.height_px)
    forward = curve[-1, major] > curve[0, major]
    nodes = curve if forward else curve[::-1]
    low, high = max(0, math.ceil(nodes[0, major])), min(size[major] - 1, math.floor(nodes[-1, major]))
    if high - low < count or width > size[minor]:
        return None
    lines = np.arange(low, high + 1, max(1, min(stretches.every, (high - low) // (stretches.fewest_lines * count))))
    at = np.interp(lines, nodes[:, major], nodes[:, minor])
    share = np.interp(lines, nodes[:, major], EVENLY if forward else EVENLY[::-1])
    whole = np.rint(at).astype(np.intp)
    first = np.minimum(np.maximum(whole - before, 0), size[minor] - width)
    stretch = np.minimum((share * count).astype(np.intp), count - 1)
    phase = np.minimum(((at - whole + 0.5) * stretches.phases).astype(np.intp), stretches.phases - 1)
    group = stretch * stretches.phases + phase
    order = np.argsort(group.astype(np.uint16), kind="stable")
    along, across = (1, size[0]) if minor == 0 else (size[0], 1)
    return _Lines(
        start=(first * along + lines * across)[order], stride=np.full(len(lines), along), ahead=(first - at)[order],
        group=group[order],
    )  # fmt: skip

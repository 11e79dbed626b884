"""Rectangles that fit the map's boundaries: one direction for all four sides, and the outermost boundary along each.

Lines printed within a border are boundaries now and then, too, and along some of a side; so no side is fitted by itself.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.detection.segmentation import BOUNDARY, FACE, TABLE, TableMap
from cardmeasure.detection.view_from_above import TableView

Floats = NDArray[np.floating[Any]]
Singles = NDArray[np.float32]

TURNS_DEG = np.linspace(-3.0, 3.0, 25)
"""A rough rectangle is turned by no more than the last."""
INWARD_MM, OUTWARD_MM, STEP_MM = 4.0, 6.0, 0.25
"""How far from its rough place a side is sought."""
PLACES = np.linspace(0.07, 0.93, 28)
"""Where along a side its boundary is looked at: without round corners."""
HALF, FARTHER = 2, 24
"""A step is the difference of colour half a millimetre to either side; noise is what differs up to 5 mm farther out."""
FREE_MM = 3.0
"""So far outside a rough side, places that the map calls table tell its colour."""
NEAREST = 3
"""Steps of colour so few offsets beyond a boundary belong to it."""
BEYOND_MM, ANOTHER = 2.0, 0.3
"""Where a face is so likely, so far beyond a line, that is no edge of this piece, unless it is the clearest."""
LEAST_NOISE, SHADE_COLOUR = 0.01, 0.9
CONTRAST, LEAST_HINT = 6.0, 0.08
LEAST, OF_BEST = 0.2, 0.4
"""Mean likelihood along a side that makes it an edge: so much, and so much of the clearest."""


def fitted_rectangle(table: TableMap, light: Singles, view: TableView, corners_mm: Floats) -> Floats:
    """Corners (4, 2) mm of the rectangle whose sides lie along the outermost boundaries near a rough one's.

    light : (h, w, 3), logarithm of the view's code values.
    """
    corners_mm = _squared(corners_mm)
    offsets = np.arange(-INWARD_MM, OUTWARD_MM + 1e-9, STEP_MM)
    likely = _along_sides(table, BOUNDARY, np.array([_turned(corners_mm, degrees) for degrees in TURNS_DEG]), offsets)
    turn = int(likely.max(axis=2).sum(axis=1).argmax())
    turned = _turned(corners_mm, float(TURNS_DEG[turn]))
    more = offsets[0] + STEP_MM * np.arange(-HALF, len(offsets) + FARTHER)
    colours = _colours(light, view, turned, more)
    free = _along_sides(table, TABLE, turned[None], more)[0] * (more > FREE_MM)
    ground = (colours * free[..., None]).sum(axis=(0, 1)) / max(float(free.sum()), 1e-6)
    faces = _along_sides(table, FACE, turned[None], offsets + BEYOND_MM)[0]
    moved = np.array([_edge(*side, ground, offsets) for side in zip(likely[turn], colours, faces, strict=True)])
    return _moved(turned, moved)


def _colours(light: Singles, view: TableView, corners_mm: Floats, offsets: Floats) -> Floats:
    """Mean logarithm of colour (4, offsets, 3) along lines along the sides."""
    flat = view.to_view(_lines(corners_mm[None], offsets)[0]).reshape(-1, len(PLACES), 2).astype(np.float32)
    seen = cv2.remap(light, np.ascontiguousarray(flat[..., 0]), np.ascontiguousarray(flat[..., 1]), cv2.INTER_LINEAR)
    return np.asarray(seen.mean(axis=1).reshape(4, len(offsets), 3))


def _edge(likely: Floats, colours: Floats, faces: Floats, ground: Floats, offsets: Floats) -> float:
    """How far outward (mm) a side's edge lies: the outermost line beside which, within, is no table.

    likely : (n,), mean likelihood of a boundary at each offset. colours : (n + HALF + FARTHER, 3), from HALF steps
    before the first offset. faces : (n,), likelihood of a face so far beyond each offset, where it is another's. ground : (3,), colour of the table near by.
    """
    rise = colours[2 * HALF :] - colours[: -2 * HALF]
    n = len(offsets)
    step = np.linalg.norm(rise, axis=1)
    noise = np.array([np.median(step[k + HALF + 4 : k + FARTHER - HALF]) for k in range(n)]) + LEAST_NOISE
    contrast = step[:n] / noise
    clear = _is_peak(likely) & (likely > max(LEAST, OF_BEST * float(likely.max())))
    wide = np.array([likely[max(0, k - 3) : k + 4].max() for k in range(n)])
    stepped = _is_peak(contrast) & (contrast > CONTRAST) & (wide > LEAST_HINT)
    found = np.flatnonzero(clear | stepped)
    if not len(found):
        return 0.0
    lines = np.flatnonzero(clear) if clear.any() else found
    sure = lines[likely[lines] >= 0.5 * float(likely[lines].max())]
    at = int(sure[0])
    for k in found[(found > at) & (faces[found] < ANOTHER)]:
        if k - at < NEAREST:
            continue
        inset = min(2, (k - at - 1) // 2)
        within, beyond = colours[at + HALF + inset : k + HALF - inset + 1], colours[k + HALF + 2 : k + HALF + 8]
        if _is_border(within.mean(axis=0) - ground, beyond.mean(axis=0) - ground, noise[k], sure=bool(clear[k])):
            at = int(k)
    return float(offsets[at] + STEP_MM * _top(likely if _is_peak(likely)[at] else contrast, at))


def _is_border(within: Floats, beyond: Floats, noise: float, *, sure: bool) -> bool:
    """Whether what lies within a line differs from the table, (3,) logarithm of colour, and what lies beyond less.

    A shadow differs, too, but dims all colours alike: it needs a boundary to be `sure`.
    """
    differs = float(np.linalg.norm(within)) > float(np.linalg.norm(beyond)) + CONTRAST * noise
    dims = float(within.mean())
    shadow = dims < 0 and float(np.abs(within - dims).max()) < SHADE_COLOUR * -dims
    return differs and (sure or not shadow)


def _top(profile: Floats, k: int) -> float:
    """How far from sample k a parabola through it and its neighbours is highest, in samples."""
    a, b, c = profile[max(0, k - 1)], profile[k], profile[min(len(profile) - 1, k + 1)]
    return float(np.clip(0.5 * (a - c) / min(float(a - 2 * b + c), -1e-9), -0.5, 0.5))


def _along_sides(table: TableMap, kind: int, turned: Floats, offsets: Floats) -> Floats:
    """Mean likelihood of a class (turns, 4, offsets) along each side of rectangles (turns, 4, 2), moved outward."""
    at = table.to_map(_lines(turned, offsets))
    flat = at.reshape(-1, len(PLACES), 2).astype(np.float32)
    seen = cv2.remap(np.ascontiguousarray(table.likely[kind]), np.ascontiguousarray(flat[..., 0]),
                     np.ascontiguousarray(flat[..., 1]), cv2.INTER_LINEAR)  # fmt: skip
    return np.asarray(seen.mean(axis=1).reshape(*turned.shape[:2], len(offsets)))


def _lines(turned: Floats, offsets: Floats) -> Floats:
    """Places (turns, 4, offsets, places, 2) along the sides of rectangles (turns, 4, 2), moved outward."""
    way = np.roll(turned, -1, axis=1) - turned
    out = np.stack([way[..., 1], -way[..., 0]], axis=-1) / np.linalg.norm(way, axis=2, keepdims=True)
    on_side = turned[:, :, None] + PLACES[:, None] * way[:, :, None]
    return np.asarray(on_side[:, :, None] + (offsets[:, None] * out[:, :, None])[:, :, :, None])


def _is_peak(profile: Floats) -> NDArray[np.bool_]:
    peak = np.zeros(len(profile), bool)
    peak[1:-1] = (profile[1:-1] >= profile[:-2]) & (profile[1:-1] > profile[2:])
    return peak


def _squared(corners: Floats) -> Floats:
    """The rectangle (4, 2) nearest to a quadrilateral, corner by corner."""
    a, b = (corners[[1, 2]] - corners[[0, 3]]).mean(axis=0), (corners[[3, 2]] - corners[[0, 1]]).mean(axis=0)
    # the second direction is the first, turned by a right angle
    way = a / np.linalg.norm(a) + np.array([b[1], -b[0]]) / np.linalg.norm(b)
    way /= np.linalg.norm(way)
    half_a, half_b = way * (a @ way) / 2, np.array([-way[1], way[0]]) * (b @ np.array([-way[1], way[0]])) / 2
    return np.asarray(
        corners.mean(axis=0) + np.array([-half_a - half_b, half_a - half_b, half_a + half_b, half_b - half_a])
    )


def _turned(corners: Floats, degrees: float) -> Floats:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    middle = corners.mean(axis=0)
    return np.asarray(middle + (corners - middle) @ np.array([[c, s], [-s, c]]))


def _moved(corners: Floats, outward_mm: Floats) -> Floats:
    """A rectangle (4, 2) whose sides are moved outward, each by its own (4,)."""
    way = np.roll(corners, -1, axis=0) - corners
    out = np.column_stack([way[:, 1], -way[:, 0]]) / np.linalg.norm(way, axis=1, keepdims=True)
    step = out * outward_mm[:, None]
    return np.asarray(corners + step + np.roll(step, 1, axis=0))

"""Outlines of what may be pieces, from the map of what each place of a table shows.

A piece's face is a region of the map within its boundary. Regions that hang together by a weak boundary are taken apart
where the parts are pieces and the whole is none. Outlines are drawn along the middle of the boundary, which the
probabilities tell to a part of a pixel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import watershed

from cardmeasure.detection.rectangles import fitted_rectangle
from cardmeasure.detection.segmentation import BOUNDARY, FACE, TableMap
from cardmeasure.detection.view_from_above import TableView
from cardmeasure.outlines.joins import is_nominal
from cardmeasure.outlines.pieces import (
    MAX_ASPECT,
    MAX_LONG_MM,
    MIN_AREA_MM2,
    MIN_SIDE_MM,
    NO_SIZES,
    Outline,
    clockwise,
    fills_rectangle,
    fitted_corners,
)

Floats = NDArray[np.floating[Any]]
Singles = NDArray[np.float32]
Mask = NDArray[np.uint8]

CUTS = (0.5, 0.3, 0.15, 0.07)
"""A region is parted where a boundary is so likely; the next only where this makes fewer rectangles."""
DARK = 12.0
"""Added to code values before the logarithm: noise in black is no step."""
ALIKE_MM = 1.0
"""Cards of one deck differ by less on the map, and by two of its pixels."""
FILLED = 0.9
"""Share of its smallest rectangle that a mask of a card covers, its corners round and its sides stepped."""
SEAMLESS = 0.8
"""A rectangle is several where rectangles cover so much of it, as seen at the first cut."""
SPURS_PX = (5, 7, 9)
"""What hangs on a piece and is narrower, pixels of the map, is no part of it: the narrowest piece is 12 mm wide."""
RIM_PX = 2
"""A boundary is no wider beside a face, pixels of the map."""
CLEAR = 0.25
"""The outermost boundary so likely is a piece's edge: lines printed within may be as likely."""
FIRST_PX, LAST_PX, STEP_PX = 1.5, -4.0, 0.25
"""From so far outside a region's rim to so far within its edge is sought, pixels of the map."""
HALF_BAND_PX = 0.7
"""Boundaries are drawn so wide to either side of edges in training, pixels of the map."""
FRAME_PX = 1.0
"""What comes so near to the end of what is seen is cut by it."""
MOST_CUT = 3
"""Points of a contour at the end of what is seen: fewer only touch it."""


def candidates(
    table: TableMap, view: TableView, *, nominal_mm: Floats = NO_SIZES, reference_px: list[Floats] | None = None
) -> tuple[Outline, ...]:
    """All outlines of flat pieces, without flags where they are rectangles.

    reference_px : corners (n, 2) of papers in pixels of the map, which are no pieces.
    """
    likely = table.likely
    taken = np.zeros(likely.shape[1:], np.uint8)
    for polygon in reference_px or []:
        cv2.fillPoly(taken, [np.rint(polygon).astype(np.int32)], 1)
    piece = np.asarray((likely[FACE] + likely[BOUNDARY] > 0.5) & (taken == 0), np.uint8)
    least = MIN_AREA_MM2 / 2 * table.per_mm**2
    outlines = [
        _outline(_edge(region, likely, place) + place, table, filled=_is_rectangle(region))
        for place, region in _regions(piece, likely, least, table.per_mm, nominal_mm)
    ]
    light = np.log(view.codes.astype(np.float32) + np.float32(DARK))
    return tuple(
        replace(one, corners_mm=fitted_rectangle(table, light, view, fitted_corners(one.contour_mm, one.corners_mm))) if not one.flags else one
        for one in outlines if one is not None
    )  # fmt: skip


def _regions(
    piece: Mask, likely: Singles, least: float, per_mm: float, nominal_mm: Floats
) -> Iterator[tuple[tuple[int, int], Mask]]:
    """Regions of pieces and their boundaries, each as its place x, y in the map and a mask, taken apart where it is
    several."""
    piece = np.asarray(cv2.morphologyEx(piece, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(piece, connectivity=4)
    for k in range(1, count):
        x, y, w, h, size = boxes[k].tolist()
        if size >= least:
            mine = np.asarray(labels[y : y + h, x : x + w] == k, np.uint8)
            for part in _parted(_filled(mine), likely[:, y : y + h, x : x + w], least, per_mm, nominal_mm):
                yield (x, y), part


def _parted(mine: Mask, likely: Singles, least: float, per_mm: float, nominal_mm: Floats) -> list[Mask]:
    """A region as it is, or its parts along likely boundaries, whichever explains more of it by rectangles.

    A part within another is what is printed on it. A rectangle is parted only along the likeliest boundaries.
    """
    mine = _without_spurs(mine)
    best, most = [mine], SEAMLESS * _area(mine) if _is_rectangle(mine) else 0.0
    for cut in CUTS:
        core = np.asarray((mine > 0) & (likely[BOUNDARY] < cut) & (likely[FACE] > 0.3), np.uint8)
        core = np.asarray(cv2.morphologyEx(core, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
        seeds = _seeds(core, least)
        if seeds.max() < 2:
            continue
        grown = watershed(likely[BOUNDARY], seeds, mask=mine > 0)
        parts = [_grown(seeds == k, grown == k) for k in range(1, int(seeds.max()) + 1)]
        good = sum(_area(part) for part in parts if _is_rectangle(part))
        if good > most and (not most or _are_like_cards(parts, per_mm, nominal_mm)):
            best, most = parts, good
    return best


def _without_spurs(mask: Mask) -> Mask:
    """A mask without what hangs on it and is narrower than a piece, where it is a rectangle then."""
    if _is_rectangle(mask):
        return mask
    for width in SPURS_PX:
        opened = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((width, width), np.uint8)), np.uint8)
        if opened.any() and _is_rectangle(_filled(opened)):
            return _filled(opened)
    return mask


def _are_like_cards(parts: list[Mask], per_mm: float, nominal_mm: Floats) -> bool:
    """Whether all parts have nominal sizes (k, 2), or all the same, as far as the map tells."""
    boxes = [cv2.minAreaRect(_rim(part).astype(np.float32))[1] for part in parts]
    sides = (np.sort(np.array(boxes), axis=1) + 1.0) / per_mm
    alike = float(np.ptp(sides, axis=0).max()) < ALIKE_MM + 2 / per_mm
    return alike or all(is_nominal(short, long, nominal_mm) for short, long in sides.tolist())


def _seeds(core: Mask, least: float) -> NDArray[np.int32]:
    """Numbers (h, w) of the large parts of a mask, those within another left out."""
    found, _ = cv2.findContours(core, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    seeds = np.zeros(core.shape, np.int32)
    number = 0
    for contour in sorted(found, key=cv2.contourArea, reverse=True):
        if cv2.contourArea(contour) >= least:
            number += 1
            cv2.drawContours(seeds, [contour], 0, number, cv2.FILLED)
    return seeds


def _filled(mask: Mask) -> Mask:
    """The largest part of a mask without its holes."""
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(out, [max(found, key=cv2.contourArea)], 0, 1, cv2.FILLED)
    return out


def _grown(seed: NDArray[np.bool_], ours: NDArray[np.bool_]) -> Mask:
    """A seed and its own boundary, of what a watershed gave it, without what lies farther off."""
    near = cv2.dilate(seed.astype(np.uint8), np.ones((2 * RIM_PX + 1,) * 2, np.uint8))
    return _without_spurs(_filled(np.asarray(near & ours.astype(np.uint8), np.uint8)))


def _area(mask: Mask) -> int:
    return int(np.count_nonzero(mask))


def _is_rectangle(mask: Mask) -> bool:
    """Whether a mask's outline is nearly its smallest rectangle, as far as pixels can tell."""
    rim = _rim(mask).astype(np.float32)
    short, long = sorted(cv2.minAreaRect(rim)[1])
    # the rim runs through the middles of the outermost pixels, and steps from one to the next
    return bool(short > 1 and _area(mask) > FILLED * (short + 1) * (long + 1))


def _rim(mask: Mask) -> Floats:
    """The outermost pixels (n, 2) of a mask, in turn."""
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(found, key=len), np.float64).reshape(-1, 2)


def _edge(mask: Mask, likely: Singles, place: tuple[int, int]) -> Floats:
    """The outline (n, 2) of a region that lies at a place of the map: its rim, moved to the middle of the outermost
    boundary."""
    rim = _rim(mask)
    outward = _normals(rim)
    reach = np.arange(FIRST_PX, LAST_PX - 1e-6, -STEP_PX)
    at = (rim[:, None] + place + reach[:, None] * outward[:, None]).astype(np.float32)
    boundary = cv2.remap(np.ascontiguousarray(likely[BOUNDARY]), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    peak = np.zeros(boundary.shape, bool)
    peak[:, 1:-1] = (boundary[:, 1:-1] > boundary[:, :-2]) & (boundary[:, 1:-1] >= boundary[:, 2:])
    peak &= boundary > CLEAR
    first = peak.argmax(axis=1)
    near = np.clip(first[:, None] + np.arange(-4, 5), 0, len(reach) - 1)
    weight = np.take_along_axis(boundary, near, axis=1) ** 2
    middle = (weight * reach[near]).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    moved = np.where(peak.any(axis=1), middle, 0.5 - HALF_BAND_PX)
    return np.asarray(rim + moved[:, None] * outward)


def _normals(rim: Floats) -> Floats:
    """Directions outward (n, 2) along a closed rim of pixels, smoothed over a few of them."""
    step = min(4, max(1, len(rim) // 8))
    way = np.roll(rim, -step, axis=0) - np.roll(rim, step, axis=0)
    turned = np.column_stack([way[:, 1], -way[:, 0]])
    turned /= np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-9)
    inside = float(cv2.contourArea(rim.astype(np.float32), oriented=True))
    return np.asarray(turned if inside > 0 else -turned)


def _outline(contour: Floats, table: TableMap, *, filled: bool) -> Outline | None:
    """The outline of a region on the table, with the corners of its smallest rectangle; None where it is no piece."""
    mm = table.to_mm(contour)
    polygon = mm.astype(np.float32)
    if float(cv2.contourArea(polygon)) < MIN_AREA_MM2:
        return None
    box = cv2.minAreaRect(cv2.convexHull(polygon))
    short, long = sorted(box[1])
    corners = clockwise(np.asarray(cv2.boxPoints(box), np.float64))
    if short < MIN_SIDE_MM:
        return None
    if _at_end(contour, table.seen) >= MOST_CUT:
        return Outline(corners_mm=corners, flags=("cut-by-frame",), contour_mm=mm)
    if long / short > MAX_ASPECT or long > MAX_LONG_MM:
        return None
    flags: tuple[str, ...] = ()
    if not (filled or fills_rectangle(mm)):
        solid = cv2.contourArea(polygon) / cv2.contourArea(cv2.convexHull(polygon))
        flags = ("overlapped" if solid < 0.97 else "not-a-rectangle",)
    return Outline(corners_mm=corners, flags=flags, contour_mm=mm)


def _at_end(contour: Floats, seen: NDArray[np.bool_]) -> int:
    """How many points of a contour lie at the end of what the photo shows."""
    h, w = seen.shape
    at_border = (contour < FRAME_PX).any(axis=1) | (contour > np.array([w, h]) - 1 - FRAME_PX).any(axis=1)
    x, y = np.rint(contour).astype(np.intp).T
    inner = cv2.erode(seen.astype(np.uint8), np.ones((3, 3), np.uint8))
    return int((at_border | (inner[y.clip(0, h - 1), x.clip(0, w - 1)] == 0)).sum())

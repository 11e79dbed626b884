"""A region that is several cards laid edge to edge, cut along its seams into the outlines of single cards."""

from __future__ import annotations

from functools import cache, partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.geometry import side_lengths
from cardmeasure.outlines.joins import is_nominal
from cardmeasure.outlines.notch_signs import may_have_seam
from cardmeasure.outlines.pieces import Outline, as_sides, clockwise, fills_rectangle, fitted_corners
from cardmeasure.outlines.seams import Seam, seam_in
from cardmeasure.outlines.table_light import table_around
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

MOST_CUTS = 24
"""A region is cut no more often: more is no cards laid out."""
POINT_MM = 0.8
"""Points along a part's outline lie no farther apart."""
ON_SEAM_MM = 1.0
"""A part's side that lies so near a seam is one of the seam's two."""
OPEN_MM = 0.45
"""In a wider gap the table shows, and sides look as they do anywhere."""
LEAST_MM = 30.0
"""Two cards laid together are no narrower."""
ALIKE_MM = 1.0
"""Cards of one deck, roughly outlined, differ by less."""
LEAST_PER_MM = 4.0
"""In coarser photos, px/mm, neither the notches at a seam's ends nor the seam itself can be told from print."""


def split_along_seams(
    photo: Photo, camera: Camera, region: Outline, *, px_per_mm: float, nominal_mm: Floats
) -> tuple[Outline, ...]:
    """The cards that a region is made of; the region itself where it is none.

    Each is a rectangle, and all have nominal sizes, or one size.
    """
    box = cv2.minAreaRect(region.contour_mm.astype(np.float32))
    if "cut-by-frame" in region.flags or min(box[1]) < LEAST_MM or px_per_mm < LEAST_PER_MM:
        return (region,)
    table = cache(partial(table_around, photo, camera, region.contour_mm))
    seams: list[Seam] = []
    whole, open_parts = [], [region.contour_mm]
    while open_parts:
        part = open_parts.pop()
        asked = len(seams) < MOST_CUTS and may_have_seam(photo, camera, part, table=table)
        seam = seam_in(photo, camera, part, table=table(), px_per_mm=px_per_mm) if asked else None
        if seam is None:
            whole.append(part)
        else:
            seams.append(seam)
            open_parts += _halves(part, seam)
    if not seams or not all(fills_rectangle(part) for part in whole):
        return (region,)
    cards = tuple(_card(part, seams) for part in whole)
    return cards if _are_like_cards(cards, nominal_mm) else (region,)


def _are_like_cards(parts: tuple[Outline, ...], nominal_mm: Floats) -> bool:
    """Whether all parts have nominal sizes (k, 2), or all the same."""
    sides = np.sort([side_lengths(part.corners_mm).reshape(2, 2).mean(axis=0) for part in parts], axis=1)
    if float(np.ptp(sides, axis=0).max()) < ALIKE_MM:
        return True
    return all(is_nominal(short, long, nominal_mm) for short, long in sides.tolist())


def _card(part: Floats, seams: list[Seam]) -> Outline:
    """The outline of one card, (n, 2), and which of its sides lie along seams."""
    box = cv2.boxPoints(cv2.minAreaRect(part.astype(np.float32)))
    contour = _evenly(part)
    corners = fitted_corners(contour, clockwise(np.asarray(box, np.float64)))
    ends = np.roll(corners, -1, axis=0)
    joined = np.zeros(4, bool)
    for seam in seams:
        off = [np.abs(_beyond(points, seam)) for points in (corners, (corners + ends) / 2, ends)]
        joined |= (np.max(off, axis=0) < ON_SEAM_MM + seam.gap_mm) & (seam.gap_mm < OPEN_MM)
    return Outline(corners_mm=corners, flags=(), contour_mm=contour, exact=True, joined=as_sides(joined))


def _halves(part: Floats, seam: Seam) -> list[Floats]:
    """A polygon (n, 2) on both sides of a seam's gap."""
    beyond = _beyond(part, seam)
    return [_clipped(part, way * beyond - seam.gap_mm / 2) for way in (1.0, -1.0)]


def _beyond(points: Floats, seam: Seam) -> Floats:
    """How far on the right of a seam points (n, 2) lie, mm."""
    way = seam.ends_mm[1] - seam.ends_mm[0]
    way = way / np.linalg.norm(way)
    off = points - seam.ends_mm[0]
    return np.asarray(way[0] * off[:, 1] - way[1] * off[:, 0])


def _clipped(polygon: Floats, beyond: Floats) -> Floats:
    """The part of a polygon (n, 2) whose points lie `beyond` (n,) nought (Sutherland and Hodgman)."""
    out = []
    for k in range(len(polygon)):
        a, b, da, db = polygon[k - 1], polygon[k], beyond[k - 1], beyond[k]
        if (da >= 0) != (db >= 0):
            out.append(a + da / (da - db) * (b - a))
        if db >= 0:
            out.append(b)
    return np.array(out).reshape(-1, 2)


def _evenly(polygon: Floats) -> Floats:
    """A polygon (n, 2) with more points, none of its sides longer than `POINT_MM`."""
    out = []
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        count = max(1, int(np.ceil(np.linalg.norm(b - a) / POINT_MM)))
        out.append(a + np.arange(count)[:, None] / count * (b - a))
    return np.concatenate(out)

"""From the mask of what is not table to outlines in millimetres: rectangles to measure, and pieces that cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table, to_plane
from cardmeasure.geometry import area, side_lengths
from cardmeasure.numerics import lengths
from cardmeasure.outlines.ground import Reduced, pieces_mask
from cardmeasure.outlines.joins import has_notches, is_joined, is_nominal
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

MIN_AREA_MM2 = 250.0
"""Smaller things are dust, dice or counters: the smallest card in use is about 25 x 15 mm (ISO/IEC 7810 ID-000)."""
MIN_SIDE_MM = 12.0
MAX_ASPECT = 8.0
BLOCK_MM, FOLD_MM = 32.0, 2.0
"""A smaller piece across which a step runs, so far from its ends or farther, is a block seen from aslant: a die."""
MIN_FILL = 0.945
"""Share of its smallest enclosing rectangle that a card covers; 4 mm corners of a mini card leave 0.99."""
MIN_HULL_FILL = 0.955
MIN_SOLIDITY = 0.80
FRAME_PX = 1
EVERY = 3
"""Of the points of a contour, which is good to a pixel, every third says all."""
RIM_PX, CONVEX, MOST_CUT_MM2 = 5, 0.97, 4e4
"""A mask's rim around what an outline explains is narrower; a card that the frame cuts covers more of its hull, and no
more than two thirds of a large sheet."""
FEWEST_ON_SIDE, FAR_MM = 8, 1e6
"""Points of a contour along the middle of each side, to fit lines to; and so far away it has none."""
MAX_LONG_MM = 320.0
"""A4 and Letter sheets are the largest pieces; what is larger is the table's end or a reflection."""
NO_SIZES = np.zeros((0, 2))
Sides = tuple[bool, bool, bool, bool]
NO_SIDES: Sides = (False, False, False, False)
DOUBTFUL = ("doubtful-outline",)
"""Flags of what may be a piece, but is not sure enough to be sized."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Outline:
    """A piece: rough corners on the table (4, 2) mm, clockwise, and the flags that already rule a size out.

    shape : `rectangle`, or what else it is. contour_mm : (n, 2), its whole rough outline on the table.
    corner_radius_mm : rough radius of its corners where that is large. thickness_mm, u_thickness_mm : where they are
    known to be others than those of the photo's cards. is_solid : whether it is so thick, or so shaped, that it is
    measured after the photo is solved. exact : found by its edges, on whatever table, so they are the clearest near by
    rather than the outermost. doubted : seen on a table that is not plain, so it is sized only where its own corners
    and sides prove it. on_pale : on a table as pale as a white border, within which a picture with sharp corners
    may lie. sure : a closer look has borne it out, and found its corners to some tenths of a millimetre.
    beside : along which sides another piece lies close by, so that what is outside is not all table.
    raised_mm, u_raised_mm : height of other pieces below it. joined : along which sides another piece touches it.
    Sides are those from each corner to the next.
    """

    corners_mm: Floats
    flags: tuple[str, ...]
    shape: str = "rectangle"
    contour_mm: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    corner_radius_mm: float = 0.0
    thickness_mm: float | None = None
    u_thickness_mm: float | None = None
    is_solid: bool = False
    exact: bool = False
    doubted: bool = False
    on_pale: bool = False
    sure: bool = False
    beside: Sides = NO_SIDES
    raised_mm: float = 0.0
    u_raised_mm: float = 0.0
    joined: Sides = NO_SIDES


@dataclass(frozen=True, kw_only=True, eq=False)
class _View:
    """The reduced picture as the camera sees it, at so many of its pixels per millimetre."""

    reduced: Reduced
    camera: Camera
    per_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """All pieces, the share of the photo that differs from its table without being one of them, which is little on a
    plain table and much on wood or on printed cloth; and the spread of what was taken for the table."""

    outlines: tuple[Outline, ...]
    unexplained: float
    spread: float


def find_pieces(
    photo: Photo, camera: Camera, *, px_per_mm: float, reference_px: list[Floats], nominal_mm: Floats = NO_SIZES
) -> Found:
    """All pieces on the table but the references, whose papers' corners in pixels are given.

    nominal_mm : (k, 2), the short and long sides of sizes that cards usually have.
    """
    reduced = pieces_mask(photo, px_per_mm=px_per_mm, known=reference_px)
    view = _View(reduced=reduced, camera=camera, per_mm=px_per_mm * float(reduced.factor.mean()))
    outlines = _in_mask(view, reduced.masks[0], level=0)
    picture = np.asarray(cv2.cvtColor(reduced.pixels_bgr, cv2.COLOR_BGR2BGRA), reduced.pixels_bgr.dtype)
    corners_px = [reduced.to_reduced(project_table(camera, outline.corners_mm)) for outline in outlines]
    return Found(
        outlines=tuple(
            checked_for_seams(picture, px, outline, nominal_mm)
            for px, outline in zip(corners_px, outlines, strict=True)
        ),
        unexplained=_unexplained(reduced, camera, outlines),
        spread=reduced.spread,
    )


def _unexplained(reduced: Reduced, camera: Camera, outlines: list[Outline]) -> float:
    """Share of the picture that its widest mask marks beside all outlines; what the frame cuts is one if it bulges."""
    rest = reduced.masks[0].copy()
    for outline in outlines:
        if "cut-by-frame" not in outline.flags or _is_cut_piece(outline.contour_mm):
            mm = outline.contour_mm if outline.flags else outline.corners_mm
            px = reduced.to_reduced(project_table(camera, mm))
            cv2.fillPoly(rest, [np.round(px).astype(np.int32)], 0)
    rest = np.asarray(cv2.morphologyEx(rest, cv2.MORPH_OPEN, np.ones((RIM_PX, RIM_PX), np.uint8)), np.uint8)
    return float(np.count_nonzero(rest)) / rest.size


def _is_cut_piece(contour_mm: Floats) -> bool:
    """Whether a region at the frame is no larger than a piece, and bulges as one does."""
    polygon = contour_mm.astype(np.float32)
    covered = cv2.contourArea(polygon)
    return bool(CONVEX * cv2.contourArea(cv2.convexHull(polygon)) < covered < MOST_CUT_MM2)


def _in_mask(view: _View, mask: NDArray[np.uint8], *, level: int) -> list[Outline]:
    """Outlines of a mask's regions; one that may be several pieces is looked at again through a stricter mask."""
    # a thin bridge of shade must not join two cards; 1 mm is less than any gap worth laying
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(1.0 * view.per_mm), _odd(1.0 * view.per_mm)))
    opened = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel), np.uint8)
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found: list[Outline] = []
    long = [np.asarray(contour, np.int32).reshape(-1, 2) for contour in contours if len(contour) > 20]
    outlines = [_outline(contour, mm, mask.shape) for contour, mm in zip(long, _on_table(long, view), strict=True)]
    for contour, outline in zip(long, _with_fitted_corners(outlines, view.per_mm), strict=True):
        apart: list[Outline] = []
        if outline and outline.flags and level + 1 < len(view.reduced.masks):
            region = np.zeros(mask.shape, np.uint8)
            cv2.drawContours(region, [contour], 0, 1, cv2.FILLED)
            apart = _in_mask(view, region & view.reduced.masks[level + 1], level=level + 1)
        if any(not one.flags for one in apart):
            found += apart
        elif outline:
            found.append(outline)
    return found


def checked_for_seams(
    picture: NDArray[np.uint8 | np.uint16], corners_px: Floats, outline: Outline, nominal_mm: Floats
) -> Outline:
    """The outline, flagged if a seam or a fold runs across it in the reduced picture, where its corners (4, 2) are."""
    if outline.flags == ("touching",) and is_nominal(*mean_sides_mm(outline.corners_mm), nominal_mm):
        # no two cards of nominal sizes make one; its outline has notches by chance
        outline = replace(outline, flags=())
    if outline.flags:
        return outline
    first, second, *_ = side_lengths(outline.corners_mm)
    sides = (float(first), float(second))
    if max(sides) < BLOCK_MM:
        folded = is_joined(picture, corners_px, sides, nominal_mm=NO_SIZES, near_mm=FOLD_MM)
        return replace(outline, flags=("not-flat",)) if folded else outline
    joined = is_joined(picture, corners_px, sides, nominal_mm=nominal_mm)
    return replace(outline, flags=("touching",)) if joined else outline


def mean_sides_mm(corners_mm: Floats) -> tuple[float, float]:
    """First and second side of a quadrilateral (4, 2), each with its opposite one."""
    first, second = side_lengths(corners_mm).reshape(2, 2).mean(axis=0).tolist()
    return first, second


def _odd(value: float) -> int:
    return max(3, 2 * int(value / 2) + 1)


def _on_table(contours: list[NDArray[np.int32]], view: _View) -> list[Floats]:
    """Points of the contours on the table, mm; all at once, as each call costs more than a few hundred points."""
    if not contours:
        return []
    thinned = [contour[::EVERY].astype(np.float64) for contour in contours]
    mm = to_plane(view.camera, view.reduced.to_full(np.concatenate(thinned)))
    return np.split(mm, np.cumsum([len(contour) for contour in thinned])[:-1])


def _outline(contour: NDArray[np.int32], mm: Floats, shape: tuple[int, ...]) -> Outline | None:
    """The outline of a region in a mask of such a shape, with the corners of its smallest rectangle."""
    polygon = mm.astype(np.float32)
    covered = float(cv2.contourArea(polygon))
    if covered < MIN_AREA_MM2:
        return None
    hull = cv2.convexHull(polygon)
    box = cv2.minAreaRect(hull)
    short, long = sorted(box[1])
    h, w = shape
    x, y = contour.T
    at_frame = (x < FRAME_PX) | (y < FRAME_PX) | (x >= w - FRAME_PX) | (y >= h - FRAME_PX)
    corners = clockwise(np.asarray(cv2.boxPoints(box), np.float64))
    hull_area = float(cv2.contourArea(hull))
    if at_frame.sum() >= 3:
        return Outline(corners_mm=corners, flags=("cut-by-frame",), contour_mm=mm) if short >= MIN_SIDE_MM else None
    if short < MIN_SIDE_MM or long / short > MAX_ASPECT or long > MAX_LONG_MM:
        return None
    if not _fills(covered, hull_area, short * long):
        joined = covered / hull_area < 0.97
        return Outline(corners_mm=corners, flags=("overlapped" if joined else "not-a-rectangle",), contour_mm=mm)
    return Outline(corners_mm=corners, flags=(), contour_mm=mm)


def _with_fitted_corners(outlines: Sequence[Outline | None], mask_px_per_mm: float) -> list[Outline | None]:
    """The same; what has no flag gets the corners of its sides, and a flag if these have notches."""
    out = list(outlines)
    plain = {k: one for k, one in enumerate(outlines) if one is not None and not one.flags}
    if plain:
        boxes = np.array([one.corners_mm for one in plain.values()])
        fitted = all_fitted_corners([one.contour_mm for one in plain.values()], boxes)
        for (k, one), corners in zip(plain.items(), fitted, strict=True):
            notched = has_notches(one.contour_mm, corners, mask_px_per_mm=mask_px_per_mm)
            out[k] = replace(one, corners_mm=corners, flags=("touching",) if notched else ())
    return out


def as_sides(mask: NDArray[np.bool_]) -> Sides:
    """A mask (4,) of sides as an outline keeps it."""
    first, second, third, fourth = mask.tolist()
    return first, second, third, fourth


def fills_rectangle(contour_mm: Floats) -> bool:
    """Whether a contour (n, 2) is nearly the smallest rectangle around it, as a card's is."""
    if len(contour_mm) < 3:
        return False
    polygon = contour_mm.astype(np.float32)
    hull = cv2.convexHull(polygon)
    short, long = sorted(cv2.minAreaRect(hull)[1])
    large = short >= MIN_SIDE_MM and long <= min(MAX_LONG_MM, MAX_ASPECT * short)
    return large and _fills(float(cv2.contourArea(polygon)), float(cv2.contourArea(hull)), short * long)


def _fills(covered: float, hull: float, box: float) -> bool:
    return covered / box > MIN_FILL or (hull / box > MIN_HULL_FILL and covered / hull > MIN_SOLIDITY)


def clockwise(corners: Floats) -> Floats:
    """Corners in the order of a picture's clockwise, as the design's y runs down."""
    return corners if area(corners) > 0 else corners[::-1]


def fitted_corners(mm: Floats, corners: Floats) -> Floats:
    """Corners from lines fitted to the middles of the contour's four sides; the rectangle's own where that fails."""
    return np.asarray(all_fitted_corners([mm], corners[None])[0])


def all_fitted_corners(contours_mm: Sequence[Floats], corners_mm: Floats) -> Floats:
    """The same (k, 4, 2) of many contours (n, 2) and rectangles (k, 4, 2) at once."""
    side = corners_mm[:, [1, 2, 3, 0]] - corners_mm
    length = lengths(side)
    way = side / length[..., None]
    out = np.stack([way[..., 1], -way[..., 0]], axis=-1)
    x, y = _from_corners(contours_mm, corners_mm)
    t, off = (x * axis[..., :1] + y * axis[..., 1:] for axis in (way, out))
    t /= length[..., None]
    mine = (t > 0.15) & (t < 0.85) & (np.abs(off) < 0.1 * length[..., None])
    seen = mine.sum(axis=2).min(axis=1) >= FEWEST_ON_SIDE
    fitted = corners_mm.copy()
    if seen.any():
        offset, slope = (line[..., None] * out[seen] for line in _robust_lines(t[seen], off[seen], mine[seen]))
        fitted[seen] = _crossings(corners_mm[seen] + offset, side[seen] + slope, corners_mm[seen])
    return fitted


def _from_corners(contours_mm: Sequence[Floats], corners_mm: Floats) -> Floats:
    """Points (2, k, 4, n) of the contours as seen from each corner; those that shorter ones lack are far away."""
    points = np.full((2, len(contours_mm), max(map(len, contours_mm))), FAR_MM)
    for k, contour in enumerate(contours_mm):
        points[:, k, : len(contour)] = contour.T
    return np.asarray(points[:, :, None] - np.moveaxis(corners_mm, -1, 0)[..., None])


def _crossings(start: Floats, along: Floats, corners: Floats) -> Floats:
    """Where lines, from points (k, 4, 2) along vectors, cross the ones before them; the corners where that is far."""
    start_before, before = start[:, [3, 0, 1, 2]], along[:, [3, 0, 1, 2]]
    across = before[..., 0] * along[..., 1] - before[..., 1] * along[..., 0]
    crossing = np.abs(across).min(axis=1) >= 1e-6 * lengths(along[:, :2]).prod(axis=1)
    gap = start - start_before
    share = (gap[..., 0] * along[..., 1] - gap[..., 1] * along[..., 0]) / np.where(crossing[:, None], across, 1.0)
    found = start_before + share[..., None] * before
    near = np.abs(found - corners).max(axis=(1, 2)) < 0.15 * np.ptp(corners, axis=1).max(axis=1)
    return np.where((crossing & near)[:, None, None], found, corners)


def _robust_lines(t: Floats, off: Floats, mine: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Offsets and slopes (k, s) of lines through points (k, s, n), of which those of the mask count, and may lie off.

    Sums of distances count, not of their squares.
    """
    terms = np.stack([np.ones_like(t), t, off, t * t, t * off], axis=-1)
    weight: Floats = mine.astype(np.float64)
    offset, slope = np.zeros(t.shape[:2]), np.zeros(t.shape[:2])
    for _ in range(5):
        total, of_t, of_off, of_tt, of_both = np.moveaxis((weight[..., None, :] @ terms)[..., 0, :], -1, 0)
        slope = (total * of_both - of_t * of_off) / (total * of_tt - of_t * of_t)
        offset = (of_off - slope * of_t) / total
        weight = mine / np.maximum(np.abs(off - offset[..., None] - slope[..., None] * t), 0.2)
    return offset, slope

"""Pieces on a measuring sheet: whatever hides the check, by what contradicts its predicted look.

A border may be as bright as light cells or as dark ones, never as both; so a piece shows at least every other cell's
width along its sides, and the convex hull of what shows is its outline. A shadow dims light and dark cells alike: it
is doubtful by itself and counts only where more contradicts it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table, to_plane
from cardmeasure.geometry import area
from cardmeasure.outlines.pieces import (
    MAX_ASPECT,
    MAX_LONG_MM,
    MIN_AREA_MM2,
    MIN_HULL_FILL,
    MIN_SIDE_MM,
    MIN_SOLIDITY,
    Outline,
    checked_for_seams,
    fitted_corners,
)
from cardmeasure.photo import Photo
from cardmeasure.reducing import reduced_photo
from cardmeasure.reference.sheet import BLACK, DARK, LIGHT, LINE, MARGIN, OUTSIDE, WHITE
from cardmeasure.reference.sheet_levels import FLOOR
from cardmeasure.reference.sheet_look import SheetLook

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

PX_PER_MM = 3.4
"""Scale of the reduced picture."""
UNLIKE, AT_BORDERS = 0.24, 0.3
"""A pixel contradicts the print where a colour's logarithm of light is off by more than this; where cells meet, so much
more, times how mixed it is."""
OTHER_COLOUR = 0.16
SHADOW_DEPTH, SHADOW_COLOUR = 0.75, 0.10
"""A shadow dims the logarithm of light by less than this, all colours alike within that."""
SPECK_MM, GAP_MM = 0.9, 2.4
"""What is thinner than a speck is an error of the prediction; gaps narrower than this within a piece are closed."""
EDGE_MM, END_MM = 1.5, 0.5
"""A piece that comes so near the end of the paper, or one of whose sides lies so near that of the check, may reach
beyond it; so near the check's end nothing is known of what is printed."""
BLOCK_ROWS = 128
POINTS_A_SIDE = 60


def sheet_pieces(photo: Photo, camera: Camera, look: SheetLook, *, px_per_mm: float) -> tuple[Outline, ...]:
    """All pieces on a sheet, the rectangular ones whole on its check without flags."""
    small, factor = _reduced(photo, px_per_mm)
    per_mm = px_per_mm * float(factor.mean())
    mask, beyond = _contradicting(photo, small, factor, look, per_mm=per_mm)
    contours, _ = cv2.findContours(_tidied(mask, per_mm), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    near_end = cv2.dilate(beyond, _disc(2 * EDGE_MM * per_mm)) > 0
    found = (_outline(np.asarray(c, np.int32).reshape(-1, 2), camera, factor, near_end) for c in contours)
    return tuple(_on_check(outline, camera, look) for outline in found if outline is not None)


def _on_check(outline: Outline, camera: Camera, look: SheetLook) -> Outline:
    """The outline, flagged where a side lies on the end of the check, or it reaches beyond and is no rectangle."""
    if outline.flags in (("cut-by-frame",), ("off-sheet",)):
        return outline
    corners = outline.corners_mm
    along = np.array([0.2, 0.5, 0.8])[:, None]
    places = np.concatenate([a + along * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    at = look.at(project_table(camera, np.concatenate([places, corners])))[0]
    beyond = _beyond_check_mm(at, look.design.area_mm)
    on_end = (np.abs(beyond[:-4].reshape(4, -1)) < EDGE_MM).all(axis=1).any()
    return replace(outline, flags=("off-sheet",)) if on_end or (outline.flags and beyond.max() > 0) else outline


def seams_checked(
    photo: Photo, camera: Camera, outlines: Sequence[Outline], *, px_per_mm: float, nominal_mm: Floats
) -> tuple[Outline, ...]:
    """The outlines, flagged where a seam runs across them: two cards that touch. nominal_mm : see `find_pieces`."""
    small, factor = _reduced(photo, px_per_mm)
    picture = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2BGRA), small.dtype)
    corners = [(project_table(camera, one.corners_mm) + 0.5) * factor - 0.5 for one in outlines]
    return tuple(checked_for_seams(picture, px, one, nominal_mm) for px, one in zip(corners, outlines, strict=True))


def _reduced(photo: Photo, px_per_mm: float) -> tuple[NDArray[Any], Floats]:
    """The photo in which pieces are looked for, and its scale in x and y."""
    k = min(1.0, PX_PER_MM / px_per_mm)
    size = (max(8, round(photo.width_px * k)), max(8, round(photo.height_px * k)))
    small = photo.pixels_bgr if k == 1.0 else reduced_photo(photo, *size)
    return small, np.array([small.shape[1] / photo.width_px, small.shape[0] / photo.height_px])


def uncovered(outlines: tuple[Outline, ...], world_mm: Floats, *, room_mm: float) -> Mask:
    """Which places (n, 2) of the table lie further than `room_mm` from all pieces: shadows fall beside them."""
    free = np.ones(len(world_mm), bool)
    for outline in outlines:
        hull = cv2.convexHull(outline.contour_mm.astype(np.float32))
        away = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in world_mm]
        free &= np.array(away) < -room_mm
    return free


def _contradicting(
    photo: Photo, small: NDArray[Any], factor: Floats, look: SheetLook, *, per_mm: float
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Masks (h, w) of what contradicts the print, and of what lies beyond the check."""
    h, w, _ = small.shape
    mask, beyond = np.zeros((h, w), np.uint8), np.zeros((h, w), np.uint8)
    x = (np.arange(w) + 0.5) / factor[0] - 0.5
    blur_mm = float(np.hypot(look.blur_mm, 0.4 / per_mm))
    log = np.log(photo.response + np.float32(FLOOR))
    for top in range(0, h, BLOCK_ROWS):
        rows = slice(top, min(top + BLOCK_ROWS, h))
        nodes = look.on_raster(x, (np.arange(rows.start, rows.stop) + 0.5) / factor[1] - 0.5)
        mm, half_way = nodes[..., :2], nodes[..., 2:]
        kind = look.design.kind_at(mm.reshape(-1, 2)).reshape(mm.shape[:2])
        outside = kind == OUTSIDE
        if outside.all():
            beyond[rows] = 1
            continue
        kind = np.where(kind == MARGIN, WHITE, kind)  # but for hairlines and small print
        share = look.share(mm, blur_mm=blur_mm)
        light, dark = look.light_of(LIGHT, half_way), look.light_of(DARK, half_way)
        expected = dark + (light - dark) * share[..., None]
        for plain in (WHITE, BLACK):
            there = kind == plain
            expected[there] = look.light_of(plain, half_way[there])
        off = log[small[rows]] - np.log(expected + FLOOR)
        mixed = 1 - np.abs(2 * share - 1)
        at_end = np.abs(_beyond_check_mm(mm, look.design.area_mm)) < END_MM
        mask[rows] = _contradicts(off, mixed) & ~outside & ~at_end & (kind != LINE)
        beyond[rows] = outside
    return mask, beyond


def _beyond_check_mm(mm: Floats, area_mm: tuple[float, float, float, float]) -> Floats:
    """How far outside the check places (..., 2) of the page lie, (...,); negative within it."""
    x0, y0, x1, y1 = area_mm
    over = np.maximum(np.array([x0, y0]) - mm, mm - np.array([x1, y1]))
    return np.asarray(over.max(axis=-1))


def _contradicts(off: Floats, mixed: Floats) -> Mask:
    """Whether deviations (..., 3) of the logarithm of light are more than light and shadow can explain."""
    mean = off @ np.full(3, 1 / 3, off.dtype)
    colour, largest = (_largest(np.abs(part)) for part in (off - mean[..., None], off))
    unlike = largest > UNLIKE + AT_BORDERS * mixed
    shadow = (mean < 0) & (mean > -SHADOW_DEPTH) & (colour < SHADOW_COLOUR)
    return np.asarray((unlike & ~shadow) | (colour > OTHER_COLOUR + AT_BORDERS * mixed))


def _largest(channels: Floats) -> Floats:
    """The largest (...,) of three numbers (..., 3): numpy's own way takes seven times as long."""
    return np.asarray(np.maximum(np.maximum(channels[..., 0], channels[..., 1]), channels[..., 2]))


def _tidied(mask: NDArray[np.uint8], per_mm: float) -> NDArray[np.uint8]:
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, _disc(SPECK_MM * per_mm))
    return np.asarray(cv2.morphologyEx(opened, cv2.MORPH_CLOSE, _disc(GAP_MM * per_mm)), np.uint8)


def _disc(diameter_px: float) -> NDArray[np.uint8]:
    side = max(3, 2 * int(diameter_px / 2) + 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)


def _outline(contour: NDArray[np.int32], camera: Camera, factor: Floats, near_end: Mask) -> Outline | None:
    if len(contour) <= 20:
        return None
    mm = to_plane(camera, (contour + 0.5) / factor - 0.5)
    hull = cv2.convexHull(mm.astype(np.float32))
    hull_area = float(cv2.contourArea(hull))
    if hull_area < MIN_AREA_MM2:
        return None
    box = cv2.minAreaRect(hull)
    short, long = sorted(box[1])
    corners = np.asarray(cv2.boxPoints(box), np.float64)
    corners = corners if area(corners) > 0 else corners[::-1]
    x, y = contour.T
    h, w = near_end.shape
    at_frame = (x < 1) | (y < 1) | (x >= w - 1) | (y >= h - 1)
    if short < MIN_SIDE_MM:
        return None
    if at_frame.sum() >= 3:
        return Outline(corners_mm=corners, flags=("cut-by-frame",), contour_mm=mm)
    if near_end[y, x].any():
        return Outline(corners_mm=corners, flags=("off-sheet",), contour_mm=mm)
    if long / short > MAX_ASPECT or long > MAX_LONG_MM:
        return None
    solid = float(cv2.contourArea(mm.astype(np.float32))) / hull_area
    if hull_area / (short * long) < MIN_HULL_FILL or solid < MIN_SOLIDITY:
        flag = "overlapped" if solid < 0.97 else "not-a-rectangle"
        return Outline(corners_mm=corners, flags=(flag,), contour_mm=mm)
    rim = _along(np.asarray(hull[:, 0], np.float64))
    return Outline(corners_mm=fitted_corners(rim, corners), flags=(), contour_mm=mm)


def _along(hull: Floats) -> Floats:
    """Points closely all along a polygon (n, 2)."""
    ahead = np.roll(hull, -1, axis=0) - hull
    length = np.linalg.norm(ahead, axis=1)
    count = np.maximum(1, np.ceil(length / length.sum() * 4 * POINTS_A_SIDE)).astype(np.intp)
    start = np.repeat(np.arange(len(hull)), count)
    step = (np.arange(len(start)) - np.repeat(np.cumsum(count) - count, count)) / count[start]
    return np.asarray(hull[start] + step[:, None] * ahead[start], np.float64)

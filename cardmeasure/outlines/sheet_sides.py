"""Where the check of a measuring sheet begins beside the sides of pieces, which is where these end.

A face may be as bright as some cells, and a line printed on it may look like an end; but only where a card ends do
light and dark cells begin. A shadow dims both alike, so it changes nothing in their ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet import DARK, LIGHT
from cardmeasure.reference.sheet_levels import FLOOR
from cardmeasure.reference.sheet_look import SheetLook

Floats = NDArray[np.floating[Any]]

SEEN = 0.5
"""Of its contrast: the check is bare at 1 and covered at 0, whatever covers it."""
BESIDE_MM = np.array([0.9, 1.5, 2.1])
"""So far outside a side the sheet is looked at: beyond the blur of the edge, within a cell."""
STEP_MM, ALONG_MM = 0.4, 0.6
"""From one line along a side to the next, and between places on it."""
INWARD_MM, OUTWARD_MM, FARTHER_MM = 8.0, 6.0, 30.0
"""How far a side is looked for from where it is thought to be, and how far outside while no check is seen there."""
MIDDLE = 0.8
"""Share of a side that is looked at for its place: its ends move with its neighbours."""
OFF_MM = 0.7
"""Sides that lie nearer to where the check begins are left where they are."""
MOSTLY = 0.7
"""Share of the lines along a side on which enough of the check lies."""
LEAST_KNOWN, LEAST_SPREAD = 12, 0.15
"""Fewer places, or those of nearly one kind of cell, tell nothing of the check's contrast."""
RAGGED = (("overlapped",), ("not-a-rectangle",))
"""Flags of pieces whose masks are ragged, as parts of them look like the check; their sides may show all the same."""


def check_seen(photo: Photo, camera: Camera, look: SheetLook, lines_mm: Floats) -> Floats:
    """How much of the check's contrast is seen (n,) at places (n, m, 2) on the plane of the print.

    About 1 where it is bare and 0 where something covers it; NaN where too little of it is printed, or lies in the
    photo. It is the slope of the logarithm of light over what is printed, by least squares.
    """
    px = project_table(camera, lines_mm).reshape(-1, 2)
    mm, half_way = look.at(px)
    size = np.array([photo.width_px - 1, photo.height_px - 1])
    x, y = np.clip(np.rint(px), 0, size).astype(np.intp).T
    light = np.log(photo.response[photo.pixels_bgr[y, x]] + FLOOR).mean(axis=1) - half_way.mean(axis=1)
    known = np.isin(look.design.kind_at(mm), (LIGHT, DARK)) & ((px >= 0) & (px <= size)).all(axis=1)
    shape = lines_mm.shape[:2]
    weight, share, light = (part.reshape(shape) for part in (known.astype(float), look.share(mm), light))
    count = np.maximum(weight.sum(axis=1), 1.0)
    mean_share, mean_light = ((weight * part).sum(axis=1) / count for part in (share, light))
    off = weight * (share - mean_share[:, None])
    square = (off**2).sum(axis=1)
    slope = (off * (light - mean_light[:, None])).sum(axis=1) / np.maximum(square, 1e-9)
    told = (count >= LEAST_KNOWN) & (square / count > LEAST_SPREAD**2)
    return np.where(told, slope / float(look.contrast.mean()), np.nan)


def check_beside(
    photo: Photo, camera: Camera, look: SheetLook, corners_mm: Floats, *, parts: int = 1, outward: bool = True
) -> Floats:
    """The same right outside, or right inside, each part of the sides of quadrilaterals (c, 4, 2): (c, 4, parts)."""
    way = 1.0 if outward else -1.0
    lines = []
    for corners in corners_mm:
        for side in range(4):
            start, end = corners[side], corners[(side + 1) % 4]
            along = _evenly(float(np.linalg.norm(end - start)), parts)
            on = start + along.reshape(parts, -1, 1) * (end - start)
            away = way * BESIDE_MM[:, None] * _outward(start, end)
            lines.append((on[:, :, None] + away).reshape(parts, -1, 2))
    most = max((line.shape[1] for line in lines), default=0)
    seen = [check_seen(photo, camera, look, line[:, np.arange(most) % line.shape[1]]) for line in lines]
    return np.array(seen).reshape(len(corners_mm), 4, parts)


def as_the_check_begins(
    photo: Photo, camera: Camera, look: SheetLook, outlines: Sequence[Outline]
) -> tuple[Outline, ...]:
    """The outlines with their sides where the check begins; ragged ones lose their flag where it does all round."""
    return tuple(_moved(photo, camera, look, outline) for outline in outlines)


def _moved(photo: Photo, camera: Camera, look: SheetLook, outline: Outline) -> Outline:
    if outline.flags and outline.flags not in RAGGED:
        return outline
    corners, changed = outline.corners_mm, False
    for side in range(4):
        off = _check_begins_mm(photo, camera, look, corners[side], corners[(side + 1) % 4])
        if off is not None and abs(off) > OFF_MM:
            corners, changed = _with_side(corners, side, off), True
    if outline.flags:
        proven = _ends_all_round(photo, camera, look, corners)
        return replace(outline, corners_mm=corners, flags=()) if proven else outline
    return replace(outline, corners_mm=corners) if changed else outline


def _ends_all_round(photo: Photo, camera: Camera, look: SheetLook, corners: Floats) -> bool:
    """Whether the check is seen outside all parts of all sides, and inside none."""
    outside, inside = (
        check_beside(photo, camera, look, corners[None], parts=4, outward=outward) for outward in (True, False)
    )
    return bool((outside > SEEN).all() and (inside < SEEN).all())


def _check_begins_mm(photo: Photo, camera: Camera, look: SheetLook, start: Floats, end: Floats) -> float | None:
    """How far outside a side the check begins; None where it is not seen to.

    Lines along the side show it bare or covered: the place that parts both best, by least squares.
    """
    length = float(np.linalg.norm(end - start))
    along = 0.5 + MIDDLE * (_evenly(length, 1) - 0.5)
    reach = OUTWARD_MM
    while reach <= FARTHER_MM:
        off = np.arange(-min(INWARD_MM, length / 3), reach, STEP_MM)
        on = start + along[:, None] * (end - start)
        seen = check_seen(photo, camera, look, on[None] + off[:, None, None] * _outward(start, end))
        told = np.isfinite(seen)
        bare = told & (off > reach - OUTWARD_MM / 2)
        if bare.any() and told.mean() > MOSTLY and float(np.median(seen[bare])) > SEEN:
            level = np.clip(seen, 0.0, 1.0)
            covered, open_ = (np.nancumsum(part**2) for part in (level, 1 - level))
            return float(off[int(np.argmin(covered + open_[-1] - open_))]) + STEP_MM / 2
        if not told[off > 0].any():
            return None
        reach += OUTWARD_MM
    return None


def _with_side(corners: Floats, side: int, off_mm: float) -> Floats:
    """A quadrilateral (4, 2) one of whose sides is moved outwards."""
    start, end = corners[side], corners[(side + 1) % 4]
    away = off_mm * _outward(start, end)
    before, after = corners[side - 1], corners[(side + 2) % 4]
    out = corners.copy()
    out[side] = _met(start + away, end - start, at=start, along=start - before)
    out[(side + 1) % 4] = _met(start + away, end - start, at=end, along=after - end)
    return out


def _met(start: Floats, way: Floats, *, at: Floats, along: Floats) -> Floats:
    """Where a line from `start` meets another one."""
    return np.asarray(at + along * float(np.linalg.solve(np.column_stack([along, -way]), start - at)[0]))


def _outward(start: Floats, end: Floats) -> Floats:
    """The unit vector that points out of a polygon across a side; polygons run clockwise, y down."""
    way = (end - start) / np.linalg.norm(end - start)
    return np.array([way[1], -way[0]])


def _evenly(length_mm: float, parts: int) -> Floats:
    """Places 0..1 along a side, the same number in each part."""
    count = parts * max(4, round(length_mm / parts / ALONG_MM))
    return (np.arange(count) + 0.5) / count

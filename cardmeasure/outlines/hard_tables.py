"""The second finder of pieces, for tables that are not plain and for pieces that lie together.

It looks for straight edges that close to rectangles where the first, which looks for what differs from one smooth
background, has found several pieces in one, pieces cut by the frame, or nothing; or where the table is pale or
patterned.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, to_plane
from cardmeasure.outlines.choosing import chosen, common_share, two_in
from cardmeasure.outlines.growing import grown
from cardmeasure.outlines.lines import View, segments_mm, slopes_of, view_of
from cardmeasure.outlines.pieces import Outline, clockwise
from cardmeasure.outlines.rectangles import Rectangles, closed_rectangles
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

LEAST_SUPPORT = 0.88
TOGETHER = ("touching", "overlapped", "not-a-rectangle")
"""Flags of pieces that may be several."""
SAME = 0.5
"""Two outlines are of one piece where they share this part of the smaller."""
NEAR_MM = 1.2
"""Corners of two outlines of the same rectangle differ by less."""
CLOSE_MM = 3.5
EVEN_BORDER_MM = 0.8
TABLE_SHARE = 0.35
"""A piece that fills more of the view is the table."""
PALE, RING, WHITE_PERCENTILE = 0.45, 1.35, 85
"""A table is pale that has so much of the paper's light, seen in a ring so many times as wide as the paper."""
ROOM_MM = 3.0
"""Around a piece that may be several, edges are looked for so far outside."""


def asks_for_a_second_look(photo: Photo, outlines: tuple[Outline, ...], papers_px: list[Floats]) -> bool:
    """Whether what the first finder says, or the table itself, makes a second look worth its time."""
    return not outlines or any(outline.flags for outline in outlines) or _is_pale(photo, papers_px)


def _is_pale(photo: Photo, papers_px: list[Floats]) -> bool:
    """Whether the table around the reference is so pale that white borders may not differ from it."""
    every = max(1, photo.width_px // 400)
    small = photo.pixels_bgr[::every, ::every]
    inner, outer = (np.zeros(small.shape[:2], np.uint8) for _ in range(2))
    for corners in papers_px:
        for mask, share in ((inner, 0.9), (outer, RING)):
            ring = corners.mean(axis=0) + share * (corners - corners.mean(axis=0))
            cv2.fillPoly(mask, [np.round(ring / every).astype(np.int32)], 1)
    light = photo.response[small[..., 1].astype(np.intp)]
    paper, table = light[inner > 0], light[(outer > 0) & (inner == 0)]
    if not len(paper) or not len(table):
        return False
    # a fourth of the reference is ink
    return bool(np.median(table) > PALE * np.percentile(paper, WHITE_PERCENTILE))


INNER = (0.6, 0.93)
"""Share of a region that a rectangle takes which may be a picture inside its border."""


def beside_each_other(outlines: tuple[Outline, ...]) -> tuple[Outline, ...]:
    """The same; of those that lie close to another the clearest edges count, as the outermost may be the other's."""
    whole = [o for o in outlines if not o.flags]
    return tuple(
        replace(o, beside=True) if not o.flags and any(p is not o and _is_close(o, p) for p in whole) else o
        for o in outlines
    )


def _is_close(a: Outline, b: Outline) -> bool:
    """Whether a corner or a middle of a side of one lies close to the other."""
    middles = a.corners_mm.mean(axis=0), b.corners_mm.mean(axis=0)
    reach = sum(
        float(np.linalg.norm(o.corners_mm - m, axis=1).max()) for o, m in zip((a, b), middles, strict=True)
    )  # fmt: skip
    if float(np.linalg.norm(middles[0] - middles[1])) > reach + CLOSE_MM:
        return False

    def near(one: Outline, other: Outline) -> bool:
        points = np.vstack([one.corners_mm, (one.corners_mm + np.roll(one.corners_mm, -1, axis=0)) / 2])
        polygon = other.corners_mm.astype(np.float32)
        return any(cv2.pointPolygonTest(polygon, (float(x), float(y)), True) > -CLOSE_MM for x, y in points)

    return near(a, b) or near(b, a)


def with_hard_pieces(
    photo: Photo, camera: Camera, outlines: tuple[Outline, ...], *, px_per_mm: float, reference_px: list[Floats]
) -> tuple[Outline, ...]:
    """The pieces that the first finder has found, and what a second look adds or tells apart."""
    view = view_of(photo, camera, px_per_mm=px_per_mm)
    papers = [to_plane(camera, corners) for corners in reference_px]
    segments = _outside(segments_mm(view), papers)
    slopes = slopes_of(view)
    found = _pieces(view, segments, slopes, ends=True)
    if not _fills_the_view(view, outlines):
        for outline in outlines:
            if set(outline.flags) & set(TOGETHER):
                mine = _inside_any(segments.mean(axis=1), [_hull_with_room(outline)])
                apart = _told_apart(view, outline, _rectangles(view, segments[mine], slopes, ends=False), slopes)
                # what only seems to be one piece must not take the place of what is known to be several
                found = apart + [one for one in found if _shared(one, outline) < SAME]
    found = [one for one in found if not _inside_any(one.corners_mm.mean(axis=0)[None], papers)[0]]
    return tuple(_with_faint_borders(view, _merged(outlines, found), slopes, pale=_is_pale(photo, reference_px)))


def _fills_the_view(view: View, outlines: tuple[Outline, ...]) -> bool:
    """Whether what the first finder took for a piece is the table itself."""
    seen = np.count_nonzero(view.seen) / view.per_mm**2
    return any(cv2.contourArea(o.contour_mm.astype(np.float32)) > TABLE_SHARE * seen for o in outlines if o.flags)


def _with_faint_borders(view: View, outlines: list[Outline], slopes: Floats, *, pale: bool) -> list[Outline]:
    """Outlines moved out to faint edges around them; where these are not whole, without a size.

    On other than pale tables a border must be as wide on all sides: there is more that runs along a side by chance.
    """
    whole = [o for o in outlines if "cut-by-frame" not in o.flags]
    out = [o for o in outlines if "cut-by-frame" in o.flags]
    if not whole:
        return outlines
    more = grown(view, np.array([clockwise(o.corners_mm) for o in whole]), slopes)
    for k, outline in enumerate(whole):
        shift = more.shift_mm[k]
        alike = shift.min() > 0 and np.ptp(shift) < EVEN_BORDER_MM
        if not (shift.any() if pale else alike):
            out.append(outline)
            continue
        flags = ("doubtful-outline",) if more.doubtful[k] else ()
        corners = more.corners_mm[k]
        out.append(Outline(corners_mm=corners, flags=flags, contour_mm=corners, exact=True))
    return _without_inner(out)


def _without_inner(outlines: list[Outline]) -> list[Outline]:
    """Those that do not lie within another that can be sized."""
    return [one for one in outlines
            if not any(other is not one and not other.flags and _area(other) > _area(one)
                       and _shared(one, other) > 0.9 for other in outlines)]  # fmt: skip


def _area(outline: Outline) -> float:
    return float(abs(cv2.contourArea(outline.corners_mm.astype(np.float32))))


def _rectangles(view: View, segments: Floats, slopes: Floats, *, ends: bool) -> Rectangles:
    if len(segments) < 4:
        return Rectangles(corners_mm=np.zeros((0, 4, 2)), support=np.zeros((0, 4)))
    return closed_rectangles(view, segments, slopes, least=LEAST_SUPPORT, ends=ends)


def _pieces(view: View, segments: Floats, slopes: Floats, *, ends: bool) -> list[Outline]:
    rectangles = _rectangles(view, segments, slopes, ends=ends)
    kept, seams = chosen(view, rectangles, slopes, ends=ends)
    return [
        Outline(corners_mm=corners, flags=("touching",) if seam else (), exact=True, contour_mm=corners)
        for corners, seam in zip(kept.corners_mm, seams.tolist(), strict=True)
    ]


def _told_apart(view: View, region: Outline, found: Rectangles, slopes: Floats) -> list[Outline]:
    """The two cards that a region is made of, where a gap between them can be seen; else none."""
    whole = clockwise(np.asarray(cv2.boxPoints(cv2.minAreaRect(region.contour_mm.astype(np.float32))), np.float64))
    pair = two_in(view, whole, found, slopes)
    return [Outline(corners_mm=q, flags=(), contour_mm=q, exact=True) for q in pair]


def _merged(plain: tuple[Outline, ...], found: list[Outline]) -> list[Outline]:
    """Each piece once: a plain outline stands where nothing or the same was found at its place."""
    out: list[Outline] = []
    taken: set[int] = set()
    for outline in plain:
        here = [k for k, one in enumerate(found) if _shared(outline, one) > SAME]
        if not outline.flags and (not here or any(_alike(outline, found[k]) for k in here)):
            out.append(outline)
            taken.update(here)
        elif not here:
            out.append(outline)
        elif len(here) == 1 and _is_inner(found[here[0]], outline):
            # a picture printed inside the border closes to a rectangle, too
            out.append(replace(found[here[0]], flags=("doubtful-outline",)))
            taken.update(here)
    return out + [one for k, one in enumerate(found) if k not in taken]


def _is_inner(one: Outline, region: Outline) -> bool:
    """Whether a rectangle fills most of a region, but not all of it."""
    share = _area(one) / max(float(abs(cv2.contourArea(region.contour_mm.astype(np.float32)))), 1.0)
    return INNER[0] < share < INNER[1]


def _alike(a: Outline, b: Outline) -> bool:
    corners = a.corners_mm
    turned = np.array([np.roll(b.corners_mm, k, axis=0) for k in range(4)])
    return bool(np.abs(turned - corners).max(axis=(1, 2)).min() < NEAR_MM)


def _shared(a: Outline, b: Outline) -> float:
    """Common part of two outlines, over the smaller's area."""
    smaller, larger = (a, b) if _area(a) <= _area(b) else (b, a)
    return common_share(clockwise(smaller.corners_mm), clockwise(larger.corners_mm))


def _hull_with_room(outline: Outline) -> Floats:
    hull = cv2.convexHull(outline.contour_mm.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    middle = hull.mean(axis=0)
    spoke = hull - middle
    return np.asarray(hull + ROOM_MM * spoke / np.maximum(np.linalg.norm(spoke, axis=1), 1e-9)[:, None])


def _outside(segments: Floats, papers: list[Floats]) -> Floats:
    return segments[~_inside_any(segments.mean(axis=1), papers)]


def _inside_any(points: Floats, polygons: list[Floats]) -> NDArray[np.bool_]:
    """Whether points (n, 2) lie in one of some convex polygons."""
    inside = np.zeros(len(points), bool)
    for polygon in polygons:
        side = np.roll(polygon, -1, axis=0) - polygon
        off = points[:, None] - polygon[None]
        cross = side[:, 0] * off[..., 1] - side[:, 1] * off[..., 0]
        inside |= (cross > 0).all(axis=1) | (cross < 0).all(axis=1)
    return inside

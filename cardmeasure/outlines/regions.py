"""What lies together on a plain table, told apart: two cards with a gap between them; the top card of a fan or a pile.

The region that the first finder saw is sure; what it is made of is believed only where more than one sign agrees. A
rectangle within a region may be a picture inside a border, so where in doubt the region stays as it is, without a size.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.geometry import side_lengths
from cardmeasure.numerics import percentile
from cardmeasure.outlines.choosing import chosen, two_in
from cardmeasure.outlines.comparing import covered_mm2
from cardmeasure.outlines.likeliest import likeliest
from cardmeasure.outlines.lines import PER_MM, View, segments_mm, slopes_of, view_of
from cardmeasure.outlines.neighbours import joined_to_each_other
from cardmeasure.outlines.pieces import Outline, clockwise
from cardmeasure.outlines.rectangles import Rectangles, closed_rectangles
from cardmeasure.outlines.trials import Tried
from cardmeasure.outlines.trusting import trusted_in_pile
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

TOGETHER = ("touching", "overlapped", "not-a-rectangle")
"""Flags of regions that may be several pieces."""
LEAST_MM, LEAST_MM2 = 30.0, 2600.0
"""Two cards lying together are no smaller; dice, coins and tokens are."""
LEAST_SUPPORT = 0.85
"""Share of each side's places that edges must bear out."""
LEAST_TRIED = 0.5
"""The same of those that a closer look is taken at: cards may lie on others that look alike."""
ROOM_MM, MARGIN_MM = 3.0, 14.0
"""So far outside a region edges are looked for, and its surroundings are seen."""
RIM_MM, RIM_PLACES, ON_RIM = 1.2, np.linspace(0.12, 0.88, 15), 0.7
"""A side lies on a region's rim where so much of it is so near."""
FEWEST_ON_RIM = 2
RAISED_MM, U_RAISED_MM = 0.6, 0.4
"""A card on top lies on one to three or four others, each some 0.3 mm thick."""
UNEVEN_MM, CORNER_MM, MOSTLY = 0.5, 6.0, 90.0
"""Contours of single pieces (rendered, 395) stray by 0.27 mm at the median and by 0.5 mm in 3 of 100; of piles by more.
So far from corners that is seen; percentile."""
STEP_MM = 1.5
"""Of the contours of 1200 single pieces (rendered) one strays farther, as a shadow hangs together with it."""
ASKEW_MM = 2.0
"""Opposite sides of single pieces' outlines differ by 0.2 mm at the median and by 1 mm in one of 100 (rendered)."""
REST_MM, REST_PX_PER_MM = 10.0, 2.0
"""Of a card that lies below more shows than a border's width: a disc of this diameter has room in it."""


def may_be_several(outline: Outline) -> bool:
    """Whether a region is such that a second look could tell pieces apart in it."""
    if not set(outline.flags) & set(TOGETHER):
        return False
    short = min(cv2.minAreaRect(outline.contour_mm.astype(np.float32))[1])
    return short >= LEAST_MM and covered_mm2(outline) >= LEAST_MM2


def is_uneven(outline: Outline) -> bool:
    """Whether a region's contour (n, 2) strays from its rectangle by more than a curled card's does, or is none."""
    a, b, c, d = side_lengths(outline.corners_mm).tolist()
    return bool(max(abs(a - c), abs(b - d)) > ASKEW_MM or _most_strayed_mm(outline) > UNEVEN_MM)


def has_steps(outline: Outline) -> bool:
    """Whether a region's contour strays as only that of cards that lie on each other does."""
    return _most_strayed_mm(outline) > STEP_MM


def _most_strayed_mm(outline: Outline) -> float:
    return max(_strays_mm(outline, side) for side in range(4))


def _strays_mm(outline: Outline, side: int) -> float:
    """How far the contour near one side, corners apart, lies from it, mostly."""
    a, b = outline.corners_mm[side], outline.corners_mm[(side + 1) % 4]
    length = float(np.linalg.norm(b - a))
    way = (b - a) / length
    local = outline.contour_mm - a
    along, off = local @ way, np.abs(local @ np.array([way[1], -way[0]]))
    near = (along > CORNER_MM) & (along < length - CORNER_MM) & (off < CORNER_MM)
    return percentile(off[near], MOSTLY) if near.any() else 0.0


def told_apart(
    photo: Photo, camera: Camera, region: Outline, *, px_per_mm: float, nominal_mm: Floats, tried: Tried
) -> tuple[Outline, ...]:
    """The pieces that a region is made of, and the region itself where something of it is left.

    tried : takes a closer look at rectangles.
    """
    seen = _seen(photo, camera, region, px_per_mm)
    sure = _sure(seen, nominal_mm=nominal_mm, tried=tried)
    touching = "touching" in region.flags
    if sure:
        rest = _is_much_left([o.corners_mm for o in sure], region)
        # a card alone has no steps: what little is left of a pile shows beside it once the photo is solved
        piled = not touching if rest else len(sure) == 1 and has_steps(region)
        cards = tuple(map(_on_top, sure)) if piled else joined_to_each_other(sure)
        left = (region if touching else replace(region, flags=("overlapped",)),) if rest else ()
        return (*cards, *left)
    view, segments, slopes = seen
    pair = two_in(view, box_around(region), rectangles(view, segments, slopes, ends=False), slopes)
    if len(pair):
        return tuple(Outline(corners_mm=q, flags=(), contour_mm=q, exact=True, doubted=True) for q in pair)
    if touching:
        return (region,)
    kept, seams = chosen(view, rectangles(view, segments, slopes, ends=True), slopes, ends=False)
    tops = [q for q, seam in zip(kept.corners_mm, seams.tolist(), strict=True) if not seam and _is_top(q, region)]
    if len(tops) != 1:
        return (region,)
    top = _on_top(Outline(corners_mm=tops[0], flags=(), contour_mm=tops[0], exact=True, doubted=True))
    return (top, replace(region, flags=("overlapped",)))


def sure_within(
    photo: Photo, camera: Camera, region: Outline, *, px_per_mm: float, nominal_mm: Floats, tried: Tried
) -> tuple[Outline, ...]:
    """The cards within a region of which none hides another's corner, by a closer look."""
    return _sure(_seen(photo, camera, region, px_per_mm), nominal_mm=nominal_mm, tried=tried)


def _seen(photo: Photo, camera: Camera, region: Outline, px_per_mm: float) -> tuple[View, Floats, Floats]:
    """A region from above, with its edges and the slopes of its cues."""
    view = view_of(photo, camera, px_per_mm=px_per_mm, within=hull_with_room(region, MARGIN_MM))
    segments = segments_mm(view)
    return view, segments[inside(segments.mean(axis=1), hull_with_room(region, ROOM_MM))], slopes_of(view)


def _sure(seen: tuple[View, Floats, Floats], *, nominal_mm: Floats, tried: Tried) -> tuple[Outline, ...]:
    view, segments, slopes = seen
    if view.per_mm < PER_MM:
        return ()  # corners' radii cannot be told so far from above
    closed = rectangles(view, segments, slopes, ends=False, least=LEAST_TRIED)
    trials = tried(closed.corners_mm[likeliest(view, closed.corners_mm, slopes, nominal_mm=nominal_mm)])
    return tuple(Outline(corners_mm=quad, flags=(), contour_mm=quad, exact=True, doubted=True, sure=True)
                 for quad in trials.corners_mm[trusted_in_pile(trials, nominal_mm=nominal_mm)])  # fmt: skip


def _on_top(card: Outline) -> Outline:
    return replace(card, raised_mm=RAISED_MM, u_raised_mm=U_RAISED_MM)


def rectangles(view: View, segments: Floats, slopes: Floats, *, ends: bool, least: float = LEAST_SUPPORT) -> Rectangles:
    """All closed rectangles of edges (n, 2, 2); `least` and `ends` as in `closed_rectangles`."""
    if len(segments) < 4:
        return Rectangles(corners_mm=np.zeros((0, 4, 2)), support=np.zeros((0, 4)))
    return closed_rectangles(view, segments, slopes, least=least, ends=ends)


def box_around(region: Outline) -> Floats:
    """The smallest rectangle (4, 2) around a region's contour, clockwise."""
    return clockwise(np.asarray(cv2.boxPoints(cv2.minAreaRect(region.contour_mm.astype(np.float32))), np.float64))


def hull_with_room(outline: Outline, room_mm: float) -> Floats:
    """The convex hull (n, 2) of a contour, its points moved out."""
    hull = cv2.convexHull(outline.contour_mm.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    spoke = hull - hull.mean(axis=0)
    return np.asarray(hull + room_mm * spoke / np.maximum(np.linalg.norm(spoke, axis=1), 1e-9)[:, None])


def inside(points: Floats, polygon: Floats) -> NDArray[np.bool_]:
    """Whether points (n, 2) lie in a convex polygon, whichever way round it runs."""
    side = np.roll(polygon, -1, axis=0) - polygon
    off = points[:, None] - polygon[None]
    cross = side[:, 0] * off[..., 1] - side[:, 1] * off[..., 0]
    return np.asarray((cross > 0).all(axis=1) | (cross < 0).all(axis=1))


def _is_top(quad: Floats, region: Outline) -> bool:
    """Whether a rectangle is a card on top of others: some sides on the region's rim, and more left than a border."""
    return int(_on_rim(quad, region).sum()) >= FEWEST_ON_RIM and _is_much_left([quad], region)


def _on_rim(quad: Floats, region: Outline) -> NDArray[np.bool_]:
    """Which sides (4,) of a quadrilateral lie on the region's contour."""
    polygon = region.contour_mm.astype(np.float32)
    out = np.zeros(4, bool)
    for side in range(4):
        a, b = quad[side], quad[(side + 1) % 4]
        places = a + RIM_PLACES[:, None] * (b - a)
        near = [abs(cv2.pointPolygonTest(polygon, (float(x), float(y)), True)) < RIM_MM for x, y in places]
        out[side] = np.mean(near) >= ON_RIM
    return out


def _is_much_left(quads: list[Floats], region: Outline) -> bool:
    """Whether what the region covers beside quadrilaterals is somewhere wider than a border."""
    low = region.contour_mm.min(axis=0) - 2.0
    size = np.ceil((np.ptp(region.contour_mm, axis=0) + 4.0) * REST_PX_PER_MM).astype(int)
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    for polygon, value in ((region.contour_mm, 1), *((quad, 0) for quad in quads)):
        cv2.fillPoly(mask, [np.round((polygon - low) * REST_PX_PER_MM).astype(np.int32)], value)
    return bool(2 * cv2.distanceTransform(mask, cv2.DIST_L2, 5).max() / REST_PX_PER_MM > REST_MM)

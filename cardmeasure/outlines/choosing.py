"""Which of many closed rectangles are pieces: the outermost whose four sides are clear and end at their corners."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import following
from cardmeasure.outlines.lines import View
from cardmeasure.outlines.rectangles import Rectangles
from cardmeasure.outlines.sides import best_rises, side_quality

Floats = NDArray[np.floating[Any]]

LEAST_PROMINENCE, MOST_OVERRUN = 1.3, 0.45
"""Of each side: how much clearer than what lies close outside; how much of its line may go on beyond its ends."""
MOST_GAP_MM = 3.5
"""Cards laid apart leave a wider gap in a line that runs along both."""
OVERLAP = 0.08
"""Share of the smaller by which two pieces may overlap, as outlines are rough."""
SHARED_MM = 0.8
"""Sides nearer than this are one line."""
WIDE_MM, AROUND_MM = 1.7, 4.0
"""A wider gap would have parted a region; so far around it the table is looked at."""
NOT_BRIGHTER, SAME_COLOUR, MOSTLY = 0.2, 0.3, 0.85
"""Table in a gap: no brighter than elsewhere by more than this, of a colour no further off, over so much of the gap."""
OPEN_MM, BESIDE_MM, BROKEN = 0.4, (6.0, 12.0), 0.6
"""In the middle of a gap the line along the cards rises less, by this factor, than where the cards are."""
MOST_PARTS = 10
WIDEST_GAP_MM = 12.0
GAP_MM = 0.6
"""Two cards laid together leave at least so much between them, where one can tell them from one card with a line."""


def chosen(view: View, found: Rectangles, slopes: Floats, *, ends: bool) -> tuple[Rectangles, NDArray[np.bool_]]:
    """The pieces among them, the largest first, and which (n,) might as well be several that touch.

    ends : whether sides must end at the corners.
    """
    quality = side_quality(view, found.corners_mm, slopes)
    good = quality.prominence.min(axis=1) >= LEAST_PROMINENCE
    if ends:
        good &= quality.overrun.max(axis=1) <= MOST_OVERRUN
    found, quality = found.rows(good), quality.rows(good)
    areas = np.array([abs(cv2.contourArea(q.astype(np.float32))) for q in found.corners_mm])
    # first the largest of those without a gap in any side, then the largest of the rest
    order = np.lexsort((-areas, quality.gap_mm.max(axis=1) > MOST_GAP_MM))
    kept: list[int] = []
    seams: list[bool] = []
    for k in order.tolist():
        if all(_overlap(found.corners_mm[k], found.corners_mm[j], areas[k], areas[j]) < OVERLAP for j in kept):
            split = _split(found.corners_mm, areas, k)
            if split != APART:
                kept.append(k)
                seams.append(split == SEAM)
    return found.rows(np.array(kept, np.intp)), np.array(seams, bool)


WHOLE, SEAM, APART = 0, 1, 2
"""One piece; perhaps two along a seam; two with a gap between them."""


def is_made_of_two(quads: Floats, areas: Floats, k: int) -> bool:
    """Whether one of several rectangles (n, 4, 2) is filled by two others that lie side by side."""
    return _split(quads, areas, k) != WHOLE


def _split(quads: Floats, areas: Floats, k: int) -> int:
    """Whether a rectangle (4, 2) is made of two others (n, 4, 2) that share three of its sides each."""
    inside = (areas < 0.8 * areas[k]) & (areas > 0.15 * areas[k]) & _within(quads.mean(axis=1), quads[k])
    parts = np.flatnonzero(inside)
    shared = _shared_sides(quads[parts], quads[k])
    three = shared.sum(axis=1) == 3
    parts, free = parts[three][:MOST_PARTS], np.argmin(shared, axis=1)[three][:MOST_PARTS]
    return max((_seam(quads, areas, k, i, j) for a, i in enumerate(parts) for b, j in enumerate(parts)
                if a < b and abs(int(free[a]) - int(free[b])) == 2), default=WHOLE)  # fmt: skip


def two_in(view: View, whole: Floats, found: Rectangles, slopes: Floats) -> Floats:
    """The two rectangles (2, 4, 2) that fill a third, clockwise (4, 2), but for a gap between them; or (0, 4, 2).

    In the gap the table shows, in the shade. Of all such pairs the one whose sides are borne out best.
    """
    quads = found.corners_mm
    shared = _shared_sides(quads, whole)
    parts = np.flatnonzero((shared.sum(axis=1) == 3) & _within(quads.mean(axis=1), whole))
    free = np.argmin(shared[parts], axis=1)
    table = _table_around(view, whole)
    best, score = np.zeros((0, 4, 2)), -np.inf
    for a in range(len(parts)):
        for b in np.flatnonzero((np.arange(len(parts)) > a) & (np.abs(free - free[a]) == 2)):
            first, second = quads[parts[a]], quads[parts[b]]
            ends = _facing(first, second)
            gap = float(np.linalg.norm(ends[1].mean(axis=0) - ends[0].mean(axis=0)))
            if not GAP_MM < gap < WIDE_MM or common_share(first, second) > 0:
                continue
            new = float(found.support[[parts[a], parts[b]]].min())
            if new > score and _is_table_between(view, ends, table) and _is_open(view, ends, slopes):
                best, score = np.stack([first, second]), new
    return best


def _facing(a: Floats, b: Floats) -> Floats:
    """The side of each that faces the other: (2, 2, 2), ends from one to the other."""
    sides = []
    for one, other in ((a, b), (b, a)):
        middles = (one + np.roll(one, -1, axis=0)) / 2
        k = int(np.argmin(np.linalg.norm(middles - other.mean(axis=0), axis=1)))
        sides.append(one[[k, (k + 1) % 4]])
    return np.stack([sides[0], sides[1][::-1]])


def _table_around(view: View, whole: Floats) -> Floats:
    """The table's cues (3,) around a rectangle."""
    middle = whole.mean(axis=0)
    spoke = whole - middle
    ring = middle + spoke * (1 + AROUND_MM / np.linalg.norm(spoke, axis=1).min())
    t = np.linspace(0.1, 0.9, 30)[:, None]
    points = np.concatenate([(1 - t) * ring[k] + t * ring[(k + 1) % 4] for k in range(4)])
    return np.asarray(np.median(view.cues_at(points), axis=0))


def _is_table_between(view: View, ends: Floats, table: Floats) -> bool:
    """Whether half-way between two facing sides lies the table, darker than elsewhere or alike."""
    middle = ends.mean(axis=0)
    t = np.linspace(0.12, 0.88, 31)[:, None]
    off = view.cues_at((1 - t) * middle[0] + t * middle[1]) - table
    alike = (off[:, 0] < NOT_BRIGHTER) & (np.abs(off[:, 1:]).max(axis=1) < SAME_COLOUR)
    return bool(alike.mean() > MOSTLY)


def _is_open(view: View, ends: Floats, slopes: Floats) -> bool:
    """Whether the line along both cards is broken at both ends of the gap, as it is between cards, not within one."""
    middle = ends.mean(axis=0)
    across = middle[1] - middle[0]
    across = across / np.linalg.norm(across)
    way = np.array([[-across[1], across[0]]])
    for place, out in ((middle[0], -across), (middle[1], across)):
        at = place[None]
        beside = [np.linalg.norm(best_rises(view, at + a * way, at + b * way, slopes, 7, out[None]), axis=2).mean()
                  for a, b in ((-OPEN_MM, OPEN_MM), BESIDE_MM, (-BESIDE_MM[1], -BESIDE_MM[0]))]  # fmt: skip
        if beside[0] > BROKEN * min(beside[1:]):
            return False
    return True


def _seam(quads: Floats, areas: Floats, whole: int, i: int, j: int) -> int:
    """How two rectangles that face each other fill a third."""
    rest = areas[whole] - areas[i] - areas[j]
    length = float(np.sqrt(areas[whole]))
    if _overlap(quads[i], quads[j], areas[i], areas[j]) > OVERLAP or rest > WIDEST_GAP_MM * length:
        return WHOLE
    return APART if rest > GAP_MM * _seam_length(quads[i], quads[j]) else SEAM


def _seam_length(a: Floats, b: Floats) -> float:
    """Length of the side of one that lies nearest the other's middle."""
    middles = (a + np.roll(a, -1, axis=0)) / 2
    k = int(np.argmin(np.linalg.norm(middles - b.mean(axis=0), axis=1)))
    return float(np.linalg.norm(a[(k + 1) % 4] - a[k]))


def _shared_sides(parts: Floats, whole: Floats) -> NDArray[np.bool_]:
    """Along which sides (n, 4) of the whole (4, 2) a side of each part (n, 4, 2) lies."""
    middles = (parts + np.roll(parts, -1, axis=1)) / 2
    way = np.roll(whole, -1, axis=0) - whole
    way = way / np.linalg.norm(way, axis=1)[:, None]
    off = middles[:, None] - whole[:, None]
    distance = np.abs(off[..., 0] * way[:, None, 1] - off[..., 1] * way[:, None, 0])
    return np.asarray(distance.min(axis=2) < SHARED_MM)


def _within(points: Floats, quad: Floats) -> NDArray[np.bool_]:
    """Whether points (n, 2) lie in a clockwise quadrilateral (y down)."""
    start, side = quad.T[:, :, None], (following(quad) - quad).T[:, :, None]
    off = points.T[:, None] - start
    return np.asarray((side[0] * off[1] - side[1] * off[0] > 0).all(axis=0))


def _overlap(a: Floats, b: Floats, area_a: float, area_b: float) -> float:
    """Common part of two quadrilaterals as a share of the smaller."""
    return common_share(a, b) if area_a <= area_b else common_share(b, a)


def common_share(inner: Floats, outer: Floats) -> float:
    """Share of the first convex quadrilateral (4, 2) that the second, clockwise, covers."""
    if (inner.max(axis=0) <= outer.min(axis=0)).any() or (outer.max(axis=0) <= inner.min(axis=0)).any():
        return 0.0
    return float(_within(GRID @ inner, outer).mean())


def _grid(count: int) -> Floats:
    """Weights (count * count, 4) of a quadrilateral's corners at places spread evenly over it."""
    a, b = (axis.ravel() for axis in np.meshgrid(*2 * [(np.arange(count) + 0.5) / count]))
    return np.column_stack([(1 - a) * (1 - b), a * (1 - b), a * b, (1 - a) * b])


GRID = _grid(12)

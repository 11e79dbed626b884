"""Rectangles that straight edges close to: opposite corners that face each other, borne out along all four sides."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.lines import View
from cardmeasure.outlines.sides import BEYOND_MM, BEYOND_SAMPLES, LEAST_SLOPE, SAMPLES, best_rises, side_support

Floats = NDArray[np.floating[Any]]
Index = NDArray[np.intp]

MOST_SEGMENTS, MOST_RECTANGLES = 4000, 1500
"""The longest count; a strongly grained table has more."""
ONE_LINE_MM, ONE_LINE_GAP_MM, GROWTHS = 0.4, 5.0, 12
"""Edges are one where all of the shorter lies so near the longer's line, and not farther than that beyond its ends; on
a checked table a card's edge shows beside every other check. An edge grows in so many rounds."""
SQUARE_DEG, FACING_DEG = 2.5, 1.6
"""How far two edges may be from square to make a corner, and two corners from facing each other."""
CORNER_GAP_MM, CORNER_OVERRUN_MM = 10.0, 1.5
"""An edge ends so far before its corner, which may be round, and where a stripe as dark or pale as the card may run; or
it runs so far past it."""
LEAST_MM, MOST_MM, MOST_ASPECT = 32.0, 320.0, 3.0
"""On a patterned table smaller or narrower rectangles are everywhere."""
MOST_OVERRUN = 0.55
"""Share of what lies beyond a side's ends that may look like more of it."""
SAME_MM = 0.6
"""Rectangles whose corners are all nearer than this are one."""
FEW_SAMPLES = 9
"""Places along a side that are looked at first; then, where these do not rule it out, more."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Rectangles:
    """Corners (n, 4, 2) mm, clockwise in the view (y down), and the share (n, 4) of each side that edges bear out."""

    corners_mm: Floats
    support: Floats

    def rows(self, index: Index | NDArray[np.bool_]) -> Rectangles:
        """Some of them."""
        return Rectangles(corners_mm=self.corners_mm[index], support=self.support[index])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Corners:
    """Corners of edges: place (n, 2); direction (n,) of the arm from which the other lies a quarter turn clockwise (as
    seen in the view); both arms' edges (n, 2), by their numbers."""

    place: Floats
    direction: Floats
    arms: Index

    def rows(self, keep: NDArray[np.bool_]) -> _Corners:
        """Some of them."""
        return _Corners(place=self.place[keep], direction=self.direction[keep], arms=self.arms[keep])


def closed_rectangles(view: View, segments: Floats, slopes: Floats, *, least: float, ends: bool) -> Rectangles:
    """All rectangles of a plausible size whose sides are borne out by at least this share.

    segments (n, 2, 2): mm. slopes (h, w, cues, 2): how the view's cues rise in x and y, code values a pixel. ends:
    whether edges must end at the corners; where cards touch, they run on along the next.
    """
    order = np.argsort(-np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1))[:MOST_SEGMENTS]
    segments = merged(segments[order])
    corners = _corners_of(segments)
    if ends:
        corners = corners.rows(_end_there(view, segments, corners, slopes))
    first, second = _facing_pairs(corners)
    quads = _quads(segments, corners, first, second)
    quads = _distinct(_from_top_left(quads[_plausible(quads)]))
    for samples in (FEW_SAMPLES, SAMPLES):
        support = side_support(view, quads, slopes, samples=samples)
        good = support.min(axis=1) >= least
        quads, support = quads[good], support[good]
    return _without_doubles(Rectangles(corners_mm=quads, support=support))


def merged(segments: Floats) -> Floats:
    """Edges (n, 2, 2), the longest first, those put together that lie on one line with no great gap between them."""
    kept: list[Floats] = []
    alive = np.ones(len(segments), bool)
    ends = np.ascontiguousarray(segments.reshape(-1, 4).T)
    for k in range(len(segments)):
        if not alive[k]:
            continue
        alive[k] = False
        own = [k]
        line = segments[k]
        for _ in range(GROWTHS):
            near = _continue(line, ends)
            near = near[alive[near]]
            if len(near) == 0:
                break
            alive[near] = False
            own += near.tolist()
            line = _through(segments[own])
        kept.append(line)
    return np.array(kept).reshape(-1, 2, 2)


def _continue(line: Floats, ends: Floats) -> Index:
    """Which edges, whose ends are in rows (4, n), lie on the line of one (2, 2), or not far beyond its ends."""
    (x, y), (dx, dy) = line[0].tolist(), (line[1] - line[0]).tolist()
    length = hypot(dx, dy)
    dx, dy = dx / length, dy / length
    # most are sorted out by their first ends
    close = np.flatnonzero(np.abs((ends[0] - x) * dy - (ends[1] - y) * dx) < ONE_LINE_MM)
    x0, y0, x1, y1 = ends[:, close]
    first, last = (x0 - x) * dx + (y0 - y) * dy, (x1 - x) * dx + (y1 - y) * dy
    near = (np.maximum(first, last) > -ONE_LINE_GAP_MM) & (np.minimum(first, last) < length + ONE_LINE_GAP_MM)
    return np.asarray(close[near & (np.abs((x1 - x) * dy - (y1 - y) * dx) < ONE_LINE_MM)])


def _through(segments: Floats) -> Floats:
    """One edge (2, 2) along several (n, 2, 2), the longer ones counting for more."""
    points, weight = segments.reshape(-1, 2), np.repeat(np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1), 2)
    middle = weight @ points / weight.sum()
    off = points - middle
    way = np.linalg.eigh((weight[:, None] * off).T @ off)[1][:, 1]
    along = off @ way
    return np.asarray(middle + np.outer([along.min(), along.max()], way))


def _corners_of(segments: Floats) -> _Corners:
    """Where two edges meet at a right angle; an edge that runs through makes corners to both sides."""
    start, end = segments[:, 0], segments[:, 1]
    length = np.linalg.norm(end - start, axis=1)
    way = (end - start) / length[:, None]
    cosine = way @ way.T
    i, j = np.nonzero(np.triu(np.abs(cosine) < np.sin(np.radians(SQUARE_DEG)), 1))
    cross = way[i, 0] * way[j, 1] - way[i, 1] * way[j, 0]
    apart = start[j] - start[i]
    along_i = (apart[:, 0] * way[j, 1] - apart[:, 1] * way[j, 0]) / cross
    along_j = (apart[:, 0] * way[i, 1] - apart[:, 1] * way[i, 0]) / cross
    near = _reaches(along_i, length[i]) & _reaches(along_j, length[j])
    i, j, along_i, along_j = i[near], j[near], along_i[near], along_j[near]
    place = start[i] + along_i[:, None] * way[i]
    parts = []
    for sign_i in (1.0, -1.0):
        for sign_j in (1.0, -1.0):
            ok = _arm(sign_i, along_i, length[i]) & _arm(sign_j, along_j, length[j])
            a, b = sign_i * way[i[ok]], sign_j * way[j[ok]]
            clockwise = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > 0
            # the mean of both arms, one turned back by a quarter
            first, other = np.where(clockwise[:, None], a, b), np.where(clockwise[:, None], b, a)
            mean = first + np.column_stack([other[:, 1], -other[:, 0]])
            arms = np.where(clockwise[:, None], np.column_stack([i[ok], j[ok]]), np.column_stack([j[ok], i[ok]]))
            parts.append((place[ok], np.arctan2(mean[:, 1], mean[:, 0]), arms))
    return _Corners(
        place=np.concatenate([p for p, _, _ in parts]), direction=np.concatenate([d for _, d, _ in parts]),
        arms=np.concatenate([a for _, _, a in parts]).astype(np.intp),
    )  # fmt: skip


def _end_there(view: View, segments: Floats, corners: _Corners, slopes: Floats) -> NDArray[np.bool_]:
    """Whether neither arm of the corners (n,) runs on beyond them alike."""
    ok = np.ones(len(corners.place), bool)
    for arm, turn in ((0, 0.0), (1, np.pi / 2)):
        way = np.column_stack([np.cos(corners.direction + turn), np.sin(corners.direction + turn)])
        ends = segments[corners.arms[:, arm]]
        own = ends[:, 1] - ends[:, 0]
        own = own / np.linalg.norm(own, axis=1)[:, None]
        way = own * np.sign((own * way).sum(axis=1))[:, None]
        out = np.column_stack([way[:, 1], -way[:, 0]])
        ok &= _share_beyond(view, corners.place, way, out, _along(view, ends, slopes, out), slopes) <= MOST_OVERRUN
    return ok


def _along(view: View, ends: Floats, slopes: Floats, out: Floats) -> Floats:
    return np.asarray(best_rises(view, ends[:, 0], ends[:, 1], slopes, BEYOND_SAMPLES, out).mean(axis=1))


def _share_beyond(view: View, place: Floats, way: Floats, out: Floats, mean: Floats, slopes: Floats) -> Floats:
    """Share (n,) of places behind corners, against an arm's way, where the cues rise as along the arm (n, cues)."""
    beyond = best_rises(view, place - BEYOND_MM[1] * way, place - BEYOND_MM[0] * way, slopes, BEYOND_SAMPLES, out)
    least = 0.5 * np.maximum((mean**2).sum(axis=1), LEAST_SLOPE**2)
    return np.asarray((np.einsum("nsk,nk->ns", beyond, mean) > least[:, None]).mean(axis=1))


def _reaches(along: Floats, length: Floats) -> NDArray[np.bool_]:
    """Whether a place along a line lies on its edge or not far beyond an end."""
    return np.asarray((along > -CORNER_GAP_MM) & (along < length + CORNER_GAP_MM))


def _arm(sign: float, along: Floats, length: Floats) -> NDArray[np.bool_]:
    """Whether from a place along a line the edge goes on by enough in a direction."""
    ahead = length - along if sign > 0 else along
    return np.asarray(ahead > np.minimum(0.6 * length, 2 * CORNER_GAP_MM))


def _facing_pairs(corners: _Corners) -> tuple[Index, Index]:
    """Pairs of corners that face each other across a rectangle: each pair once, or twice along the axes."""
    room = np.radians(FACING_DEG)
    order = np.argsort(corners.direction)
    turned = order[corners.direction[order] < 2 * room - np.pi]  # a full turn on, they face those at nought, too
    direction = np.concatenate([corners.direction[order], corners.direction[turned] + 2 * np.pi])
    order = np.concatenate([order, turned])
    place = corners.place[order]
    low = direction < room  # one of two opposite directions is negative, or both lie about nought and half a turn
    firsts, seconds = [], []
    begin = np.searchsorted(direction, direction[low] + np.pi - room)
    stop = np.searchsorted(direction, direction[low] + np.pi + room)
    for k, (b, e) in enumerate(zip(begin.tolist(), stop.tolist(), strict=True)):
        if e <= b:
            continue
        d = place[b:e] - place[k]
        c, s = np.cos(direction[k]), np.sin(direction[k])
        w, h = d[:, 0] * c + d[:, 1] * s, d[:, 1] * c - d[:, 0] * s
        ok = np.flatnonzero(_sized(np.minimum(w, h), np.maximum(w, h)))
        firsts.append(np.full(len(ok), k))
        seconds.append(b + ok)
    if not firsts:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    return order[np.concatenate(firsts)], order[np.concatenate(seconds)]


def _sized(short: Floats, long: Floats) -> NDArray[np.bool_]:
    return np.asarray((short >= LEAST_MM) & (long <= MOST_MM) & (long <= MOST_ASPECT * short))


def _quads(segments: Floats, corners: _Corners, first: Index, second: Index) -> Floats:
    """Corners (n, 4, 2) where the four edges of two facing corners meet, clockwise."""
    top, left = segments[corners.arms[first, 0]], segments[corners.arms[first, 1]]
    bottom, right = segments[corners.arms[second, 0]], segments[corners.arms[second, 1]]
    return np.stack([_meet(top, left), _meet(top, right), _meet(bottom, right), _meet(bottom, left)], axis=1)


def _meet(a: Floats, b: Floats) -> Floats:
    """Where lines through segments (n, 2, 2) meet, (n, 2)."""
    u, v = a[:, 1] - a[:, 0], b[:, 1] - b[:, 0]
    d = b[:, 0] - a[:, 0]
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    t = (d[:, 0] * v[:, 1] - d[:, 1] * v[:, 0]) / np.where(np.abs(cross) < 1e-9, 1e-9, cross)
    return np.asarray(a[:, 0] + t[:, None] * u)


def _plausible(quads: Floats) -> NDArray[np.bool_]:
    sides = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2)
    pairs = (sides[:, :2] + sides[:, 2:]) / 2
    even = np.abs(sides[:, :2] - sides[:, 2:]).max(axis=1) < 0.5 + 0.02 * pairs.max(axis=1)
    return np.asarray(_sized(pairs.min(axis=1), pairs.max(axis=1)) & even)


def _from_top_left(quads: Floats) -> Floats:
    """The same quadrilaterals (n, 4, 2), their corners counted from the one nearest the view's top left."""
    first = np.argmin(quads.sum(axis=2), axis=1)
    return np.asarray(quads[np.arange(len(quads))[:, None], (first[:, None] + np.arange(4)) % 4])


def _distinct(quads: Floats) -> Floats:
    """One of each of those that fall into the same cells of a grid."""
    cells = np.rint(quads.reshape(-1, 8) / (0.7 * SAME_MM)).astype(np.int32)
    return quads[np.unique(cells, axis=0, return_index=True)[1]] if len(quads) else quads


def _without_doubles(found: Rectangles) -> Rectangles:
    """Of rectangles that are nearly the same, the one that is borne out best; no more than so many in all."""
    found = found.rows(np.argsort(-found.support.sum(axis=1), kind="stable"))
    cells = np.rint(found.corners_mm.reshape(-1, 8) / (2 * SAME_MM)).astype(np.int32)
    first = np.sort(np.unique(cells, axis=0, return_index=True)[1]) if len(cells) else np.zeros(0, np.intp)
    if len(first) > MOST_RECTANGLES:
        # the large ones hold the small ones
        size = np.ptp(found.corners_mm[first], axis=1).prod(axis=1)
        first = first[np.argsort(-size, kind="stable")[:MOST_RECTANGLES]]
    return found.rows(first)

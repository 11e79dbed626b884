"""What a rough outline is: a disc, a rectangle with rounded corners, another convex polygon, or none of these.

The outline comes from a mask good to some tenths of a millimetre, so this only says what is worth trying: whether it
is so, the edges in the photo decide.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import median
from cardmeasure.shapes.plans import Plan, disc, interior_angles_rad, is_rectangular, polygon

Floats = NDArray[np.floating[Any]]

SOLID = 0.95
"""Share of its convex hull that a convex piece covers: the mask's rim is uneven."""
AROUND = 240
"""Points that a hull is resampled to."""
ROUND_MM, ROUND_SHARE = 0.12, 0.011
"""A disc's radius scatters by less than this round its outline, in mm and as a share of it, without its slow waves,
which wall and shadow cause; an octagon's scatters by 0.025 of it."""
FEWEST_SIDES, WAVE_MM, WAVE_SHARE = 5, 0.12, 0.010
"""As many waves as a polygon has sides go round its outline, one of them higher than this, in mm and as a share of the
radius: 0.036 of it for an octagon, 0.016 for twelve sides."""
RECTANGLE_MM = 0.40
"""How far (RMS) the outline may be from a rectangle with rounded corners."""
DEEPEST = 0.42
"""Largest corner radius over the shorter side; beyond, it is a disc or has two round ends."""
CORNER_LOSS = 4 - np.pi
"""Area that four round corners take off, over the radius squared."""
VERTEX_MM, VERTEX_SHARE = 0.8, 0.02
"""How far corners of a polygon stand out of the chords between them, in mm and as a share of its size, to be seen."""
SHORTEST = 0.42
"""A side shorter than this, over the longest, is a rounded corner's chord: of 2400 made-up outlines of small regular
polygons all are recognised with it, eleven are not with 0.34."""
MASK_GAP_MM = 0.25
"""By so much a mask's rim stays away from even a sharp corner."""
MOST_SIDES = 12
POLYGON_MM = 0.45
SHARPEST_DEG, BLUNTEST_DEG = 40.0, 164.0
CARD_CORNERS, NEARLY_RIGHT_DEG, RIGHT_DEG, FEWEST_RIGHT = 4, 15.0, 4.0, 2
"""What is as thin as a card, no rectangle, and has four corners that are nearly right, or more with so many right ones,
is several cards."""


def candidates(contour_mm: Floats) -> list[Plan]:
    """Plans (likeliest first) that a rough outline (n, 2) may be; none for what is not convex."""
    hull = np.asarray(cv2.convexHull(contour_mm.astype(np.float32)), np.float64).reshape(-1, 2)
    covered = float(cv2.contourArea(contour_mm.astype(np.float32)))
    area = float(cv2.contourArea(hull.astype(np.float32)))
    if len(hull) < 5 or covered < SOLID * area:
        return []
    points = _evenly(_clockwise(hull))
    tried = (_rectangle(points, area), _polygon(points))
    round_one, is_round, is_angular = _disc(points)
    others = [plan for plan in tried if plan is not None]
    if not is_round:
        return others
    return [*others, round_one] if is_angular else [round_one, *others]


def recognised(contour_mm: Floats) -> Plan | None:
    """The likeliest of the candidates, if there is one."""
    return next(iter(candidates(contour_mm)), None)


def is_several_cards(plan: Plan) -> bool:
    """Whether a thin polygon has cards' right angles, or nearly, but is no rectangle: it is a fan, or a pile askew."""
    if plan.shape != "polygon":
        return False
    off = np.abs(np.degrees(interior_angles_rad(plan.corners_mm)) - 90.0)
    if len(off) == CARD_CORNERS:
        return bool(off.max() < NEARLY_RIGHT_DEG)
    return len(off) > CARD_CORNERS and bool(np.count_nonzero(off < RIGHT_DEG) >= FEWEST_RIGHT)


def corner_radius_mm(contour_mm: Floats, corners_mm: Floats) -> float:
    """Rough radius of a rectangle's round corners: from how far the outline stays away from them (medians of four)."""
    x, y = contour_mm.T[:, None] - corners_mm.T[:, :, None]
    off = np.sqrt((x * x + y * y).min(axis=1))
    return _radius_mm(off, interior_angles_rad(corners_mm))


def _radius_mm(off_mm: Floats, angles_rad: Floats) -> float:
    """Radius of corners (n,) from which the outline stays away by so much, a mask always by a little."""
    gap = 1 / np.sin(angles_rad / 2) - 1
    return median(np.maximum(off_mm - MASK_GAP_MM, 0.0) / gap)


def _clockwise(points: Floats) -> Floats:
    x, y = points.T
    return points if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > 0 else points[::-1]


def _evenly(hull: Floats) -> Floats:
    """Points (AROUND, 2) at equal distances along a closed polygon."""
    closed = np.vstack([hull, hull[:1]])
    length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1)))
    at = np.linspace(0, length[-1], AROUND, endpoint=False)
    return np.column_stack([np.interp(at, length, closed[:, k]) for k in range(2)])


def _disc(points: Floats) -> tuple[Plan, bool, bool]:
    """The best disc, whether the points are round but for slow waves, and whether their waves are a polygon's."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    x, y, c = np.linalg.lstsq(design, (points**2).sum(axis=1), rcond=None)[0]
    centre = np.array([x, y])
    spoke = points - centre
    radius, angle = np.linalg.norm(spoke, axis=1), np.arctan2(spoke[:, 1], spoke[:, 0])
    waves = np.column_stack([np.ones_like(angle), *(f(k * angle) for k in (1, 2) for f in (np.cos, np.sin))])
    rest = radius - waves @ np.linalg.lstsq(waves, radius, rcond=None)[0]
    mean = float(np.sqrt(c + x * x + y * y))
    lopsided = float(np.ptp(radius)) > 0.25 * mean
    is_round = float(rest.std()) < ROUND_MM + ROUND_SHARE * mean and not lopsided
    turns = np.exp(1j * np.outer(np.arange(FEWEST_SIDES, MOST_SIDES + 1), angle))
    largest = float(np.abs(2 * (turns @ rest) / len(rest)).max())
    return disc(centre, mean), is_round, largest > max(WAVE_MM, WAVE_SHARE * mean)


def _rectangle(points: Floats, area: float) -> Plan | None:
    """The rectangle around the points, its corners rounded as its area says."""
    box = cv2.minAreaRect(points.astype(np.float32))
    short, long = sorted(box[1])
    radius = float(np.sqrt(max(short * long - area, 0.0) / CORNER_LOSS))
    if short <= 0 or radius > DEEPEST * short:
        return None
    corners = _clockwise(np.asarray(cv2.boxPoints(box), np.float64))
    way = (corners[1] - corners[0]) / np.linalg.norm(corners[1] - corners[0])
    local = np.abs((points - corners.mean(axis=0)) @ np.column_stack([way, [-way[1], way[0]]]))
    half = np.array([np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[1])]) / 2
    beyond = local - half + radius
    off = np.linalg.norm(np.maximum(beyond, 0), axis=1) + np.minimum(beyond.max(axis=1), 0) - radius
    return polygon(corners, radius) if float(np.sqrt(np.mean(off**2))) < RECTANGLE_MM else None


def _polygon(points: Floats) -> Plan | None:
    size = float(np.sqrt(np.prod(np.ptp(points, axis=0))))
    drawn = cv2.approxPolyDP(points.astype(np.float32), max(VERTEX_MM, VERTEX_SHARE * size), True)
    corners = _without_chords(np.asarray(drawn, np.float64).reshape(-1, 2))
    if corners is None or not 3 <= len(corners) <= MOST_SIDES:
        return None
    corners = _sharpened(points, corners)
    angles = np.degrees(interior_angles_rad(corners))
    if angles.min() < SHARPEST_DEG or angles.max() > BLUNTEST_DEG:
        return None
    off = np.array([_distance(points, a, b) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    nearest = off.min(axis=0)
    if float(np.median(nearest)) > POLYGON_MM:
        return None
    gap = np.array([np.linalg.norm(points - corner, axis=1).min() for corner in corners])
    radius = _radius_mm(gap, np.radians(angles))
    shortest = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).min())
    made = polygon(corners, min(radius, 0.3 * shortest * float(np.tan(np.radians(angles.min()) / 2))))
    return None if len(corners) == 4 and is_rectangular(corners) and made.radius_mm > 0.35 * shortest else made


def _without_chords(corners: Floats) -> Floats | None:
    """The corners without those in the middle of a side, and with the ends of each short side, a rounded corner's
    chord, replaced by where its neighbours meet."""
    while len(corners) > 3:
        angles = np.degrees(interior_angles_rad(corners))
        if angles.max() > BLUNTEST_DEG:
            corners = np.delete(corners, int(angles.argmax()), axis=0)
            continue
        sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        k, n = int(sides.argmin()), len(corners)
        if sides[k] > SHORTEST * sides.max():
            return corners
        a, b, c, d = (corners[(k + i) % n] for i in (-1, 0, 1, 2))
        met = _meet(a, b - a, d, c - d)
        if met is None or np.linalg.norm(met - (b + c) / 2) > 2 * sides[k]:
            return None
        corners = np.array([met if i == k else corners[i] for i in range(n) if i != (k + 1) % n])
    return corners


def _meet(p: Floats, d: Floats, q: Floats, e: Floats) -> Floats | None:
    across = float(d[0] * e[1] - d[1] * e[0])
    if abs(across) < 1e-9 * float(np.linalg.norm(d) * np.linalg.norm(e)) + 1e-12:
        return None
    t = float((q[0] - p[0]) * e[1] - (q[1] - p[1]) * e[0]) / across
    return np.asarray(p + t * d)


def _sharpened(points: Floats, corners: Floats) -> Floats:
    """Corners where lines through the middles of the sides meet."""
    lines = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        way = (b - a) / length
        along = (points - a) @ way / length
        off = (points - a) @ np.array([way[1], -way[0]])
        mine = (along > 0.2) & (along < 0.8) & (np.abs(off) < max(1.5, 0.05 * length))
        if mine.sum() < 4:
            return corners
        middle = points[mine].mean(axis=0)
        axis = np.linalg.svd(points[mine] - middle, full_matrices=False)[2][0]
        lines.append((middle, axis))
    met = [_meet(*lines[k - 1], *lines[k]) for k in range(len(lines))]
    if any(corner is None for corner in met):
        return corners
    found = np.array(met)
    return found if np.linalg.norm(found - corners, axis=1).max() < 6.0 else corners


def _distance(points: Floats, a: Floats, b: Floats) -> Floats:
    way = (b - a) / np.linalg.norm(b - a)
    return np.asarray(np.abs((points - a) @ np.array([way[1], -way[0]])))

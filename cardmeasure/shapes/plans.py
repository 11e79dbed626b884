"""Plans of pieces on the plane of their top face: discs and convex polygons with rounded corners, and their sizes.

A polygon runs clockwise in a picture (y down); its corners are where its straight sides, extended, meet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

EQUAL_AREA = 1.02
"""Rectangles around a regular polygon are as large on whichever side they lie: those within this are averaged."""
REGULAR_SHARE, REGULAR_DEG = 0.05, 3.0
"""A polygon is regular where its sides' distances from its middle, and its angles, differ by no more than this."""
RIGHT_DEG = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """A disc (`corners_mm` is empty) or a polygon (n, 2) with corners rounded by `radius_mm`."""

    centre_mm: Floats
    radius_mm: float
    corners_mm: Floats = field(default_factory=lambda: np.zeros((0, 2)))

    @property
    def is_disc(self) -> bool:
        """Whether it is a disc."""
        return len(self.corners_mm) == 0

    @property
    def shape(self) -> str:
        """`circle`, `rectangle` or `polygon`."""
        if self.is_disc:
            return "circle"
        return "rectangle" if is_rectangular(self.corners_mm) else "polygon"


@dataclass(frozen=True, kw_only=True, eq=False)
class Box:
    """The smallest rectangle around a plan: sides, shorter first, and its corners (4, 2), clockwise."""

    sides_mm: Floats
    corners_mm: Floats


def disc(centre_mm: Floats, radius_mm: float) -> Plan:
    """A round piece."""
    return Plan(centre_mm=centre_mm, radius_mm=radius_mm)


def polygon(corners_mm: Floats, radius_mm: float) -> Plan:
    """A piece with straight sides."""
    return Plan(centre_mm=corners_mm.mean(axis=0), radius_mm=radius_mm, corners_mm=corners_mm)


def interior_angles_rad(corners: Floats) -> Floats:
    """Interior angle (n,) at each corner (n, 2) of a convex polygon."""
    # twice as fast as rolling the corners, and done for each piece of each photo
    before = np.concatenate([corners[-1:], corners[:-1]]) - corners
    after = np.concatenate([corners[1:], corners[:1]]) - corners
    cosine = (before * after).sum(axis=1) / (np.hypot(*before.T) * np.hypot(*after.T))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def is_rectangular(corners: Floats) -> bool:
    """Whether a polygon has four right angles, nearly."""
    return len(corners) == 4 and bool(
        np.abs(np.degrees(interior_angles_rad(corners)) - 90.0).max() < RIGHT_DEG
    )  # fmt: skip


def is_regular(corners: Floats) -> bool:
    """Whether all sides lie equally far from the middle and all angles are equal, nearly."""
    ways = _ways(corners)
    away = ((corners.mean(axis=0) - corners) * _inward(ways)).sum(axis=1)
    angles = np.degrees(interior_angles_rad(corners))
    return bool(np.ptp(away) < REGULAR_SHARE * away.mean() and np.ptp(angles) < 2 * REGULAR_DEG)


def arc_centres(corners: Floats, radius_mm: float) -> Floats:
    """Centres (n, 2) of the arcs that round the corners."""
    before, after = np.roll(corners, 1, axis=0) - corners, np.roll(corners, -1, axis=0) - corners
    middle = before / np.linalg.norm(before, axis=1)[:, None] + after / np.linalg.norm(after, axis=1)[:, None]
    middle /= np.linalg.norm(middle, axis=1)[:, None]
    return np.asarray(corners + middle * (radius_mm / np.sin(interior_angles_rad(corners) / 2))[:, None])


def enclosing(plan: Plan) -> Box:
    """The smallest rectangle around a plan: it lies along one of its sides.

    Sides that give rectangles of nearly the same area count alike, so that noise does not choose the smallest.
    """
    if plan.is_disc:
        r = plan.radius_mm
        square = np.array([[-r, -r], [r, -r], [r, r], [-r, r]])
        return Box(sides_mm=np.array([2 * r, 2 * r]), corners_mm=plan.centre_mm + square)
    if is_rectangular(plan.corners_mm):
        c = plan.corners_mm
        lengths = np.linalg.norm(np.roll(c, -1, axis=0) - c, axis=1)
        return Box(sides_mm=np.sort(lengths.reshape(2, 2).mean(axis=0)), corners_mm=c)
    centres, ways = arc_centres(plan.corners_mm, plan.radius_mm), _ways(plan.corners_mm)
    found = [_box_along(centres, way, plan.radius_mm) for way in ways]
    areas = np.array([np.prod(box.sides_mm) for box in found])
    alike = [box.sides_mm for box, area in zip(found, areas, strict=True) if area < EQUAL_AREA * areas.min()]
    return Box(sides_mm=np.mean(alike, axis=0), corners_mm=found[int(areas.argmin())].corners_mm)


def across_flats_mm(plan: Plan) -> float | None:
    """Mean distance of opposite sides of a regular polygon with an even number of sides; None for other plans."""
    n = len(plan.corners_mm)
    if n < 6 or n % 2 or not is_regular(plan.corners_mm):
        return None
    inward = _inward(_ways(plan.corners_mm))
    middles = (plan.corners_mm + np.roll(plan.corners_mm, -1, axis=0)) / 2
    opposite = np.roll(middles, -n // 2, axis=0) - middles
    return float((opposite * inward).sum(axis=1).mean())


def outline_mm(plan: Plan, *, arc_points: int = 8) -> Floats:
    """Points (k, 2) all along the plan's edge, clockwise in a picture."""
    if plan.is_disc:
        angle = np.linspace(0, 2 * np.pi, 12 * arc_points, endpoint=False)
        return np.asarray(plan.centre_mm + plan.radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]))
    centres, out = arc_centres(plan.corners_mm, plan.radius_mm), -_inward(_ways(plan.corners_mm))
    parts = []
    for centre, before, after in zip(centres, np.roll(out, 1, axis=0), out, strict=True):
        first, turn = math.atan2(before[1], before[0]), _turn(before, after)
        angle = first + np.linspace(0, turn, arc_points if plan.radius_mm > 0 else 1)
        parts.append(centre + plan.radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(parts)


def _turn(before: Floats, after: Floats) -> float:
    cross, dot = before[0] * after[1] - before[1] * after[0], float(before @ after)
    return math.atan2(float(cross), dot)


def _ways(corners: Floats) -> Floats:
    """Unit vectors (n, 2) from each corner to the next."""
    ways = np.roll(corners, -1, axis=0) - corners
    return np.asarray(ways / np.linalg.norm(ways, axis=1)[:, None])


def _inward(ways: Floats) -> Floats:
    return np.column_stack([-ways[:, 1], ways[:, 0]])


def _box_along(centres: Floats, way: Floats, radius: float) -> Box:
    axes = np.array([way, [-way[1], way[0]]])
    along = centres @ axes.T
    low, high = along.min(axis=0) - radius, along.max(axis=0) + radius
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]]) @ axes
    return Box(sides_mm=np.sort(high - low), corners_mm=corners)

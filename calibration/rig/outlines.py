"""Plans of pieces: convex polygons with rounded corners, as exact signed distances.

A rounded polygon is the set of points no further than the radius from the polygon inset by that radius; so a disc is
a single point with a radius, and a square corner a radius of zero.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.scene import Outline, Xy

Floats = NDArray[np.float64]


def rectangle_outline(
    width_mm: float, height_mm: float, *, radius_mm: float = 0.0, shear_deg: float = 0.0, taper_mm: float = 0.0
) -> Outline:
    """A card's plan: a rectangle, sheared by `shear_deg`, its top side wider than its bottom side by `taper_mm`."""
    w, h, q = width_mm / 2, height_mm / 2, taper_mm / 4
    lean = h * math.tan(math.radians(shear_deg))
    corners: tuple[Xy, ...] = ((lean - w - q, -h), (lean + w + q, -h), (w - q - lean, h), (q - w - lean, h))
    return Outline(corners_mm=corners, radius_mm=radius_mm)


def regular_outline(sides: int, across_flats_mm: float, *, radius_mm: float = 0.0) -> Outline:
    """A regular polygon; `sides` = 1 makes a disc of that diameter."""
    if sides == 1:
        return Outline(corners_mm=((0.0, 0.0),), radius_mm=across_flats_mm / 2)
    r = across_flats_mm / 2 / math.cos(math.pi / sides)
    angles = [2 * math.pi * (i + 0.5) / sides - math.pi / 2 - 2 * math.pi / sides for i in range(sides)]
    return Outline(corners_mm=tuple((r * math.cos(a), r * math.sin(a)) for a in angles), radius_mm=radius_mm)


def inset(outline: Outline) -> Floats:
    """The polygon inset by the corner radius, (n, 2): what `signed_distance` takes as `vertices`."""
    corners = np.array(outline.corners_mm, float)
    if len(corners) < 3 or outline.radius_mm == 0:
        return corners
    before, after = np.roll(corners, 1, 0) - corners, np.roll(corners, -1, 0) - corners
    before /= np.linalg.norm(before, axis=1)[:, None]
    after /= np.linalg.norm(after, axis=1)[:, None]
    half = np.arccos(np.clip((before * after).sum(1), -1, 1)) / 2
    middle = before + after
    middle /= np.linalg.norm(middle, axis=1)[:, None]
    return np.asarray(corners + middle * (outline.radius_mm / np.sin(half))[:, None])


@compiled
def signed_distance(vertices: Floats, count: int, radius: float, x: float, y: float) -> float:
    """Distance of (x, y) outside the outline, negative inside. Exact outside and on the outline."""
    px, py = x - vertices[0, 0], y - vertices[0, 1]
    squared = px * px + py * py
    sign = 1.0
    j = count - 1
    for i in range(count):
        ex, ey = vertices[j, 0] - vertices[i, 0], vertices[j, 1] - vertices[i, 1]
        wx, wy = x - vertices[i, 0], y - vertices[i, 1]
        length = ex * ex + ey * ey
        f = 0.0
        if length > 0:
            f = min(max((wx * ex + wy * ey) / length, 0.0), 1.0)
        bx, by = wx - ex * f, wy - ey * f
        squared = min(squared, bx * bx + by * by)
        above, below, left = y >= vertices[i, 1], y < vertices[j, 1], ex * wy > ey * wx
        if (above and below and left) or not (above or below or left):
            sign = -sign
        j = i
    return sign * math.sqrt(squared) - radius


@compiled_apart
def outward(vertices: Floats, count: int, radius: float, x: float, y: float) -> tuple[float, float]:
    """Unit normal of the outline at (x, y), outwards."""
    e = 1e-4
    gx = signed_distance(vertices, count, radius, x + e, y) - signed_distance(vertices, count, radius, x - e, y)
    gy = signed_distance(vertices, count, radius, x, y + e) - signed_distance(vertices, count, radius, x, y - e)
    norm = math.sqrt(gx * gx + gy * gy)
    if norm == 0:
        return 1.0, 0.0
    return gx / norm, gy / norm

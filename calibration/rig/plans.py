"""What is true of plans that are no rectangles: the smallest rectangle around them, diameter, width across flats."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.outlines import inset
from calibration.rig.scene import Card, Outline


def plan_corners(outline: Outline) -> NDArray[np.float64]:
    """A polygon (n, 2) that holds the plan: its corners, or for a disc a square around it."""
    if len(outline.corners_mm) >= 3:
        return np.array(outline.corners_mm, np.float64)
    return np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * outline.radius_mm


def enclosing_mm(outline: Outline) -> tuple[float, float]:
    """Sides of the smallest rectangle around a plan, which lies along one of its sides."""
    if len(outline.corners_mm) < 3:
        return 2 * outline.radius_mm, 2 * outline.radius_mm
    core = inset(outline)
    sides = np.roll(core, -1, 0) - core
    best = (math.inf, (0.0, 0.0))
    for way in sides / np.linalg.norm(sides, axis=1)[:, None]:
        across = np.array([-way[1], way[0]])
        a, b = (float(np.ptp(core @ axis)) + 2 * outline.radius_mm for axis in (way, across))
        best = min(best, (a * b, (a, b)))
    return best[1]


def plan_truth(card: Card) -> dict[str, float]:
    """What is true of a component that is no rectangle: diameter, or width across flats of a regular plan."""
    if card.shape == "circle":
        return {"diameter_mm": round(2 * card.outline.radius_mm, 5)}
    corners = np.array(card.outline.corners_mm)
    if card.shape != "polygon" or len(corners) % 2:
        return {}
    sides = np.roll(corners, -1, 0) - corners
    lengths = np.linalg.norm(sides, axis=1)
    flats = [_across(corners, k) for k in range(len(corners) // 2)]
    if np.ptp(lengths) > 0.01 or max(flats) - min(flats) > 0.01:
        return {}
    return {"across_flats_mm": round(float(np.mean(flats)), 5)}


def _across(corners: NDArray[np.float64], side: int) -> float:
    """Distance of a side from the opposite one."""
    way = corners[(side + 1) % len(corners)] - corners[side]
    off = corners[(side + len(corners) // 2) % len(corners)] - corners[side]
    return float(abs(way[0] * off[1] - way[1] * off[0]) / np.linalg.norm(way))

"""Plans through points of their edges: straight sides one by one, circles as a whole, both by robust least squares."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.shapes.plans import Plan, disc, polygon

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

ROUNDS = 12
HUBER = 1.5
"""Residuals beyond so many times the median size lose weight."""


def robust_weights(residuals: Floats, weights: Floats, *, floor: float) -> Floats:
    """The weights (n,), less where residuals (n,) stand out; `floor`: what no residual is held to be large below."""
    size = np.abs(residuals)
    limit = max(HUBER * 1.48 * float(np.median(size[weights > 0], axis=0)) if (weights > 0).any() else floor, floor)
    return np.asarray(weights * np.minimum(1.0, limit / np.maximum(size, 1e-12)))


def fitted(plan: Plan, points_mm: Floats, side: Ints, weights: Floats) -> Plan:
    """A plan of the same kind through points (n, 2) on its sides (n,), with fixed weights (n,)."""
    if plan.is_disc:
        return _disc(plan, points_mm, weights)
    lines = [_line(points_mm[side == k], weights[side == k]) for k in range(len(plan.corners_mm))]
    corners = np.array([_meet(lines[k - 1], lines[k]) for k in range(len(lines))])
    return polygon(corners, plan.radius_mm)


def residuals_mm(plan: Plan, points_mm: Floats, side: Ints) -> Floats:
    """How far (n,) outside the plan's edge the points (n, 2) lie."""
    if plan.is_disc:
        return np.asarray(np.linalg.norm(points_mm - plan.centre_mm, axis=1) - plan.radius_mm)
    corners = plan.corners_mm
    ways = np.roll(corners, -1, axis=0) - corners
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    out = np.column_stack([ways[:, 1], -ways[:, 0]])
    return np.asarray(((points_mm - corners[side]) * out[side]).sum(axis=1))


def robustly_fitted(
    plan: Plan, points_mm: Floats, side: Ints, weights: Floats, *, floor_mm: float
) -> tuple[Plan, Floats]:
    """The same with outliers losing weight; the plan, and the weights (n,) they ended with."""
    now = weights
    for _ in range(ROUNDS):
        plan = fitted(plan, points_mm, side, now)
        off = residuals_mm(plan, points_mm, side)
        if plan.is_disc:
            now = robust_weights(off, weights, floor=floor_mm)
        else:
            for k in range(len(plan.corners_mm)):
                now = np.where(side == k, 0.0, now)
                now[side == k] = robust_weights(off[side == k], weights[side == k], floor=floor_mm)
    return fitted(plan, points_mm, side, now), now


def _disc(plan: Plan, points: Floats, weights: Floats) -> Plan:
    """Geometric fit by Gauss and Newton's method."""
    x, y, r = (*plan.centre_mm, plan.radius_mm)
    for _ in range(6):
        spoke = points - [x, y]
        away = np.linalg.norm(spoke, axis=1)
        j = np.column_stack([-spoke / away[:, None], -np.ones(len(points))])
        step = np.linalg.solve((j * weights[:, None]).T @ j, -(j * weights[:, None]).T @ (away - r))
        x, y, r = x + step[0], y + step[1], r + step[2]
        if np.abs(step).max() < 1e-9:
            break
    return disc(np.array([x, y]), float(r))


def _line(points: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """A point of the best line and its direction."""
    middle = weights @ points / weights.sum()
    d = points - middle
    moments = (d * weights[:, None]).T @ d
    angle = 0.5 * np.arctan2(2 * moments[0, 1], moments[0, 0] - moments[1, 1])
    return middle, np.array([np.cos(angle), np.sin(angle)])


def _meet(first: tuple[Floats, Floats], second: tuple[Floats, Floats]) -> Floats:
    (p, d), (q, e) = first, second
    return np.asarray(p + np.linalg.solve(np.column_stack([d, -e]), q - p)[0] * d)

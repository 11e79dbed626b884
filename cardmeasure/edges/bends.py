"""Sides that are not straight in the picture, for all that the lens is allowed for: curled, worn or bent cards."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles

Floats = NDArray[np.floating[Any]]

FEWEST = 5
LEAST_PX, MOST_PX = 0.15, 4.0
"""A smaller bend is noise, a larger one another edge."""
ROUNDS = 4


def course_px(points: EdgePoints, residuals_px: Floats, profiles: Profiles) -> Floats:
    """How far outside a straight side its edge runs at each stretch (n,), from an earlier pass's points (m,).

    Small residuals are noise and count for little. The profiles lie in the order of their sides.
    """
    soft = residuals_px**3 / (residuals_px**2 + LEAST_PX**2)
    soft = np.clip(soft, -MOST_PX, MOST_PX)
    mine, wanted = points.side_number, profiles.card * qd.SIDES + profiles.side
    course = np.zeros(len(wanted))
    order = np.lexsort((points.along, mine))
    mine, place, soft = mine[order], points.along[order], soft[order]
    numbers = np.arange(points.u_bias_px.size + 1)
    known, asked = (np.searchsorted(of, numbers).tolist() for of in (mine, wanted))
    for side in np.unique(mine).tolist():
        seen, here = slice(known[side], known[side + 1]), slice(asked[side], asked[side + 1])
        course[here] = np.interp(profiles.along[here], place[seen], soft[seen])
    return course


def bow(along: Floats) -> Floats:
    """A unit bend at places along a side: a parabola that is 1 higher in the middle than at the ends, 0 on average."""
    return np.asarray(1 / 3 - along**2)


def bends_px(points: EdgePoints, residuals_px: Floats) -> Floats:
    """How much each side (n,) bends outwards, from its points' residuals (m,): sums of distances count, not squares."""
    fit, _ = parabolas(points, residuals_px)
    enough = np.bincount(points.side_number, minlength=len(fit)) >= FEWEST
    bends = np.where(enough, fit[:, 2], 0.0)
    return np.where(np.abs(bends) < LEAST_PX, 0.0, np.clip(bends, -MOST_PX, MOST_PX))


def parabolas(points: EdgePoints, residuals_px: Floats) -> tuple[Floats, Floats]:
    """Level, slope and bend of each side (n, 3), fitted to its points' residuals (m,), and what they leave of these."""
    sides = points.u_bias_px.size
    key = points.side_number
    count = np.bincount(key, minlength=sides)
    basis = np.stack([np.ones(len(key)), points.along, bow(points.along)])
    cell = (np.arange(12)[:, None] * sides + key).ravel()
    weight: Floats = np.ones(len(key))
    fit: Floats = np.zeros((sides, 3))
    left = residuals_px
    for _ in range(ROUNDS):
        scaled = basis * weight
        products = np.concatenate([(scaled[:, None] * basis).reshape(9, -1), scaled * residuals_px])
        sums = np.bincount(cell, products.ravel(), minlength=12 * sides).reshape(12, sides).T
        fit = np.linalg.solve(sums[:, :9].reshape(-1, 3, 3) + 1e-9 * np.eye(3), sums[:, 9:, None])[..., 0]
        left = residuals_px - (basis * fit.T[:, key]).sum(axis=0)
        off = np.abs(left)
        usual = np.bincount(key, off, minlength=sides) / np.maximum(count, 1)
        weight = 1 / np.maximum(off, np.maximum(0.05, usual[key]))
    return fit, left

"""How far edge points scatter, as each side shows it, and how far the whole side may be off for the same reasons.

A plain border's scatter by 0.005 px, those of a picture that runs off the edge by 0.05 px, which no stretch can tell of
itself. Weighed so, the plain ones say more of the lens. What moves short stretches of a side, wear, ragged shadows and
what a phone does to its pictures, moves longer ones, too, and by more: the whole side by a multiple of that.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.bends import parabolas
from cardmeasure.edges.points import EdgePoints

Floats = NDArray[np.floating[Any]]

AS_SURE_AS = 4
"""What a stretch says of itself counts as much as so many residuals of its side."""
OUTLIER = 3.0
"""A residual counts as so many times its side's mean one at most."""
LEAST_PX = 0.01
"""No side is believed to scatter by less: lower gained nothing on rendered shots, not the study's."""
CURVE = 3
"""Unknowns of the curve through a side's points."""
OF_WHOLE_SIDE = 3.9
"""By how many times what neighbouring points have in common a side is off as a whole: see `U_SHARE` of
`edges.measuring`, with which it was found."""
LIKE_OTHERS = 4
"""Of that, what all sides of the photo say of one counts as much as so many of its own points."""


def with_own_scatter(points: EdgePoints, residuals_px: Floats) -> EdgePoints:
    """The points (m,), and their whole sides, with u as the scatter about a smooth course makes it.

    residuals_px : (m,), of the points about sides nearly in place, outward positive.
    """
    _, left = parabolas(points, residuals_px)
    key, sides = points.side_number, points.u_bias_px.size
    count = np.bincount(key, minlength=sides)
    usual = np.bincount(key, np.abs(left), minlength=sides) / np.maximum(count, 1)
    square = np.bincount(key, np.minimum(np.abs(left), OUTLIER * usual[key]) ** 2, minlength=sides)
    free = np.maximum(count - CURVE, 0)
    u = np.sqrt((AS_SURE_AS * points.u_px**2 + square[key]) / (AS_SURE_AS + free[key]))
    u_side = OF_WHOLE_SIDE * _in_common_px(points, left, count).reshape(points.u_bias_px.shape)
    return replace(points, u_px=np.maximum(u, LEAST_PX), u_bias_px=np.hypot(points.u_bias_px, u_side))


def _in_common_px(points: EdgePoints, left_px: Floats, count: NDArray[np.intp]) -> Floats:
    """What neighbouring points of each side (n,) have in common, root of the covariance of what a smooth course leaves.

    Noise and the picture on a face differ from point to point. Taking off a curve with three unknowns makes neighbours
    differ by a little more than they do, which is put right.
    """
    order = np.lexsort((points.along, points.side_number))
    side, left = points.side_number[order], left_px[order]
    limit = OUTLIER * float(np.sqrt(np.mean(left**2))) if len(left) else 0.0
    left = np.clip(left, -limit, limit)
    together = np.flatnonzero(side[1:] == side[:-1])
    sides = len(count)
    pairs = np.bincount(side[together], minlength=sides)
    products = np.bincount(side[together], left[together] * left[together + 1], minlength=sides)
    squares = np.bincount(side, left**2, minlength=sides)
    covariance = products + pairs * CURVE * squares / np.maximum(count, 1) ** 2
    usual = float(covariance.sum() / max(pairs.sum(), 1))
    shared = (covariance + LIKE_OTHERS * usual) / (pairs + LIKE_OTHERS)
    return np.asarray(np.sqrt(np.maximum(shared, 0.0)))

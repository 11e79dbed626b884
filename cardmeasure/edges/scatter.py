"""How far edge points scatter, as each side shows it.

A plain border's scatter by 0.005 px, those of a picture that runs off the edge by 0.05 px, which no stretch can tell of
itself. Weighed so, the plain ones say more of the lens.
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


def with_own_scatter(points: EdgePoints, residuals_px: Floats) -> EdgePoints:
    """The points (m,) with u as their own sides' scatter about a smooth course makes it.

    residuals_px : (m,), of the points about sides nearly in place, outward positive.
    """
    _, left = parabolas(points, residuals_px)
    key, sides = points.side_number, points.u_bias_px.size
    count = np.bincount(key, minlength=sides)
    usual = np.bincount(key, np.abs(left), minlength=sides) / np.maximum(count, 1)
    square = np.bincount(key, np.minimum(np.abs(left), OUTLIER * usual[key]) ** 2, minlength=sides)
    free = np.maximum(count - CURVE, 0)
    u = np.sqrt((AS_SURE_AS * points.u_px**2 + square[key]) / (AS_SURE_AS + free[key]))
    return replace(points, u_px=np.maximum(u, LEAST_PX))

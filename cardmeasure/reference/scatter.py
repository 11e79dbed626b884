"""How far printed points scatter about where they were printed, as their own photo shows it.

Noise, blur and compression make the same fit good to 0.008 px in one photo and to 0.04 px in the next. What a
homography and a lens leave of a square's points shows which of these a photo is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import apply_homography

Floats = NDArray[np.floating[Any]]

USUAL_PX, AS_SURE_AS = 0.015, 20
"""Scatter in most photos (rendered shots, not the study's), taken for as sure as so many residuals of the photo's own
say; with few points it is all there is to go by."""
LEAST_PX = 0.012
"""A lens shifts colours against each other, which the points' own scatter does not show."""
LENS_DEGREE = 4
"""Of the polynomial that a lens moves a square's points by, beside the homography."""


def u_points_px(points_mm: Floats, points_px: Floats, homography: Floats) -> float:
    """Standard uncertainty of a coordinate of a square's printed points, px.

    points_mm, points_px : (n, 2), where they are printed and seen. homography : (3, 3), fitted to them.
    """
    x, y = (points_mm / np.abs(points_mm).max()).T
    lens = np.column_stack([x**i * y**k for i in range(LENS_DEGREE + 1) for k in range(LENS_DEGREE + 1 - i)])
    away = points_px - apply_homography(homography, points_mm)
    left = away - lens @ np.linalg.lstsq(lens, away, rcond=None)[0]
    # the homography's quadratic part lies within the polynomial
    free = max(left.size - 2 * lens.shape[1], 0)
    square = float((left**2).sum()) if free else 0.0
    return max(LEAST_PX, float(np.sqrt((AS_SURE_AS * USUAL_PX**2 + square) / (AS_SURE_AS + free))))

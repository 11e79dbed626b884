"""Corners from lines fitted to the sides of rough contours."""

from __future__ import annotations

import numpy as np
import pytest

from cardmeasure.outlines.pieces import all_fitted_corners, fitted_corners

CARD = np.array([[0.0, 0.0], [63.0, 0.0], [63.0, 88.0], [0.0, 88.0]])


def contour(corners: np.ndarray, *, count: int, off_mm: float = 0.0) -> np.ndarray:
    """Points (4 count, 2) around a quadrilateral, some of them off by so much."""
    t = (np.arange(count)[:, None] + 0.5) / count
    points = np.concatenate([(1 - t) * corners[k] + t * corners[(k + 1) % 4] for k in range(4)])
    points[::7] += off_mm
    return points


def test_corners_are_where_the_sides_cross_whatever_a_few_points_say() -> None:
    askew = CARD + np.array([[0.0, 0.4], [0.3, 0.0], [0.0, -0.5], [0.2, 0.0]])
    np.testing.assert_allclose(fitted_corners(contour(askew, count=40), CARD), askew, atol=0.01)
    np.testing.assert_allclose(fitted_corners(contour(askew, count=40, off_mm=3.0), CARD), askew, atol=0.1)


@pytest.mark.parametrize("few", [2, 9])
def test_a_contour_with_few_points_keeps_the_rectangle_s_corners(few: int) -> None:
    np.testing.assert_array_equal(fitted_corners(contour(CARD + 1.0, count=few), CARD), CARD)


def test_many_contours_are_fitted_as_each_alone() -> None:
    turned = CARD @ np.array([[0.8, 0.6], [-0.6, 0.8]]) + 40.0
    rectangles = np.array([CARD, turned, CARD])
    contours = [contour(CARD + 0.4, count=30), contour(turned - 0.3, count=55), contour(CARD + 1.0, count=3)]
    each = [fitted_corners(mm, corners) for mm, corners in zip(contours, rectangles, strict=True)]
    np.testing.assert_allclose(all_fitted_corners(contours, rectangles), each, atol=1e-9)

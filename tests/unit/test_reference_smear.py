"""The direction in which a photo is blurred, from the printed check."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from square_pictures import developed, lay_square, table

from cardmeasure.edges.measuring import Conditions
from cardmeasure.reference.design import SQUARE_80
from cardmeasure.reference.smear import blur_covariance_px2

WIDE_PX, NARROW_PX = 5.0, 1.5


def _covariance(sigma_x_px: float, sigma_y_px: float, *, turn_deg: float = 0.0) -> np.ndarray:
    light = table(900, 800)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    h = np.array([[8.0, 0.0, 449.3], [0.0, 8.0, 400.2], [0.0, 0.0, 1.0]]) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    lay_square(light, SQUARE_80, h)
    smeared = np.asarray(cv2.GaussianBlur(light, (0, 0), sigmaX=sigma_x_px, sigmaY=sigma_y_px), np.float64)
    green = developed(smeared, blur_px=0.0, tone=lambda value: value)
    mean = float(np.sqrt((sigma_x_px**2 + sigma_y_px**2) / 2))
    return blur_covariance_px2(green, h, SQUARE_80.saddles_mm, cell_mm=SQUARE_80.cell_mm, blur_px=mean)


@pytest.mark.parametrize(("x", "y"), [(WIDE_PX, NARROW_PX), (NARROW_PX, WIDE_PX), (2.0, 2.0)])
@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
def test_blur_across_edges_of_either_direction(x: float, y: float, turn_deg: float) -> None:
    """To a tenth, whichever way the print lies."""
    covariance = _covariance(x, y, turn_deg=turn_deg)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), [x, y], rtol=0.1)


def test_a_side_sees_the_blur_across_it() -> None:
    """Upright sides, whose normals lie along the rows, all of it; those at 45 degrees the mean of the squares."""
    conditions = Conditions(
        blur_px=3.0, white=0.8, paper_mm=0.1, u_thickness_mm=0.05, blur_covariance_px2=np.diag([25.0, 1.0])
    )
    normals = np.array([[1.0, 0.0], [0.0, -1.0], [np.sqrt(0.5), np.sqrt(0.5)]])
    np.testing.assert_allclose(conditions.blur_across_px(normals), [5.0, 1.0, np.sqrt(13)])
    plain = Conditions(blur_px=3.0, white=0.8, paper_mm=0.1, u_thickness_mm=0.05)
    np.testing.assert_allclose(plain.blur_across_px(normals), 3.0)

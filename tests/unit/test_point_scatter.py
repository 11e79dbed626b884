"""How far printed points scatter, told from what a homography and a lens leave of a square's points."""

from __future__ import annotations

import numpy as np
import pytest

from cardmeasure.geometry import apply_homography, fit_homography
from cardmeasure.reference.scatter import LEAST_PX, USUAL_PX, u_points_px

GRID_MM = np.stack(np.meshgrid(np.linspace(-36, 36, 11), np.linspace(-36, 36, 11)), axis=-1).reshape(-1, 2)
SLANTED = np.array([[10.0, 0.4, 1900.0], [-0.3, 9.0, 1400.0], [2e-4, -4e-4, 1.0]])


def _seen(scatter_px: float, *, points_mm: np.ndarray = GRID_MM, lens: float = 3e-8) -> np.ndarray:
    """The points through a slanted view and a lens that bends the square by some tenths of a pixel."""
    px = apply_homography(SLANTED, points_mm)
    away = px - [2000.0, 1500.0]
    bent = px + away * lens * (away**2).sum(axis=1, keepdims=True) / 100
    return bent + np.random.default_rng(5).normal(0, scatter_px, px.shape)


@pytest.mark.parametrize("scatter_px", [0.012, 0.03, 0.06])
def test_the_scatter_of_a_square_is_found_to_a_sixth(scatter_px: float) -> None:
    px = _seen(scatter_px)
    u = u_points_px(GRID_MM, px, fit_homography(GRID_MM, px))
    assert u == pytest.approx(np.sqrt((20 * USUAL_PX**2 + 212 * scatter_px**2) / 232), rel=1 / 6)


def test_no_points_are_better_than_lenses_let_them_be() -> None:
    px = _seen(0.0)
    assert u_points_px(GRID_MM, px, fit_homography(GRID_MM, px)) == pytest.approx(LEAST_PX)


def test_few_points_say_nothing_beyond_what_is_usual() -> None:
    few = GRID_MM[[0, 3, 10, 60, 70, 110, 120]]
    px = _seen(0.2, points_mm=few)
    assert u_points_px(few, px, fit_homography(few, px)) == pytest.approx(USUAL_PX)

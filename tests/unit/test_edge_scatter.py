"""How far edge points scatter, told from each side's own residuals about a smooth course."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.scatter import LEAST_PX, with_own_scatter

STATED_PX = 0.02


def _points(per_side: int, cards: int = 3) -> EdgePoints:
    side = np.tile(np.repeat(np.arange(4), per_side), cards)
    n = len(side)
    return EdgePoints(
        card=np.repeat(np.arange(cards), 4 * per_side), side=side,
        along=np.tile(np.linspace(-0.9, 0.9, per_side), 4 * cards),
        px=np.zeros((n, 2)), normal=np.tile([1.0, 0.0], (n, 1)), u_px=np.full(n, STATED_PX), tone_px=np.zeros(n),
        brighter=np.ones(n, bool),
        u_bias_px=np.full((cards, 4), 0.05),
    )  # fmt: skip


def _scattered(points: EdgePoints, scatter_px: NDArray[np.float64], *, seed: int = 7) -> NDArray[np.float64]:
    """Residuals with a scatter of each side's own (cards * 4,), on a level, a slope and a bend of its own."""
    rng = np.random.default_rng(seed)
    key = points.card * 4 + points.side
    level, slope, bend = rng.normal(0, 0.5, (3, len(scatter_px)))[:, key]
    return level + slope * points.along + bend * points.along**2 + rng.normal(0, scatter_px[key])


def test_each_side_gets_the_scatter_that_it_shows() -> None:
    """For 40 points a side to a quarter, whatever level, slope and bend the side has."""
    points, scatter = _points(40), np.tile([0.015, 0.03, 0.06, 0.12], 3)
    u = with_own_scatter(points, _scattered(points, scatter)).u_px.reshape(12, 40)
    np.testing.assert_array_equal(u.max(axis=1), u.min(axis=1))
    np.testing.assert_allclose(u[:, 0], scatter, rtol=0.25)


def test_no_side_is_surer_than_sampling_lets_it_be() -> None:
    points = _points(40)
    u = with_own_scatter(points, _scattered(points, np.zeros(12))).u_px
    np.testing.assert_allclose(u, LEAST_PX)


@pytest.mark.parametrize("per_side", [1, 2, 3])
def test_too_few_points_keep_what_they_say_of_themselves(per_side: int) -> None:
    points = _points(per_side)
    u = with_own_scatter(points, _scattered(points, np.full(12, 0.3))).u_px
    np.testing.assert_allclose(u, STATED_PX, rtol=1e-6)


def test_a_single_point_off_its_side_hardly_counts() -> None:
    """One of 20 off by 1 px, fifty times the scatter: u stays below four times as much."""
    points = _points(20)
    residuals = _scattered(points, np.full(12, 0.02))
    residuals[5] += 1.0
    u = with_own_scatter(points, residuals).u_px.reshape(12, 20)
    assert u[0, 0] < 0.08
    assert u[1:].max() < 0.04

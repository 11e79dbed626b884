"""Quadrilaterals: corners to parameters and back, sides run clockwise, derivatives against differences."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from cardmeasure import quads as qd

Floats = NDArray[np.float64]


def _about(size: float) -> st.SearchStrategy[float]:
    return st.floats(-size, size, allow_nan=False)


@st.composite
def quads(draw: st.DrawFn) -> Floats:
    """A card somewhere on the table, visibly out of square in every way."""
    place = [draw(_about(300.0)), draw(_about(300.0)), draw(st.floats(-3.14, 3.14))]
    size = [draw(st.floats(20.0, 150.0)), draw(st.floats(20.0, 150.0))]
    return np.array([*place, *size, draw(_about(0.05)), draw(_about(2.0)), draw(_about(2.0)), draw(_about(5.0))])


places = st.tuples(_about(1.0), _about(1.0))


@given(quad=quads())
def test_all_eight_freedoms_of_the_corners_come_back(quad: Floats) -> None:
    corners = qd.corners_mm(quad)
    np.testing.assert_allclose(corners[:, 2], -quad[qd.ELEVATION])
    back = qd.quad_from_corners(corners[:, :2], elevation_mm=float(quad[qd.ELEVATION]))
    np.testing.assert_allclose(back, quad, rtol=0, atol=1e-9)


@given(quad=quads(), shifts=st.lists(_about(2.0), min_size=8, max_size=8))
def test_any_four_corners_come_back(quad: Floats, shifts: list[float]) -> None:
    corners = qd.corners_mm(quad)[:, :2] + np.array(shifts).reshape(4, 2)
    again = qd.corners_mm(qd.quad_from_corners(corners, elevation_mm=0.2))
    np.testing.assert_allclose(again[:, :2], corners, rtol=0, atol=1e-9)


@given(quad=quads(), place=places)
def test_derivatives_are_those_of_differences(quad: Floats, place: tuple[float, float]) -> None:
    at = np.array([place])
    points, jacobian = qd.world_points_with_jacobian(quad[None], at)
    np.testing.assert_allclose(points, qd.world_points(quad[None], at), rtol=0, atol=1e-12)
    for k in range(qd.PARAMETERS):
        step = np.zeros(qd.PARAMETERS)
        step[k] = 1e-5
        numeric = (qd.world_points((quad + step)[None], at) - qd.world_points((quad - step)[None], at)) / 2e-5
        np.testing.assert_allclose(jacobian[:, :, k], numeric, rtol=0, atol=1e-6, err_msg=f"parameter {k}")


@given(quad=quads())
def test_sides_run_clockwise_from_corner_to_corner(quad: Floats) -> None:
    corners = qd.corners_mm(quad)
    for side in range(qd.SIDES):
        ends = qd.side_places(np.array([side, side]), np.array([-1.0, 1.0]))
        world = qd.world_points(np.repeat(quad[None], 2, axis=0), ends)
        np.testing.assert_allclose(world, corners[[side, (side + 1) % 4]], rtol=0, atol=1e-9)


@given(quad=quads(), along=st.lists(_about(1.0), min_size=1, max_size=5), side=st.integers(0, 3))
def test_points_of_a_side_lie_on_its_straight_line(quad: Floats, along: list[float], side: int) -> None:
    n = len(along)
    at = qd.side_places(np.full(n, side), np.array(along))
    world = qd.world_points(np.repeat(quad[None], n, axis=0), at)
    a, b = qd.corners_mm(quad)[[side, (side + 1) % 4]]
    share = (1 + np.array(along))[:, None] / 2
    np.testing.assert_allclose(world, a + share * (b - a), rtol=0, atol=1e-9)


@given(quad=quads())
def test_width_and_height_are_the_mean_lengths_between_opposite_sides(quad: Floats) -> None:
    """Along the card's own axes: shear and tapers change neither."""
    middles = qd.side_places(np.arange(4), np.zeros(4))
    top, right, bottom, left = qd.world_points(np.repeat(quad[None], 4, axis=0), middles)
    turn = quad[qd.TURN]
    down = np.array([-np.sin(turn), np.cos(turn), 0.0])
    across = np.array([np.cos(turn), np.sin(turn), 0.0])
    assert np.isclose((bottom - top) @ down, quad[qd.HEIGHT], rtol=0, atol=1e-9)
    assert np.isclose((right - left) @ across, quad[qd.WIDTH], rtol=0, atol=1e-9)

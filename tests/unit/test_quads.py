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
def flat_quads(draw: st.DrawFn) -> Floats:
    """A card somewhere on the table, visibly out of square in every way."""
    place = [draw(_about(300.0)), draw(_about(300.0)), draw(st.floats(-3.14, 3.14))]
    size = [draw(st.floats(20.0, 150.0)), draw(st.floats(20.0, 150.0))]
    out_of_square = [draw(_about(0.05)), draw(_about(2.0)), draw(_about(2.0))]
    return np.array([*place, *size, *out_of_square, draw(_about(5.0)), *np.zeros(5)])


rises = st.floats(0.01, 3.0) | st.floats(-3.0, -0.01)
"""Away from none, where derivatives jump."""


@st.composite
def quads(draw: st.DrawFn) -> Floats:
    """Such a card, curled both ways, twisted and askew."""
    quad = draw(flat_quads())
    quad[[qd.RISE_WIDTH, qd.RISE_HEIGHT]] = draw(rises), draw(rises)
    quad[[qd.TWIST, qd.SLOPE_WIDTH, qd.SLOPE_HEIGHT]] = draw(_about(2.0)), draw(_about(1.0)), draw(_about(1.0))
    return quad


places = st.tuples(_about(1.0), _about(1.0))


@given(quad=flat_quads())
def test_all_eight_freedoms_of_the_corners_come_back(quad: Floats) -> None:
    corners = qd.corners_mm(quad)
    np.testing.assert_allclose(corners[:, 2], -quad[qd.ELEVATION])
    back = qd.quads_from_corners(corners[:, :2], elevation_mm=float(quad[qd.ELEVATION]))
    np.testing.assert_allclose(back, quad, rtol=0, atol=1e-9)


@given(quad=flat_quads(), shifts=st.lists(_about(2.0), min_size=8, max_size=8))
def test_any_four_corners_come_back(quad: Floats, shifts: list[float]) -> None:
    corners = qd.corners_mm(quad)[:, :2] + np.array(shifts).reshape(4, 2)
    again = qd.corners_mm(qd.quads_from_corners(corners, elevation_mm=0.2))
    np.testing.assert_allclose(again[:, :2], corners, rtol=0, atol=1e-9)


@given(quad=quads(), place=places)
def test_derivatives_are_those_of_differences(quad: Floats, place: tuple[float, float]) -> None:
    at = np.array([place])
    along_axes = [qd.by_parameters(qd.laid(quad[None], at), axis[:, None]) for axis in np.eye(3)]
    jacobian = np.stack(along_axes, axis=0)[..., 0][None]
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


@given(quad=flat_quads(), along=st.lists(_about(1.0), min_size=1, max_size=5), side=st.integers(0, 3))
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


def _height(quad: Floats, place: tuple[float, float]) -> float:
    return -float(qd.world_points(quad[None], np.array([place]))[0, 2])


@given(quad=quads(), place=places)
def test_a_curled_card_stands_up_by_its_rise_about_its_elevation(quad: Floats, place: tuple[float, float]) -> None:
    """With a positive rise rims stand up, with a negative one the middle does; seen from above nothing changes."""
    quad = quad.copy()
    quad[[qd.TWIST, qd.SLOPE_WIDTH, qd.SLOPE_HEIGHT]] = 0.0
    width, height = quad[[qd.RISE_WIDTH, qd.RISE_HEIGHT]]
    base = quad[qd.ELEVATION]
    assert np.isclose(_height(quad, (1.0, 0.0)) - _height(quad, (0.0, 0.0)), width, rtol=0, atol=1e-9)
    assert np.isclose(_height(quad, (0.0, -1.0)) - _height(quad, (0.0, 0.0)), height, rtol=0, atol=1e-9)
    assert np.isclose(_height(quad, (0.5, 0.0)) - _height(quad, (0.0, 0.0)), width / 4, rtol=0, atol=1e-9)
    nodes, weights = np.polynomial.legendre.leggauss(3)
    mean = sum(w * v * _height(quad, (a, b)) for a, w in zip(nodes, weights, strict=True)
               for b, v in zip(nodes, weights, strict=True)) / 4  # fmt: skip
    assert np.isclose(mean, base, rtol=0, atol=1e-9)
    lowest = (float(width < 0), float(height < 0))
    assert _height(quad, place) > _height(quad, lowest) - 1e-9
    flat = quad.copy()
    flat[[qd.RISE_WIDTH, qd.RISE_HEIGHT]] = 0.0
    plan = [qd.world_points(q[None], np.array([place]))[0, :2] for q in (quad, flat)]
    np.testing.assert_array_equal(*plan)


@given(chord=st.floats(30.0, 150.0), rise=st.floats(-2.0, 2.0), thickness=st.floats(0.2, 1.5))
def test_a_card_laid_flat_is_as_long_as_the_middle_of_its_board(chord: float, rise: float, thickness: float) -> None:
    """Against the circle through both ends of the top face: its arc, half a thickness further from the printed side.

    Rims that stand up shorten the top face, a middle that does stretches it. The next terms are below rise^4 / chord^3
    and thickness x rise^3 / chord^3, times a few.
    """
    quad = np.array([0, 0, 0, chord, 2 * chord, 0, 0, 0, 0.3, rise, 0.0])
    h = max(abs(rise), 1e-9)
    radius = chord**2 / (8 * h) + h / 2
    angle = 2 * np.arcsin(chord / (2 * radius))
    middle = angle * (radius + np.sign(rise) * thickness / 2)
    width, height = qd.pressed_flat_mm(quad, thickness_mm=thickness)
    assert abs(width - middle) < 1e-6 + 10 * (h**4 + thickness * h**3) / chord**3
    assert height == 2 * chord


@given(quad=flat_quads(), rises=st.tuples(_about(2.0), _about(2.0)), thickness=st.floats(0.0, 3.0))
def test_derivatives_of_the_flat_size_are_its_differences(
    quad: Floats, rises: tuple[float, float], thickness: float
) -> None:
    quad[[qd.RISE_WIDTH, qd.RISE_HEIGHT]] = rises
    step = 1e-4
    differences = []
    for parameter in qd.SHAPE:
        low, high = quad.copy(), quad.copy()
        low[parameter] -= step
        high[parameter] += step
        sizes = [qd.pressed_flat_mm(one, thickness_mm=thickness) for one in (low, high)]
        differences.append((sizes[1] - sizes[0]) / (2 * step))
    by_shape = qd.flat_by_shape(quad, thickness_mm=thickness)
    np.testing.assert_allclose(by_shape, np.column_stack(differences), atol=1e-6)

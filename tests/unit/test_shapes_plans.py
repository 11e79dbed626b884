"""Plans of pieces: their smallest enclosing rectangles, widths across flats, and fits through points of their edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_shapes import rectangle, regular

from cardmeasure.shapes.fitting import fitted, residuals_mm, robustly_fitted
from cardmeasure.shapes.plans import across_flats_mm, disc, enclosing, is_rectangular, outline_mm

sizes = st.floats(20.0, 90.0)
turns = st.floats(0.0, 2 * math.pi)


@settings(max_examples=25, deadline=None)
@given(sizes, turns)
def test_a_hexagon_is_enclosed_by_its_width_across_flats_and_across_corners(across: float, turn: float) -> None:
    plan = regular(6, across, turn=turn)
    assert across_flats_mm(plan) == pytest.approx(across)
    assert enclosing(plan).sides_mm == pytest.approx([across, across * 2 / math.sqrt(3)])


@settings(max_examples=25, deadline=None)
@given(sizes, turns, st.floats(0.0, 4.0))
def test_round_corners_make_a_hexagon_shorter_by_what_they_take_off(across: float, turn: float, radius: float) -> None:
    sides = enclosing(regular(6, across, turn=turn, radius=radius)).sides_mm
    assert sides[1] == pytest.approx((across - 2 * radius) * 2 / math.sqrt(3) + 2 * radius)


@settings(max_examples=25, deadline=None)
@given(sizes, sizes, turns, st.floats(0.0, 8.0))
def test_a_rectangle_is_its_own_smallest_rectangle_however_round_its_corners_are(
    a: float, b: float, turn: float, radius: float
) -> None:
    plan = rectangle(a, b, turn=turn, radius=radius)
    assert plan.shape == "rectangle"
    assert enclosing(plan).sides_mm == pytest.approx(sorted((a, b)))


@settings(max_examples=25, deadline=None)
@given(st.integers(3, 12), sizes, turns, st.floats(0.0, 2.0))
def test_no_rectangle_around_an_outline_is_much_smaller_than_the_one_found(
    sides: int, across: float, turn: float, radius: float
) -> None:
    plan = regular(sides, across, turn=turn, radius=radius)
    points, found = outline_mm(plan, arc_points=40), float(np.prod(enclosing(plan).sides_mm))
    for angle in np.linspace(0, np.pi / 2, 91):
        axes = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
        assert float(np.prod(np.ptp(points @ axes.T, axis=0))) > found * 0.985


@settings(max_examples=25, deadline=None)
@given(st.integers(3, 12), sizes, turns, st.floats(0.0, 2.0))
def test_the_outline_lies_on_the_plan(sides: int, across: float, turn: float, radius: float) -> None:
    plan = regular(sides, across, turn=turn, radius=radius)
    off = np.array([residuals_mm(plan, outline_mm(plan), np.full(len(outline_mm(plan)), k)) for k in range(sides)])
    assert off.max() < 1e-9


@settings(max_examples=25, deadline=None)
@given(sizes, st.floats(-50, 50), st.floats(-50, 50))
def test_a_disc_is_fitted_exactly_through_points_of_its_edge(diameter: float, x: float, y: float) -> None:
    points = outline_mm(disc(np.array([x, y]), diameter / 2))
    found = fitted(
        disc(np.array([x + 1, y - 1]), diameter / 2 + 1), points, np.zeros(len(points), int), np.ones(len(points))
    )
    assert found.radius_mm == pytest.approx(diameter / 2)
    assert found.centre_mm == pytest.approx([x, y], abs=1e-6)


def test_points_on_a_shadows_rim_do_not_pull_a_disc() -> None:
    points = outline_mm(disc(np.zeros(2), 20.0))
    points[:15] *= 1.08
    plan, weights = robustly_fitted(
        disc(np.zeros(2), 20.5), points, np.zeros(len(points), int), np.ones(len(points)), floor_mm=0.02
    )
    assert plan.radius_mm == pytest.approx(20.0, abs=0.03)
    assert weights[:15].max() < weights[20:].min()


def test_a_parallelogram_ten_degrees_askew_is_no_rectangle() -> None:
    assert not is_rectangular(np.array([[0.0, 0.0], [40.0, 0.0], [47.0, 40.0], [7.0, 40.0]]))

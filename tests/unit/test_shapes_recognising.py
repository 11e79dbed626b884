"""What rough outlines are taken for: discs, rectangles with deep corners, polygons, and nothing of the kind."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from plan_shapes import rectangle, regular

from cardmeasure.shapes.plans import Plan, disc, outline_mm, polygon
from cardmeasure.shapes.recognising import candidates, corner_radius_mm, is_several_cards, recognised

STEP_MM = 0.4


def rough(plan: Plan, *, seed: int = 0) -> np.ndarray:
    """An outline as a mask of 2.5 pixels a millimetre gives it."""
    points = outline_mm(plan, arc_points=12)
    closed = np.vstack([points, points[:1]])
    length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1)))
    at = np.arange(0.0, length[-1], STEP_MM)
    along = np.column_stack([np.interp(at, length, closed[:, k]) for k in range(2)])
    return np.round((along + np.random.default_rng(seed).normal(0, 0.08, along.shape)) / STEP_MM) * STEP_MM


@settings(max_examples=20, deadline=None)
@given(st.floats(24.0, 80.0), st.integers(0, 99))
def test_a_disc_is_recognised(diameter: float, seed: int) -> None:
    plan = recognised(rough(disc(np.array([3.0, 4.0]), diameter / 2), seed=seed))
    assert plan is not None
    assert plan.shape == "circle"
    assert plan.radius_mm == pytest.approx(diameter / 2, abs=0.3)


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from([3, 5, 6, 8]), st.floats(28.0, 70.0), st.floats(0, 6.28), st.floats(0.0, 2.0), st.integers(0, 99)
)
@example(8, 28.0, 0.0, 2.0, 3)
@example(8, 28.0, 0.0, 2.0, 30)
def test_a_regular_polygon_is_recognised_with_all_its_sides(
    sides: int, across: float, turn: float, radius: float, seed: int
) -> None:
    plan = recognised(rough(regular(sides, across, turn=turn, radius=radius), seed=seed))
    assert plan is not None
    assert (plan.shape, len(plan.corners_mm)) == ("polygon", sides)


@settings(max_examples=20, deadline=None)
@given(st.floats(40.0, 90.0), st.floats(45.0, 120.0), st.floats(0, 6.28), st.floats(5.0, 12.0))
def test_a_rectangle_with_deep_corners_is_a_rectangle_and_its_radius_is_known_roughly(
    a: float, b: float, turn: float, radius: float
) -> None:
    outline = rough(rectangle(a, b, turn=turn, radius=radius))
    plan = recognised(outline)
    assert plan is not None
    assert plan.shape == "rectangle"
    assert corner_radius_mm(outline, rectangle(a, b, turn=turn).corners_mm) == pytest.approx(radius, abs=1.5)


def test_a_piece_with_a_bay_in_it_is_nothing() -> None:
    square = np.array([[0, 0], [60, 0], [60, 60], [40, 60], [30, 25], [20, 60], [0, 60]], float)
    assert candidates(rough(polygon(square, 0.0))) == []


def test_an_oval_is_no_disc() -> None:
    oval = rough(disc(np.zeros(2), 25.0)) * [1.0, 0.7]
    assert all(plan.shape != "circle" for plan in candidates(oval))


@pytest.mark.parametrize("turn_deg", [3.0, 7.0, 12.0, 20.0, 30.0])
def test_a_fan_of_two_cards_is_no_polygon_but_several_cards(turn_deg: float) -> None:
    """The hull of two cards that lie on each other, one turned about a corner."""
    card = rectangle(63.0, 88.0, radius=3.0)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    points = outline_mm(card, arc_points=12)
    pivot = card.corners_mm[2]
    both = np.concatenate([points, (points - pivot) @ np.array([[c, s], [-s, c]]) + pivot])
    hull = cv2.convexHull(both.astype(np.float32)).reshape(-1, 2).astype(float)
    plan = recognised(rough(polygon(hull, 0.0)))
    assert plan is not None
    assert is_several_cards(plan)


@pytest.mark.parametrize("sides", [3, 5, 6, 8])
def test_a_regular_polygon_is_not_several_cards(sides: int) -> None:
    assert not is_several_cards(regular(sides, 45.0, turn=0.4, radius=0.5))


def test_neither_is_a_card_nor_a_disc() -> None:
    assert not is_several_cards(rectangle(63.0, 88.0, radius=3.0))
    assert not is_several_cards(disc(np.zeros(2), 20.0))

"""What proves a piece on a hard table, and what gives two cards away that were taken for one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.breaks import is_broken
from cardmeasure.edges.points import EdgePoints
from cardmeasure.shapes.proof import common_radius_mm

Floats = NDArray[np.floating[Any]]
SEEN = np.full(4, 0.3)


@given(radius=st.floats(0, 4.0), corner=st.integers(0, 3), other=st.floats(0, 6.0))
def test_three_corners_alike_are_a_cards_whatever_the_fourth_seems_to_be(
    radius: float, corner: int, other: float
) -> None:
    radii = np.full(4, radius)
    radii[corner] = other
    assert common_radius_mm(radii, SEEN) == pytest.approx(radius)


def test_where_all_four_are_asked_for_one_that_differs_is_too_many() -> None:
    radii = np.array([3.0, 3.0, 3.1, 5.0])
    assert common_radius_mm(radii, SEEN) == pytest.approx(3.05)
    assert common_radius_mm(radii, SEEN, fewest=4) is None


def test_a_side_that_is_a_line_of_the_table_leaves_two_corners_that_are_none() -> None:
    assert common_radius_mm(np.array([0.0, 3.0, 3.1, 0.2]), SEEN) is None


def test_two_corners_seen_prove_nothing() -> None:
    assert common_radius_mm(np.full(4, 3.0), np.array([0.3, np.inf, np.inf, 0.3])) is None


def test_unusually_round_corners_must_be_very_much_alike() -> None:
    assert common_radius_mm(np.array([4.9, 4.6, 4.3, 4.2]), SEEN) is None
    assert common_radius_mm(np.array([6.1, 6.0, 6.1, 6.2]), SEEN) == pytest.approx(6.1)


def points(step_px: float, bend_px: float = 0.0, *, at: float = 0.0) -> tuple[EdgePoints, Floats]:
    """Points of one card, whose first and third side step at the same place and bend."""
    along = np.tile(np.linspace(-0.9, 0.9, 19), qd.SIDES)
    side = np.repeat(np.arange(qd.SIDES), 19)
    sign = np.where(side < 2, 1, -1)
    stepping = np.where(along * sign > at, step_px / 2, -step_px / 2) * (side % 2 == 0)
    n = len(along)
    residuals = stepping + bend_px * (1 / 3 - along**2) + np.random.default_rng(3).normal(0, 0.05, n)
    found = EdgePoints(
        card=np.zeros(n, np.intp), side=side, along=along, px=np.zeros((n, 2)), normal=np.zeros((n, 2)),
        u_px=np.full(n, 0.1), tone_px=np.zeros(n), brighter=np.ones(n, bool), u_bias_px=np.zeros((1, qd.SIDES)),
    )  # fmt: skip
    return found, residuals


def test_two_cards_out_of_line_with_each_other_are_not_one() -> None:
    assert is_broken(*points(2.0), 0, sides_mm=(126.0, 88.0))
    assert is_broken(*points(2.0, at=0.15), 0, sides_mm=(126.0, 88.0))


def test_a_bent_side_is_one_cards() -> None:
    assert not is_broken(*points(0.0, bend_px=3.0), 0, sides_mm=(126.0, 88.0))


def test_a_step_too_near_an_end_to_leave_room_for_a_card_is_none() -> None:
    assert not is_broken(*points(2.0), 0, sides_mm=(70.0, 120.0))


def test_on_pale_tables_corners_may_seem_rounder() -> None:
    seeming = np.array([5.6, 5.3, 6.3, 6.2])
    assert common_radius_mm(seeming, SEEN) is None
    assert common_radius_mm(seeming, SEEN, usual_mm=6.5) == pytest.approx(5.9)
    assert common_radius_mm(np.array([5.6, 3.1, 6.3, 0.2]), SEEN, usual_mm=6.5) is None

"""Outlines that missed a dark border are grown by as much as the sides found along one direction lie outside them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.geometry import side_lengths
from cardmeasure.outlines.growing import moved_out
from cardmeasure.outlines.pieces import Outline
from cardmeasure.shapes import borders
from cardmeasure.shapes.borders import with_borders
from cardmeasure.solving import Solution

CORNERS = np.array([[0.0, 0.0], [61.5, 0.0], [61.5, 86.5], [0.0, 86.5]])


def sides_with(monkeypatch: pytest.MonkeyPatch, excess_mm: tuple[float, float], **more: Any) -> tuple[float, float]:
    """Sides of such an outline, larger by so much than what was found, afterwards."""
    monkeypatch.setattr(borders, "outlines_excess_mm", lambda _, asked, __: np.array([excess_mm] * len(asked)))
    state = SimpleNamespace(quads=np.zeros((1, 11)))
    solution = SimpleNamespace(card_of=np.array([0]), px_per_mm=10.0, adjustment=SimpleNamespace(state=state))
    outline = Outline(**{"corners_mm": CORNERS, "flags": (), "contour_mm": CORNERS, **more})
    (after,) = with_borders((outline,), cast(Solution, solution))
    width, height = side_lengths(after.corners_mm)[:2].tolist()
    assert (after is outline) == np.allclose([width, height], [61.5, 86.5])
    return width, height


def test_a_border_seen_along_one_direction_is_missed_all_round(monkeypatch: pytest.MonkeyPatch) -> None:
    assert sides_with(monkeypatch, (0.2, -1.5)) == pytest.approx((63.0, 88.0))
    assert sides_with(monkeypatch, (0.9, -0.7)) == pytest.approx((62.2, 87.2))


@pytest.mark.parametrize(
    ("excess_mm", "more"),
    [
        ((-1.5, -1.5), {}),  # found outside all round
        ((0.1, -0.2), {}),
        ((1.5, 1.5), {}),  # nothing tells how wide the border is
        ((0.2, -1.5), {"exact": True}),
        ((0.2, -1.5), {"flags": ("touching",)}),
    ],
    ids=["outside", "on-it", "inside", "exact", "flagged"],
)
def test_other_outlines_stay(
    excess_mm: tuple[float, float], more: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert sides_with(monkeypatch, excess_mm, **more) == pytest.approx((61.5, 86.5))


@given(turn=st.floats(-4, 4), by_mm=st.floats(0, 5))
def test_a_grown_rectangle_is_larger_all_round(turn: float, by_mm: float) -> None:
    c, s = np.cos(turn), np.sin(turn)
    corners = CORNERS @ np.array([[c, s], [-s, c]])
    (larger,) = moved_out(corners[None], np.full((1, 4), by_mm))
    np.testing.assert_allclose(np.sort(side_lengths(larger)), np.sort(side_lengths(corners)) + 2 * by_mm, atol=1e-9)
    np.testing.assert_allclose(larger.mean(axis=0), corners.mean(axis=0), atol=1e-9)

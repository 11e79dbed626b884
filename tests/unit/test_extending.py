"""A card three of whose sides were found is looked at with its fourth side farther out."""

import numpy as np
import pytest
from test_trusting import box, look, together

from cardmeasure.outlines.extending import MOST, extended

TABLE = [0.0] * 4
CARD = np.array([[0.0, 0.0], [63.0, 0.0], [63.0, 88.0], [0.0, 88.0]])


def _shorter(side: int, by_mm: float) -> np.ndarray:
    """The card with one side moved inward: that of a line printed on it."""
    low, high = CARD.min(axis=0), CARD.max(axis=0)
    axis, end = ((1, low), (0, high), (1, high), (0, low))[side]
    end[axis] += by_mm if side in (0, 3) else -by_mm
    (x0, y0), (x1, y1) = low, high
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _radii(side: int) -> list[float]:
    """Round corners but for those of one side."""
    radii = [3.0, 3.1, 2.9, 3.0]
    radii[side] = radii[(side + 1) % 4] = 0.0
    return radii


@pytest.mark.parametrize("side", range(4))
def test_the_wrong_side_is_moved_to_an_edge_farther_out(side: int) -> None:
    """The edge is one of a rectangle that is not the card, as the card's own did not close."""
    found = look(_shorter(side, 4.0), _radii(side), TABLE)
    others = np.array([_shorter((side + 1) % 4, 6.0)])
    (only,) = extended(found, others)
    np.testing.assert_allclose(only, CARD, atol=1e-9)


@pytest.mark.parametrize(
    "radii",
    [[3.0, 3.1, 2.9, 3.0], [0.0, 0.0, 0.0, 0.0], [3.0, 0.0, 3.0, 0.0], [3.0, 4.5, 0.0, 0.0]],
    ids=["card", "square", "diagonal", "unlike"],
)
def test_other_corners_do_not_tell_of_a_wrong_side(radii: list[float]) -> None:
    assert len(extended(look(_shorter(2, 4.0), radii, TABLE), CARD[None])) == 0


def test_what_lies_too_near_too_far_or_askew_is_no_edge_of_the_card() -> None:
    found = look(_shorter(2, 4.0), _radii(2), TABLE)
    too_far, askew = box(31.5, 54.0, 63.0, 88.0), CARD.copy()
    askew[3, 1] -= 3.0
    assert len(extended(found, np.array([too_far, askew, _shorter(2, 3.6)]))) == 0
    assert len(extended(found, np.zeros((0, 4, 2)))) == 0


def test_of_many_edges_some_are_looked_at_each_once() -> None:
    found = together(look(_shorter(2, 8.0), _radii(2), TABLE), look(box(200, 0, 63, 88), [3.0] * 4, TABLE))
    edges = np.array([_shorter(2, by) for by in np.linspace(0.0, 7.0, 40)])
    tried = extended(found, np.concatenate([edges, edges]))
    assert len(tried) == MOST
    assert np.all(np.diff(np.sort(tried[:, 2, 1])) > 0.4)

"""Whether sides that were found are a card's, or a line printed inside its border."""

import numpy as np
import pytest

from cardmeasure.outlines.pieces import Outline
from cardmeasure.sizing import is_on_a_line

PX_PER_MM = 10.0


def _outline(*, exact: bool = False) -> Outline:
    corners = np.array([[0.0, 0.0], [63.0, 0.0], [63.0, 88.0], [0.0, 88.0]])
    return Outline(corners_mm=corners, flags=(), contour_mm=corners, exact=exact)


@pytest.mark.parametrize(
    "excess_mm",
    [
        (0.0, 0.0),
        (0.3, -0.4),
        (-1.6, -1.4),  # the outline followed a frame, and both directions were found outside it
        (-1.3, -0.6),  # the same, askew
        (0.5, -0.9),  # askew
    ],
)
def test_sides_found_about_the_outline_or_all_outside_it_are_believed(excess_mm: tuple[float, float]) -> None:
    assert not is_on_a_line(np.array(excess_mm), _outline(), PX_PER_MM)


@pytest.mark.parametrize(
    "excess_mm",
    [
        (1.5, 1.6),  # the outline is the card's, the sides found are a frame's
        (1.4, 0.1),  # in one direction
        (0.2, -1.6),  # the outline followed a frame: one direction was found outside it, the other on it still
        (-1.6, -0.1),
    ],
)
def test_sides_found_on_a_printed_line_are_not(excess_mm: tuple[float, float]) -> None:
    assert is_on_a_line(np.array(excess_mm), _outline(), PX_PER_MM)


def test_where_edges_made_the_outline_one_direction_may_lie_on_it() -> None:
    assert not is_on_a_line(np.array([0.2, -1.6]), _outline(exact=True), PX_PER_MM)


def test_a_card_that_was_borne_out_lies_where_it_was_seen() -> None:
    corners = np.array([[0.0, 0.0], [63.0, 0.0], [63.0, 88.0], [0.0, 88.0]])
    sure = Outline(corners_mm=corners, flags=(), contour_mm=corners, exact=True, sure=True)
    assert is_on_a_line(np.array([-1.2, 0.0]), sure, PX_PER_MM)
    assert not is_on_a_line(np.array([-0.5, 0.4]), sure, PX_PER_MM)

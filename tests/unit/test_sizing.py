"""Whether sides that were found are a card's, or a line printed inside its border."""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from cardmeasure import quads as qd
from cardmeasure.camera import Camera
from cardmeasure.outlines.pieces import Outline
from cardmeasure.sizing import hides_a_seam, is_no_card, is_on_a_line, outlines_excess_mm
from cardmeasure.solving import Solution

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


@pytest.mark.parametrize("asked", [(), (1,), (1, 0)])
def test_an_outline_on_the_table_is_larger_than_the_sides_found_by_what_it_is_put_farther_from_the_camera(
    asked: tuple[int, ...],
) -> None:
    above = Camera(
        rotation=np.eye(3), translation_mm=np.array([0.0, 0.0, 400.0]), focal_px=3000.0,
        principal_px=np.array([2000.0, 1500.0]), distortion=np.zeros(5),
    )  # fmt: skip
    outlines = (_outline(), _outline())
    corners = np.array([one.corners_mm for one in outlines])
    heights_mm = np.array([0.0, 4.0])
    state = SimpleNamespace(camera=above, quads=qd.quads_from_corners(corners, elevation_mm=heights_mm))
    solution = SimpleNamespace(
        outlined_by=above, card_of=np.arange(2), adjustment=SimpleNamespace(state=state)
    )  # fmt: skip
    excess = outlines_excess_mm(outlines, asked, cast(Solution, solution))
    # a face so high, of 400 mm, is seen in the place of a larger one on the table
    expected = np.array([[-63.0, -88.0]]) * heights_mm[list(asked), None] / 400.0 if asked else np.zeros((0, 2))
    np.testing.assert_allclose(excess, expected, atol=1e-9)


def test_torn_paper_and_fingers_are_no_cards() -> None:
    """What is out of square by more than cutting leaves, has a ragged side, or is long with bent sides; not what is
    only long, or only bent."""

    def no_card(
        width_mm: float, height_mm: float, *, shear_deg: float = 0.0, bend_px: float = 0.1, misfit: float = 1.0
    ) -> bool:
        quad = np.zeros(qd.PARAMETERS)
        quad[[qd.WIDTH, qd.HEIGHT, qd.SHEAR]] = width_mm, height_mm, np.radians(shear_deg)
        return is_no_card(quad, bends_px=np.array([0.0, bend_px, 0.0, 0.0]), misfit=np.array([1.0, misfit, 1.0, 1.0]))

    assert no_card(71.0, 105.0, shear_deg=-1.2)
    assert no_card(79.6, 127.6, bend_px=0.8, misfit=26.0)
    assert no_card(23.0, 95.0, bend_px=1.5)
    assert no_card(95.0, 23.0, bend_px=1.5)
    assert not no_card(71.0, 105.0, shear_deg=0.4, bend_px=1.5)
    assert not no_card(71.0, 105.0, misfit=26.0)
    assert not no_card(216.0, 279.0, bend_px=4.0, misfit=34.0)
    assert not no_card(23.0, 95.0)


def test_a_seam_that_hardly_shows_gives_no_size() -> None:
    """Only where another card touches: elsewhere a weak edge is a doubt."""
    corners = np.array([[0.0, 0.0], [63.0, 0.0], [63.0, 88.0], [0.0, 88.0]])
    row = Outline(corners_mm=corners, flags=(), joined=(False, True, False, False))
    assert hides_a_seam(np.array([20.0, 1.8, 20.0, 20.0]), row)
    assert not hides_a_seam(np.array([1.8, 9.0, 20.0, 20.0]), row)
    assert not hides_a_seam(np.full(4, 1.8), Outline(corners_mm=corners, flags=()))

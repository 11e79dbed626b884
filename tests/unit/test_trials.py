"""A closer look at rectangles on a rendered photo, at the true ones and at others."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from numpy.typing import NDArray

from cardmeasure.camera import to_plane
from cardmeasure.outlines.trials import Tried
from cardmeasure.photo import read_photo
from cardmeasure.reference.finding import find_squares
from cardmeasure.settings import Settings
from cardmeasure.shapes.trials import tried
from cardmeasure.solving import conditions_of, solve_reference

if TYPE_CHECKING:
    from rendered_shots import RenderedShot

Floats = NDArray[np.floating[Any]]


@pytest.fixture(scope="module")
def look(plain_shot: RenderedShot) -> tuple[Tried, Floats]:
    """What takes the look, and the cards' true corners (c, 4, 2) on the table as the square alone sees them, mm."""
    photo, settings = read_photo(plain_shot.path), Settings()
    squares = find_squares(photo)
    camera = solve_reference(photo, squares, settings).camera
    take = partial(
        tried, photo, camera, elevation_mm=settings.thickness_mm - settings.paper_mm,
        conditions=conditions_of(photo, squares, settings), px_per_mm=squares[0].px_per_mm,
    )  # fmt: skip
    return take, np.array([to_plane(camera, np.array(card["corners_px"])) for card in plain_shot.truth["cards"]])


def inward(quads: Floats, by_mm: float) -> Floats:
    middle = quads.mean(axis=1, keepdims=True)
    return np.asarray(quads + by_mm * np.sqrt(2) * (middle - quads) / np.linalg.norm(middle - quads, axis=2)[..., None])


@pytest.mark.parametrize("off_mm", [-0.4, 0.0, 0.4])
def test_cards_are_found_from_near_by_where_they_are_seen(look: tuple[Tried, Floats], off_mm: float) -> None:
    """Wherever they are begun with, to a pixel of each other, a tenth of a millimetre here; and to less than a third of
    a millimetre of where a square alone, with a lens that is unknown yet, says that they lie."""
    take, true = look
    found = take(inward(true, off_mm))
    assert found.found.all()
    assert np.abs(found.corners_mm - take(true).corners_mm).max() < 0.1
    assert np.abs(found.corners_mm - true).max() < 0.3


def test_corners_are_as_round_as_they_are(look: tuple[Tried, Floats], plain_shot: RenderedShot) -> None:
    take, true = look
    found = take(true)
    radii = np.array([card["radius_mm"] for card in plain_shot.truth["cards"]])
    rounded = radii > 1.5
    assert rounded.any()
    assert np.abs(found.radii_mm[rounded] - radii[rounded, None]).max() < 0.75


def test_the_table_goes_on_around_a_card_but_not_around_a_part_of_it(look: tuple[Tried, Floats]) -> None:
    take, true = look
    assert take(true).unlike.max() < 0.2
    assert take(inward(true, 3.0)).unlike.max(axis=1).min() > 0.3


def test_each_is_seen_as_if_it_were_alone(look: tuple[Tried, Floats]) -> None:
    """But for what more sides teach of the light, which moves a weak one by less than a pixel."""
    take, true = look
    crowd = take(np.concatenate([true, inward(true, 2.0), inward(true, 6.0)]))
    alone = take(true)
    np.testing.assert_allclose(crowd.corners_mm[: len(true)], alone.corners_mm, rtol=0, atol=0.1)


def test_none_gives_none(look: tuple[Tried, Floats]) -> None:
    assert len(look[0](np.zeros((0, 4, 2))).found) == 0

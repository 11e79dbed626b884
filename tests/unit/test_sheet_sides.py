"""Where the check of a sheet begins beside a card: on painted pictures of a check seen straight from above."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from square_pictures import photo_of

from cardmeasure.camera import Camera, camera_from_homography
from cardmeasure.geometry import side_lengths
from cardmeasure.outlines.pieces import Outline
from cardmeasure.outlines.sheet_sides import as_the_check_begins, check_beside, check_seen
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet import SHEETS
from cardmeasure.reference.sheet_levels import FLOOR
from cardmeasure.reference.sheet_look import STEP_PX, SheetLook

Floats = NDArray[np.float64]

PER_MM, MIDDLE_PX, SIZE_PX = 6.0, np.array([450.0, 330.0]), (900, 660)
CODES = (110.0, 165.0)
"""Of dark and light cells."""
CARD_MM = np.array([[-31.3, -44.2], [31.9, -44.2], [31.9, 43.9], [-31.3, 43.9]])


def _camera() -> Camera:
    h = np.array([[PER_MM, 0, MIDDLE_PX[0]], [0, PER_MM, MIDDLE_PX[1]], [0, 0, 1.0]])
    return camera_from_homography(h, focal_px=1800.0, principal_px=MIDDLE_PX)


def _look(photo: Photo) -> SheetLook:
    """What is known of the painted sheet: where it lies and how bright its cells are."""
    h, w = SIZE_PX[1] // STEP_PX + 3, SIZE_PX[0] // STEP_PX + 3
    x, y = np.meshgrid(np.arange(w) * float(STEP_PX), np.arange(h) * float(STEP_PX))
    dark, light = np.log(photo.response[np.array(CODES, int)] + FLOOR)
    mm = (np.stack([x, y], axis=2) - MIDDLE_PX) / PER_MM
    half_way = np.full((h, w, 3), (dark + light) / 2)
    return SheetLook(
        design=SHEETS["a4"], nodes=np.concatenate([mm, half_way], axis=2), contrast=np.full(3, light - dark),
        white=0.6, black=-1.6, blur_mm=0.12,
    )  # fmt: skip


def _painted(card_mm: Floats | None, *, face: float = 0.0, shadow: float = 1.0, seed: int = 1) -> Photo:
    """The check, a card on it with a face that runs from dark to light cells' codes where `face` is 0, and noise.

    shadow : share of light left within 4 mm to the right of the card.
    """
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(SIZE_PX[0]), np.arange(SIZE_PX[1]))
    mm = (np.stack([x, y], axis=-1).reshape(-1, 2) - MIDDLE_PX) / PER_MM
    blank = photo_of(np.zeros((8, 8), np.uint8))
    share = _look(blank).share(mm)
    light = blank.response[np.array(CODES, int)]
    linear = light[0] + (light[1] - light[0]) * share
    if card_mm is not None:
        low, high = card_mm.min(axis=0), card_mm.max(axis=0)
        on = ((mm > low) & (mm < high)).all(axis=1)
        beside = (mm[:, 0] >= high[0]) & (mm[:, 0] < high[0] + 4) & (mm[:, 1] > low[1]) & (mm[:, 1] < high[1])
        linear[beside] *= shadow
        ramp = light[0] + (light[1] - light[0]) * (mm[:, 1] - low[1]) / (high[1] - low[1])
        linear[on] = ramp[on] if face == 0 else face
    codes = np.interp(linear, blank.response[:256], np.arange(256)) + rng.normal(0, 2.0, len(mm))
    return photo_of(np.clip(np.rint(codes), 0, 255).astype(np.uint8).reshape(SIZE_PX[::-1]))


def _outline(corners_mm: Floats, *flags: str) -> Outline:
    return Outline(corners_mm=corners_mm, flags=flags)


def test_a_bare_check_shows_all_of_its_contrast_and_a_covered_one_none() -> None:
    photo = _painted(CARD_MM)
    lines = np.stack([np.column_stack([np.linspace(-25, 25, 90), np.full(90, y)]) for y in (-50.0, 0.0, 49.0)])
    seen = check_seen(photo, _camera(), _look(photo), lines)
    assert seen[[0, 2]] == pytest.approx(1.0, abs=0.1)
    assert abs(seen[1]) < 0.2


@pytest.mark.parametrize("shadow", [1.0, 0.4])
def test_the_check_is_seen_right_outside_all_sides_and_inside_none_shaded_or_not(shadow: float) -> None:
    photo = _painted(CARD_MM, shadow=shadow)
    outside, inside = (
        check_beside(photo, _camera(), _look(photo), CARD_MM[None], parts=4, outward=way) for way in (True, False)
    )
    assert outside.shape == (1, 4, 4)
    assert outside == pytest.approx(1.0, abs=0.25)
    assert np.abs(inside).max() < 0.35


@pytest.mark.parametrize("off_mm", [-6.5, -2.0, 1.5, 4.0])
@pytest.mark.parametrize("side", range(4))
def test_a_side_that_lies_elsewhere_is_moved_to_where_the_check_begins(side: int, off_mm: float) -> None:
    """Whatever the face looks like: this one is as bright as dark cells at its top and as light ones at its foot."""
    photo, wrong = _painted(CARD_MM), CARD_MM.copy()
    axis, sign = (1, 0, 1, 0)[side], (-1, 1, 1, -1)[side]
    wrong[[side, (side + 1) % 4], axis] += sign * off_mm
    (found,) = as_the_check_begins(photo, _camera(), _look(photo), [_outline(wrong)])
    assert np.abs(found.corners_mm - CARD_MM).max() < 0.7


def test_a_side_in_its_place_stays_where_it_is() -> None:
    photo, outline = _painted(CARD_MM), _outline(CARD_MM + 0.2)
    (found,) = as_the_check_begins(photo, _camera(), _look(photo), [outline])
    assert found is outline


def test_a_ragged_piece_is_a_card_where_the_check_begins_all_round() -> None:
    """Its mask missed a corner, whose part of the face is as grey as the cells; the smallest rectangle is askew."""
    photo = _painted(CARD_MM)
    askew = CARD_MM + np.array([[1.0, 2.0], [-1.0, 1.0], [-2.0, -1.0], [1.0, -1.5]])
    (found,) = as_the_check_begins(photo, _camera(), _look(photo), [_outline(askew, "overlapped")])
    assert found.flags == ()
    assert side_lengths(found.corners_mm) == pytest.approx([63.2, 88.1, 63.2, 88.1], abs=1.5)


def test_a_ragged_piece_that_leaves_the_check_bare_in_a_corner_keeps_its_flag() -> None:
    """Two cards laid over each other: their smallest rectangle is no card."""
    photo = _painted(CARD_MM)
    both = replace(_outline(CARD_MM, "overlapped"), corners_mm=CARD_MM * [1.6, 1.0])
    empty = _painted(None)
    (kept,) = as_the_check_begins(empty, _camera(), _look(empty), [both])
    assert kept.flags == ("overlapped",)
    (other,) = as_the_check_begins(photo, _camera(), _look(photo), [_outline(CARD_MM, "cut-by-frame")])
    assert other.flags == ("cut-by-frame",)

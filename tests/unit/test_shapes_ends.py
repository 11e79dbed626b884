"""Whether sides end where they were found, on a drawn card seen from straight above."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from square_pictures import developed, photo_of

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, rotation_matrix
from cardmeasure.photo import Photo
from cardmeasure.shapes.ends import have_unclear_ends

Floats = NDArray[np.float64]

PX_PER_MM, WIDTH_PX, HEIGHT_PX = 6.0, 540, 480
MIDDLE = np.array([269.7, 239.2])
BLUR_PX, MAT, BORDER, PICTURE = 0.8, 0.08, 0.6, 0.3
WIDTH_MM, HEIGHT_MM = 52.0, 44.0


def _camera() -> Camera:
    return Camera(
        rotation=rotation_matrix(np.zeros(3)), translation_mm=np.array([0.0, 0.0, 400.0]), focal_px=400 * PX_PER_MM,
        principal_px=MIDDLE, distortion=np.zeros(5),
    )  # fmt: skip


def _places() -> tuple[Floats, Floats]:
    """Where each pixel lies on the table, mm."""
    x, y = np.meshgrid(np.arange(WIDTH_PX), np.arange(HEIGHT_PX))
    return (x - MIDDLE[0]) / PX_PER_MM, (y - MIDDLE[1]) / PX_PER_MM


def _inside(width_mm: float, height_mm: float) -> NDArray[np.bool_]:
    x, y = _places()
    return np.asarray((np.abs(x) < width_mm / 2) & (np.abs(y) < height_mm / 2))


def _photo(light: Floats) -> Photo:
    grain = np.random.default_rng(3).normal(0, 0.03, (HEIGHT_PX // 3, WIDTH_PX // 3))
    return photo_of(developed(light * np.exp(np.kron(grain, np.ones((3, 3)))), blur_px=BLUR_PX, noise=0.7))


def _card(*, border: float = BORDER, face: Floats | float = BORDER) -> Photo:
    light = np.where(_inside(WIDTH_MM, HEIGHT_MM), border, MAT)
    return _photo(np.where(_inside(WIDTH_MM - 10, HEIGHT_MM - 10), face, light))


def _is_unclear(
    photo: Photo, *, width_mm: float = WIDTH_MM, height_mm: float = HEIGHT_MM, right_mm: float = 0.0
) -> bool:
    """Of a card found so large, its right side so much too far out."""
    quad = np.zeros((1, qd.PARAMETERS))
    quad[0, [qd.WIDTH, qd.HEIGHT]] = width_mm + right_mm, height_mm
    quad[0, 0] = right_mm / 2
    return bool(have_unclear_ends(photo, _camera(), quad, blur_px=BLUR_PX)[0])


@pytest.mark.parametrize("face", [BORDER, PICTURE, 0.02])
def test_a_card_that_ends_at_its_sides_is_clear(face: float) -> None:
    assert not _is_unclear(_card(face=face))


@pytest.mark.parametrize("right_mm", [-4.0, -2.5, 2.5, 4.0])
def test_a_side_found_beside_its_place_is_told_by_those_that_meet_it(right_mm: float) -> None:
    assert _is_unclear(_card(), right_mm=right_mm)


def test_a_face_that_fades_into_the_table_has_no_end_that_is_seen() -> None:
    """As bright as the table from 14 mm to the right on, and found 4 mm short."""
    x, _ = _places()
    fading = MAT + (BORDER - MAT) * np.clip((14 - x) / 20, 0.0, 1.0)
    photo = _photo(np.where(_inside(WIDTH_MM, HEIGHT_MM), fading, MAT))
    assert _is_unclear(photo, right_mm=-4.0)


@pytest.mark.parametrize(("border", "unclear"), [(1.12 * MAT, True), (MAT, False)])
def test_a_faint_border_all_round_a_picture_is_seen(border: float, unclear: bool) -> None:
    """A picture 5 mm within a border a little brighter than the table is not the card; one on the bare table is."""
    photo = _card(border=border, face=PICTURE)
    assert _is_unclear(photo, width_mm=WIDTH_MM - 10, height_mm=HEIGHT_MM - 10) == unclear


def test_without_cards_nothing_is_unclear() -> None:
    assert have_unclear_ends(_card(), _camera(), np.zeros((0, qd.PARAMETERS)), blur_px=BLUR_PX).shape == (0,)

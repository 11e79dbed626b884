"""Why no square can be used: mirrored, cut, covered, glare, a screen, blur, too far; and nothing made up."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from square_pictures import INK, PAPER, TABLE, developed, homography_of, lay_square, mapped, photo_of, table

from cardmeasure.errors import TROUBLES, PhotoTrouble
from cardmeasure.photo import Photo
from cardmeasure.pipeline import measure
from cardmeasure.reference.check_pattern import find_check
from cardmeasure.reference.design import SQUARE_80
from cardmeasure.reference.diagnosis import diagnosed
from cardmeasure.reference.finding import find_squares
from cardmeasure.reference.glare import glare_share
from cardmeasure.reference.screens import OnScreen, on_screen, white_cells_mm
from cardmeasure.settings import Settings

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 640, 520


def scene(*, px_per_mm: float = 4.6, turn_deg: float = 12.0, middle: tuple[float, float] = (321.3, 258.8)) -> Floats:
    light = table(WIDTH, HEIGHT)
    lay_square(light, SQUARE_80, homography_of(px_per_mm=px_per_mm, middle_px=middle, turn_deg=turn_deg))
    return light


def photo(light: Floats, *, blur_px: float = 0.7) -> Photo:
    return photo_of(developed(light, blur_px=blur_px, noise=1.0))


def code(light: Floats, *, blur_px: float = 0.7) -> str:
    with pytest.raises(PhotoTrouble) as caught:
        measure(photo(light, blur_px=blur_px), name="a.jpg", settings=Settings())
    assert caught.value.advice == TROUBLES[caught.value.code].advice
    return caught.value.code


def with_patch(light: Floats, corners_mm: list[list[float]], value: float) -> Floats:
    h = homography_of(px_per_mm=4.6, middle_px=(321.3, 258.8), turn_deg=12.0)
    cv2.fillPoly(light, [np.round(mapped(h, np.array(corners_mm))).astype(np.int32)], value)
    return light


def test_a_mirrored_picture_is_named() -> None:
    assert code(np.ascontiguousarray(scene()[:, ::-1])) == "reference-mirrored"


@pytest.mark.parametrize("middle", [(321.0, 4.0), (321.0, 515.0), (3.0, 260.0), (636.0, 260.0)])
def test_a_square_through_whose_middle_the_frame_runs_is_cut(middle: tuple[float, float]) -> None:
    assert code(scene(middle=middle)) == "reference-cut"


def test_a_square_whose_rim_alone_is_cut_is_cut_or_measured_without_a_card() -> None:
    assert code(scene(middle=(321.0, 100.0))) in ("reference-cut", "no-cards")


def test_a_card_on_the_middle_covers_the_square() -> None:
    assert code(with_patch(scene(), [[-45, -30], [12, -30], [12, 45], [-45, 45]], 0.3)) == "reference-covered"


def test_light_mirrored_on_the_middle_is_glare() -> None:
    assert code(with_patch(scene(), [[-20, -24], [25, -24], [25, 36], [-20, 36]], 1.0)) == "reference-glare"


def test_glare_beside_the_fiducial_is_glare_too() -> None:
    light = with_patch(scene(), [[-45, -45], [45, -45], [45, -10], [-45, -10]], 1.0)
    assert code(with_patch(light, [[-45, 11], [45, 11], [45, 45], [-45, 45]], 1.0)) == "reference-glare"


@pytest.mark.parametrize(("patch", "value", "doubt"), [
    ([[-45, -45], [45, -45], [45, 45], [15, 45], [15, -10], [-45, -10]], 0.3, "reference-covered"),
    ([[-45, -45], [45, -45], [45, 45], [15, 45], [15, -10], [-45, -10]], 1.0, "reference-glare"),
])  # fmt: skip
def test_a_square_of_which_less_than_half_is_seen_is_used_with_a_doubt(
    patch: list[list[float]], value: float, doubt: str
) -> None:
    """Its fiducial can be read, and the points of two sides are where they should be."""
    (square,) = find_squares(photo(with_patch(scene(), patch, value)))
    seen = len(square.points_mm) / len(SQUARE_80.saddles_mm)
    assert 0.25 < seen < 0.5 and square.doubts == (doubt,)
    h = homography_of(px_per_mm=4.6, middle_px=(321.3, 258.8), turn_deg=12.0)
    assert np.abs(square.points_px - mapped(h, square.points_mm)).max() < 0.1


@pytest.mark.parametrize("blur_px", [9.0, 12.0])
def test_a_square_out_of_focus_is_too_blurred(blur_px: float) -> None:
    assert code(scene(), blur_px=blur_px) == "too-blurred"


def test_a_square_far_away_is_too_small() -> None:
    assert code(scene(px_per_mm=0.75), blur_px=0.4) == "reference-too-small"


@pytest.mark.parametrize("kind", ["noise", "chessboard", "soft waves", "stripes", "empty"])
def test_what_is_no_square_is_not_taken_for_one(kind: str) -> None:
    light, (y, x) = table(WIDTH, HEIGHT), np.mgrid[:HEIGHT, :WIDTH]
    if kind == "noise":
        light += np.random.default_rng(1).uniform(0, 0.7, light.shape)
    elif kind == "chessboard":
        light[(x // 28 + y // 28) % 2 == 0] = PAPER
    elif kind == "soft waves":
        light += 0.08 * (1 + np.sin(x / 9.0) * np.cos(y / 14.0))
    elif kind == "stripes":
        light[(x // 14) % 2 == 0] = PAPER
    assert code(light) == "no-reference"


def test_other_troubles_stay_as_they_are() -> None:
    trouble = PhotoTrouble("reference-too-small", "It has only 0.8 pixels per millimetre.")
    assert diagnosed(photo(scene()), trouble) is trouble


@settings(max_examples=6, deadline=None)
@given(turn=st.floats(0, 360), px_per_mm=st.floats(2.5, 5.0))
@example(turn=116.0, px_per_mm=3.8125)
def test_the_check_is_found_at_any_turn_and_its_cells_are_as_large_as_they_are(turn: float, px_per_mm: float) -> None:
    check = find_check(developed(scene(turn_deg=turn, px_per_mm=px_per_mm), blur_px=0.7, noise=1.0))
    assert check is not None and len(check.places_px) >= 0.85 * len(SQUARE_80.saddles_mm)
    assert check.steps_px == pytest.approx((6 * px_per_mm, 6 * px_per_mm), abs=0.15 * 6 * px_per_mm)
    assert np.ptp(check.cells, axis=0).max() <= 11


def seen_on(light: Floats, *, blur_px: float = 0.7) -> OnScreen:
    seen = photo(light, blur_px=blur_px)
    return on_screen(seen, find_squares(seen)[0])


def black(light: Floats) -> Floats:
    """The same with black that is blacker than ink."""
    return np.where(light < 0.1, 0.006, light)


def on_white(light: Floats) -> Floats:
    """The same without an edge of paper."""
    return np.where(np.isclose(light, TABLE), PAPER, light)


def gridded(light: Floats) -> Floats:
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    return light * (1 - 0.45 * ((x % 4 == 0) | (y % 4 == 0)))


def test_a_grid_and_black_that_no_ink_has_are_a_screen() -> None:
    screen = gridded(black(scene()))
    assert seen_on(screen, blur_px=0.5) is OnScreen.SURELY
    assert code(screen, blur_px=0.5) == "reference-on-screen"


def test_a_grid_alone_is_a_doubt() -> None:
    assert seen_on(scene()) is OnScreen.NO
    assert seen_on(gridded(scene()), blur_px=0.5) is OnScreen.PERHAPS


def test_black_without_an_edge_of_paper_is_a_doubt() -> None:
    light = scene(px_per_mm=3.2)
    assert seen_on(on_white(black(light))) is OnScreen.PERHAPS
    assert seen_on(black(light)) is OnScreen.NO, "cut out, it is a print, however black"
    assert seen_on(on_white(light)) is OnScreen.NO, "an uncut page is a print"


def test_a_black_print_on_a_white_desk_is_measured_with_a_doubt() -> None:
    """It may be shown on a screen, and the size of the card with it; the geometry is right."""
    width, height = 900, 520
    light = table(width, height)
    h = homography_of(px_per_mm=4.6, middle_px=(240.3, 258.8))
    lay_square(light, SQUARE_80, h)
    light = np.where(light < 0.1, 0.006, np.where(np.isclose(light, TABLE), PAPER, light))
    card = mapped(h, np.array([[60.0, -40.0], [123.0, -40.0], [123.0, 48.0], [60.0, 48.0]]))
    cv2.fillPoly(light, [np.round(card).astype(np.int32)], 0.1)
    result = measure(photo(light), name="a.jpg", settings=Settings(thickness_mm=0.1))
    assert "reference-on-screen" in result.flags
    (one,) = (piece for piece in result.cards if piece.is_sized)
    assert (one.width_mm, one.height_mm) == pytest.approx((63.0, 88.0), abs=0.3)


def test_noise_is_no_grid() -> None:
    assert seen_on(scene() * np.random.default_rng(3).normal(1, 0.09, (HEIGHT, WIDTH))) is OnScreen.NO


def test_white_cells_are_white() -> None:
    from square_pictures import is_black

    cells = white_cells_mm(SQUARE_80)
    assert len(cells) == 12 * 12 / 2 - 8
    assert not is_black(SQUARE_80, cells).any()
    assert INK < PAPER


def test_the_share_of_glare_is_that_of_the_places_inside() -> None:
    codes = np.zeros((10, 10), np.uint8)
    codes[:, 5:] = 255
    assert glare_share(codes, np.array([[2.0, 2.0], [7.0, 2.0], [8.0, 3.0], [40.0, 2.0]])) == pytest.approx(2 / 3)
    assert glare_share(codes, np.array([[-4.0, 2.0]])) == 0.0

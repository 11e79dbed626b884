"""Finding the printed squares: at any turn and tilt, small and several; and the reason where none can be used."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from square_pictures import INK, PAPER, TABLE, developed, homography_of, lay_square, mapped, photo_of, table

from cardmeasure.errors import PhotoTrouble
from cardmeasure.reference import finding
from cardmeasure.reference.design import SQUARE_30, SQUARE_80, SquareDesign
from cardmeasure.reference.finding import SquareSighting, find_squares

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 640, 520
MIDDLE = (321.3, 258.8)


@cache
def _light(px_per_mm: float, turn_deg: float, tilt_deg: float, azimuth_deg: float) -> tuple[Floats, Floats]:
    h = homography_of(
        px_per_mm=px_per_mm, middle_px=MIDDLE, turn_deg=turn_deg, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg
    )
    light = table(WIDTH, HEIGHT)
    lay_square(light, SQUARE_80, h)
    return light, h


def _scene(
    *, px_per_mm: float = 4.6, turn_deg: float = 12.0, tilt_deg: float = 0.0, azimuth_deg: float = 0.0
) -> tuple[Floats, Floats]:
    """Linear light of a photo with one square, a fresh copy, and the square's homography."""
    light, h = _light(px_per_mm, turn_deg, tilt_deg, azimuth_deg)
    return light.copy(), h


def _found(light: Floats, *, blur_px: float = 0.7) -> tuple[SquareSighting, ...]:
    return find_squares(photo_of(developed(light, blur_px=blur_px, noise=1.0)))


def _trouble(light: Floats, *, blur_px: float = 0.7) -> str:
    with pytest.raises(PhotoTrouble) as caught:
        _found(light, blur_px=blur_px)
    return caught.value.code


def _require_right(square: SquareSighting, h: Floats, *, design: SquareDesign = SQUARE_80) -> None:
    """The right design, nearly all its points, and none more than a tenth of a pixel off, so none mistaken."""
    assert square.design is design
    assert len(square.points_mm) >= 0.9 * len(design.saddles_mm)
    assert np.abs(square.points_px - mapped(h, square.points_mm)).max() < 0.1


@pytest.mark.parametrize("turn_deg", range(0, 360, 40))
def test_found_at_any_turn(turn_deg: int) -> None:
    light, h = _scene(turn_deg=float(turn_deg))
    (square,) = _found(light)
    _require_right(square, h)


@pytest.mark.parametrize("azimuth_deg", [0.0, 70.0, 200.0])
@pytest.mark.parametrize("tilt_deg", [25.0, 45.0])
def test_found_at_a_tilt(tilt_deg: float, azimuth_deg: float) -> None:
    light, h = _scene(px_per_mm=4.2, turn_deg=30.0, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg)
    (square,) = _found(light)
    _require_right(square, h)


def test_scale_blur_and_levels_are_those_of_the_picture() -> None:
    light, _ = _scene()
    (square,) = _found(light, blur_px=1.1)
    assert square.px_per_mm == pytest.approx(4.6, rel=2e-3)
    assert square.blur_px == pytest.approx(1.1, rel=0.25), "a tone curve makes a blur look wider"
    response = photo_of(developed(light)).response
    assert response[round(square.white)] == pytest.approx(PAPER, rel=0.03)
    assert response[round(square.black)] == pytest.approx(INK, rel=0.1)
    assert square.rms_px < 0.05


def test_two_squares_of_different_designs_are_both_found_the_larger_first() -> None:
    light = table(760, 460)
    large = homography_of(px_per_mm=4.0, middle_px=(200.6, 230.2), turn_deg=20.0)
    small = homography_of(px_per_mm=4.0, middle_px=(560.4, 250.9), turn_deg=-70.0)
    lay_square(light, SQUARE_80, large)
    lay_square(light, SQUARE_30, small)
    first, second = _found(light)
    _require_right(first, large)
    _require_right(second, small, design=SQUARE_30)


def test_two_squares_of_the_same_design_are_both_found() -> None:
    light = table(800, 420)
    poses = [
        homography_of(px_per_mm=3.7, middle_px=middle, turn_deg=turn)
        for middle, turn in (((205.3, 208.8), 10.0), ((600.9, 211.1), 100.0))
    ]
    for h in poses:
        lay_square(light, SQUARE_80, h)
    found = _found(light)
    assert len(found) == 2
    for square in found:
        _require_right(
            square, min(poses, key=lambda h: float(np.abs(mapped(h, square.points_mm) - square.points_px).sum()))
        )


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
def test_found_at_little_more_than_one_pixel_a_millimetre(turn_deg: float) -> None:
    light, h = _scene(px_per_mm=1.2, turn_deg=turn_deg)
    (square,) = _found(light, blur_px=0.5)
    assert square.design is SQUARE_80
    error = square.points_px - mapped(h, square.points_mm)
    assert np.sqrt(np.mean(error**2)) < 0.1


def test_no_point_is_taken_where_the_square_is_covered() -> None:
    """A card on a corner: the rest of the points stays right, those below it are gone."""
    light, h = _scene()
    cover = mapped(h, np.array([[-45.0, -45.0], [-8.0, -45.0], [-8.0, -14.0], [-45.0, -14.0]]))
    cv2.fillPoly(light, [np.round(cover).astype(np.int32)], 0.5)
    (square,) = _found(light)
    assert np.abs(square.points_px - mapped(h, square.points_mm)).max() < 0.1
    below = (square.points_mm < [-8.0, -14.0]).all(axis=1)
    assert not below.any()
    assert len(square.points_mm) >= 0.6 * len(SQUARE_80.saddles_mm)


@pytest.mark.parametrize("kind", ["noise", "chessboard", "page of text lines"])
def test_a_photo_without_a_square_is_refused(kind: str) -> None:
    light = table(WIDTH, HEIGHT)
    if kind == "noise":
        light += np.random.default_rng(1).uniform(0, 0.7, light.shape)
    elif kind == "chessboard":
        y, x = np.mgrid[:HEIGHT, :WIDTH]
        light[(x // 28 + y // 28) % 2 == 0] = PAPER
    elif kind == "page of text lines":
        light[40:-40, 60:-60] = PAPER
        light[60:-60:14, 80:-80] = INK
    assert _trouble(light) == "no-reference"


def test_a_plain_photo_is_not_blurred_and_a_blurred_one_is() -> None:
    """A bare table with a lamp beside it has as little detail as a blurred photo, but no contrast that is blurred."""
    plain = table(WIDTH, HEIGHT) * np.linspace(0.5, 4.0, WIDTH)[None, :]
    assert _trouble(plain) == "no-reference"
    cards = plain.copy()
    cards[120:360, 200:380] = PAPER
    assert _trouble(cards) == "no-reference"
    with pytest.raises(PhotoTrouble) as caught:  # with the little noise of a photo that was reduced
        find_squares(photo_of(developed(cards, blur_px=8.0, noise=0.2)))
    assert caught.value.code == "too-blurred"


def test_found_in_a_steep_view() -> None:
    """At 62 degrees the cells are half as high as wide, and every point is as good as ever."""
    light, h = _scene(px_per_mm=4.6, turn_deg=5.0, tilt_deg=62.0)
    (square,) = _found(light)
    assert len(square.points_mm) > 0.9 * len(SQUARE_80.saddles_mm)
    assert np.abs(square.points_px - mapped(h, square.points_mm)).max() < 0.1


def test_points_that_a_lens_has_moved_are_points_all_the_same() -> None:
    """Bent by 1.5 pixels across the square, as a wide lens does near the frame; a cover's points are still dropped."""
    light, h = _scene()
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
    u, v = (x - MIDDLE[0]) / 190, (y - MIDDLE[1]) / 190
    bend = 0.8 * (u**3 + u * v**2)
    cover = mapped(h, np.array([[-45.0, -45.0], [-12.0, -45.0], [-12.0, -14.0], [-45.0, -14.0]]))
    cv2.fillPoly(light, [np.round(cover).astype(np.int32)], 0.5)
    bent = cv2.remap(light.astype(np.float32), x + bend.astype(np.float32), y, cv2.INTER_CUBIC).astype(np.float64)
    (square,) = _found(bent)
    below = (square.points_mm < [-12.0, -14.0]).all(axis=1)
    free = ~(SQUARE_80.saddles_mm < [-10.0, -12.0]).all(axis=1)
    assert not below.any() and len(square.points_mm) >= 0.97 * free.sum()


def test_a_small_square_of_too_few_pixels_is_named() -> None:
    light = table(WIDTH, HEIGHT)
    lay_square(light, SQUARE_30, homography_of(px_per_mm=1.9, middle_px=MIDDLE))
    assert _trouble(light, blur_px=0.4) in ("reference-too-small", "no-reference")


def test_a_fiducial_of_the_dictionary_that_is_no_design_is_no_reference() -> None:
    light = table(WIDTH, HEIGHT)
    marker = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(0), 17, 120)
    light[180:340, 240:400] = PAPER
    light[200:320, 260:380] = np.where(np.asarray(marker) > 0, PAPER, INK)
    assert _trouble(light) == "no-reference"


def test_a_fiducial_without_its_check_is_refused() -> None:
    """A bare fiducial of a design's id, say on another sheet."""
    light = table(WIDTH, HEIGHT)
    marker = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(0), SQUARE_80.fiducial_id, 90)
    light[60:460, 120:520] = PAPER
    light[215:305, 275:365] = np.where(np.asarray(marker) > 0, PAPER, INK)
    assert _trouble(light) in ("reference-covered", "reference-unclear", "no-reference")


def test_points_do_not_depend_on_the_light() -> None:
    """Half the light, a slope of light across: the points stay within three hundredths of a pixel."""
    light, h = _scene()
    slope = np.linspace(0.35, 0.75, WIDTH)[None, :]
    for dimmed in (light * 0.5, light * slope):
        (square,) = _found(dimmed)
        error = square.points_px - mapped(h, square.points_mm)
        assert np.sqrt((error**2).mean(axis=0)).max() < 0.03


def test_the_table_may_be_as_bright_as_the_paper() -> None:
    light, h = _scene()
    light[light == TABLE] = PAPER
    (square,) = _found(light)
    _require_right(square, h)


def test_points_that_fit_no_homography_are_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    def on_a_line(*_: object) -> Floats:
        return np.array([[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [0.0, 0.0, 1.0]])

    monkeypatch.setattr(finding, "_robust_homography", on_a_line)
    assert _trouble(_scene()[0]) == "reference-unclear"

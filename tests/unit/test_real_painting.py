"""The painter of real photographs on invented ones: where its square lies, and what its lens and halo fits recover."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.real.corpus import LabelledPhoto, photo_of
from calibration.real.halo import REACH_PX, STEP_PX, Halo, fitted_halo, sharpened, sharpened_step
from calibration.real.lens import LensFit, fit_lens, shared_lens, sizes_by
from calibration.real.painting import Placing, painted, rim_px, save_like
from calibration.real.placing import placings
from calibration.real.planes import SeenPhoto, folds
from calibration.real.side_points import POINTS, side_points
from cardmeasure.camera import Camera, camera_from_homography, project
from cardmeasure.geometry import fit_homography
from cardmeasure.photo import read_photo
from cardmeasure.reference.design import SQUARE_30, SQUARE_80, SquareDesign
from cardmeasure.reference.finding import find_squares

PICTURE_PX = (1600, 1200)
CARD_MM = (88.0, 56.4)
WAVY = (0.33, -1.7, 2.8)
"""Radial terms as equal cards on a phone's photos asked for."""
PLAIN = Halo(sigma_px=0.7, amount=0.0, radius_px=1.0, found=False)


def camera_of(k: tuple[float, float, float] = WAVY, *, principal_off_px: tuple[float, float] = (12.0, -9.0)) -> Camera:
    """A phone 330 mm above a table, tilted by about 7 degrees."""
    plane = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [0.0, 300.0]])
    px = np.array([[60.0, 50.0], [1540.0, 30.0], [1500.0, 1170.0], [90.0, 1140.0]])
    principal = (np.array(PICTURE_PX) - 1) / 2 + np.array(principal_off_px)
    camera = camera_from_homography(fit_homography(plane, px), focal_px=1250.0, principal_px=principal)
    return replace(camera, distortion=np.array([*k, 0.0, 0.0]))


def card_corners(camera: Camera, x_mm: float, y_mm: float, turn_deg: float) -> np.ndarray:
    """Corners (4, 2) of a card in the photo, px."""
    half = np.array(CARD_MM) / 2
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    flat = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ np.array([[c, s], [-s, c]]) + [x_mm, y_mm]
    return project(camera, np.column_stack([flat, np.zeros(4)]))


def card_sides(camera: Camera, x_mm: float, y_mm: float, turn_deg: float) -> np.ndarray:
    """Points (4, POINTS, 2) along the bent sides of a card in the photo, px."""
    half = np.array(CARD_MM) / 2
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ np.array([[c, s], [-s, c]]) + [x_mm, y_mm]
    t = np.linspace(0.14, 0.86, POINTS)[:, None]
    sides = [a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    flat = np.concatenate(sides)
    return project(camera, np.column_stack([flat, np.zeros(len(flat))])).reshape(4, POINTS, 2)


LAID = [(70 + 125 * i, 55 + 90 * j, 9.0 * i - 14.0 * j + 3) for i in range(3) for j in range(3)]


def fit_of(camera: Camera, laid: list[tuple[float, float, float]], *, noise_px: float = 0.1) -> LensFit:
    rng = np.random.default_rng(5)
    sides = [card_sides(camera, *one) for one in laid]
    sides = [one + rng.normal(size=one.shape) * noise_px for one in sides]
    corners = [card_corners(camera, *one) for one in laid]
    plane_mm = np.array([[x, y] for x, y, _ in laid])
    plane_px = project(camera, np.column_stack([plane_mm, np.zeros(len(laid))]))
    return fit_lens(
        sides_px=sides, corners_px=corners, size_mm=CARD_MM, plane_mm=plane_mm, plane_px=plane_px,
        picture_px=PICTURE_PX, focal_35mm=None,
    )  # fmt: skip


@pytest.mark.parametrize("k", [(0.0, 0.0, 0.0), WAVY, (-0.05, -0.2, 0.9)])
def test_the_lens_that_bent_equal_cards_is_found_again(k: tuple[float, float, float]) -> None:
    """Judged where it matters: cards that took no part come out as large as they are, which no homography gives."""
    camera = camera_of(k)
    fit = fit_of(camera, LAID[::2] + LAID[1:2])
    assert fit.has_lens and fit.rms_px < 0.12
    sizes = np.array([sizes_by(fit.camera, card_sides(camera, *one)) for one in LAID])
    assert np.abs(sizes - CARD_MM).max() < 0.08


def test_without_a_lens_the_same_cards_come_out_unequal() -> None:
    camera = camera_of(WAVY)
    sides, corners = zip(*((card_sides(camera, *one), card_corners(camera, *one)) for one in LAID), strict=True)
    plane_mm = np.array([[x, y] for x, y, _ in LAID])
    fit = fit_lens(
        sides_px=sides, corners_px=corners, size_mm=CARD_MM, plane_mm=plane_mm,
        plane_px=project(camera, np.column_stack([plane_mm, np.zeros(9)])), picture_px=PICTURE_PX, focal_35mm=None,
        with_lens=False,
    )  # fmt: skip
    sizes = np.array([sizes_by(fit.camera, one) for one in sides])
    assert np.ptp(sizes, axis=0).max() > 0.2


def test_photos_of_one_camera_tell_each_others_lens() -> None:
    fits = [fit_of(camera_of(WAVY), LAID[start:]) for start in (0, 1)]
    shared = shared_lens(fits)
    assert shared is not None and shared_lens([]) is None
    u = np.sqrt(np.diag(shared.covariance))
    assert (np.abs(shared.mean[1:] - WAVY) < 3 * u[1:]).all()


def test_points_along_a_side_lie_where_the_side_is() -> None:
    """A pale card on a dark table, drawn four times as large and reduced: its sides to a twentieth of a pixel."""
    corners = np.array([[100.3, 80.6], [420.8, 95.1], [405.2, 300.4], [90.7, 290.9]])
    large = np.full((1600, 2000), 60, np.uint8)
    cv2.fillConvexPoly(large, np.round((corners * 4 + 1.5) * 256).astype(np.int32), 200, cv2.LINE_AA, 8)
    grey = cv2.GaussianBlur(cv2.resize(large, (500, 400), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    moved = corners + np.array([[1.0, -0.8], [0.5, 1.1], [-0.9, 0.6], [0.4, -0.7]])
    found = side_points(grey.astype(np.float32), moved, sigma_px=0.8)
    assert np.isfinite(found).all()
    for points, a, b in zip(found, corners, np.roll(corners, -1, axis=0), strict=True):
        along = (b - a) / np.linalg.norm(b - a)
        off = (points - a) @ np.array([along[1], -along[0]])
        # a filled polygon of LINE_AA is drawn half of its own pixel larger: an eighth of one here
        assert np.abs(off - np.median(off)).max() < 0.1 and abs(np.median(off)) < 0.2


@pytest.mark.parametrize(("design", "scale"), [(SQUARE_80, 1.0), (SQUARE_30, 1.003)])
def test_saddle_points_of_a_painted_square_are_where_the_lens_says(
    design: SquareDesign, scale: float, tmp_path: Path
) -> None:
    """Found by the package itself in the saved JPEG: 0.1 px at most, 0.05 px RMS, bent by the lens and sharpened."""
    camera = camera_of()
    rng = np.random.default_rng(2)
    table = np.clip(rng.normal(90, 2.0, (PICTURE_PX[1], PICTURE_PX[0], 3)), 0, 255).astype(np.uint8)
    table[:200, :200] = 225  # something pale, as every photo has, for the paper to be as bright as
    halo = Halo(sigma_px=0.7, amount=0.2, radius_px=1.5, found=True)
    placing = Placing(design=design, at_mm=(290.0, 190.0), turn_deg=11.0, scale=scale, below_mm=0.2)
    source = tmp_path / "table.png"
    cv2.imwrite(str(source), table)
    save_like(painted(table, camera, placing, halo), source, tmp_path / "painted.jpg")
    square = find_squares(read_photo(tmp_path / "painted.jpg", max_megapixels=10))[0]
    assert square.design is design and len(square.points_mm) > 0.9 * len(design.saddles_mm)
    off = square.points_px - project(camera, placing.to_plane_mm(square.points_mm))
    distance = np.hypot(*off.T)
    assert np.sqrt(np.mean(distance**2)) < 0.05 and distance.max() < 0.1


def test_the_rim_of_a_square_is_bent_by_the_lens() -> None:
    placing = Placing(design=SQUARE_80, at_mm=(340.0, 60.0), turn_deg=0.0, scale=1.0, below_mm=0.0)
    rim = rim_px(camera_of(), placing, per_side=9)[:9]
    straight = rim[0] + (rim[-1] - rim[0]) * np.linspace(0, 1, 9)[:, None]
    assert np.abs(rim - straight).max() > 0.3


def test_places_on_the_plane_and_on_the_design_are_the_same_ones() -> None:
    placing = Placing(design=SQUARE_30, at_mm=(3.0, -8.0), turn_deg=33.0, scale=0.667, below_mm=0.2)
    points = np.array([[1.0, 2.0], [-14.0, 9.0]])
    assert placing.to_design_mm(placing.to_plane_mm(points)[:, :2]) == pytest.approx(points)


@pytest.mark.parametrize(("amount", "radius_px"), [(0.0, 2.0), (0.3, 1.5), (0.8, 3.0)])
def test_a_halo_is_read_from_its_profile(amount: float, radius_px: float) -> None:
    t = np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)
    found = fitted_halo(sharpened_step(t, sigma_px=0.9, amount=amount, radius_px=radius_px), sigma_px=0.7)
    again = sharpened_step(t, sigma_px=found.sigma_px, amount=found.amount, radius_px=found.radius_px)
    assert again == pytest.approx(sharpened_step(t, sigma_px=0.9, amount=amount, radius_px=radius_px), abs=0.01)


def test_what_sharpening_adds_is_the_overshoot_of_its_model() -> None:
    halo = Halo(sigma_px=1.0, amount=0.5, radius_px=2.0, found=True)
    t = np.arange(-40.0, 41.0)
    plain = 100 * sharpened_step(t, sigma_px=halo.sigma_px, amount=0.0, radius_px=1.0)
    picture = np.repeat(np.repeat(plain[None, :, None], 30, axis=0), 3, axis=2).astype(np.float32)
    row = (picture + sharpened(picture, halo))[15, :, 0]
    model = 100 * sharpened_step(t, sigma_px=halo.sigma_px, amount=halo.amount, radius_px=halo.radius_px)
    assert row == pytest.approx(model, abs=0.5)
    assert row.max() > 105


def labelled(things: list[np.ndarray], places: list[dict[str, object]]) -> LabelledPhoto:
    record = {"things": [{"corners_px": corners.tolist()} for corners in things], "places": places}
    return photo_of("invented", record, folder=Path())


def test_a_place_that_is_named_is_taken_unless_its_check_leaves_the_frame() -> None:
    camera = camera_of()
    grey = np.full((PICTURE_PX[1], PICTURE_PX[0]), 90, np.float32)
    inside = {"side": 80, "at_mm": [200, 150], "turn_deg": 5.0}
    outside = {"side": 80, "at_mm": [5, 5]}
    found = placings(labelled([], [outside, inside]), camera, grey, thickness_mm=0.3, paper_mm=0.1)
    assert [(one.at_mm, one.design) for one in found] == [((200, 150), SQUARE_80)]
    assert found[0].below_mm == pytest.approx(0.2)


def test_where_no_place_is_named_the_largest_square_that_fits_lies_on_nothing() -> None:
    camera = camera_of((0.0, 0.0, 0.0))
    grey = np.full((PICTURE_PX[1], PICTURE_PX[0]), 90, np.float32)
    things = [card_corners(camera, x, y, 5.0) for x in (50, 150, 250, 350) for y in (50, 130, 210)]
    (one,) = placings(labelled(things, []), camera, grey, thickness_mm=0.3, paper_mm=0.1)
    rim = rim_px(camera, one).astype(np.float32)
    assert rim.min() > 0 and (rim < np.array(PICTURE_PX) - 1).all()
    assert all(cv2.intersectConvexConvex(rim, thing.astype(np.float32))[0] == 0 for thing in things)
    assert 20 <= one.scale * one.design.side_mm < 80


def seen_table(*, stretch: float = 1.0) -> SeenPhoto:
    """A photo of nine equal cards, one of which may be longer than the rest."""
    camera = camera_of()
    middles = np.array([[x, y] for x, y, _ in LAID], float)
    px = project(camera, np.column_stack([middles, np.zeros(len(LAID))]))
    things = [{"corners_px": card_corners(camera, *one).tolist(), "equal": True} for one in LAID]
    plane = {"mm": middles.tolist(), "px": px.tolist(), "long_mm": CARD_MM[0], "short_mm": CARD_MM[1]}
    sides = np.array([card_sides(camera, *one) for one in LAID])
    first = sides[0].reshape(-1, 2)
    sides[0] = ((first - first.mean(axis=0)) * stretch + first.mean(axis=0)).reshape(4, POINTS, 2)
    photo = photo_of("invented", {"things": things, "plane": plane}, folder=Path())
    return SeenPhoto(photo=photo, picture_px=PICTURE_PX, equal_sides=sides, flat_sides=(), camera=None)


def test_cards_are_scored_by_a_camera_that_was_fitted_without_them() -> None:
    """A card longer than the others is not hidden by the lens: those that leave it out see it so, to half of that."""
    found = folds(seen_table(stretch=1.004), shared=None)
    assert sorted(k for fold in found for k in fold.held_out) == list(range(9)) and len(found) == 3
    assert not any(fold.circular for fold in found)
    assert [fold.fit.cards for fold in found] == [6, 6, 6]
    without = next(fold for fold in found if 0 in fold.held_out)
    sizes = sizes_by(without.fit.camera, seen_table(stretch=1.004).equal_sides[0])
    assert sizes is not None and 0.5 * 0.352 < sizes[0] - CARD_MM[0] < 1.5 * 0.352


def test_where_a_part_of_the_cards_tells_no_firm_plane_all_are_used_and_that_is_said() -> None:
    (fold,) = folds(seen_table(stretch=1.04), shared=None)
    assert fold.circular and fold.fit.cards == 9

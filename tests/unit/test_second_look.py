"""What sends a table to the second look, and which of what it sees is no card: drawn, so that the truth is known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from plan_shapes import regular

from cardmeasure.camera import Camera
from cardmeasure.outlines.ground import pieces_mask
from cardmeasure.outlines.second_look import MOST_SPREAD
from cardmeasure.photo import Photo, read_photo
from cardmeasure.quads import quads_from_corners
from cardmeasure.shapes.measuring import MeasuredShape, _is_mostly_corner
from cardmeasure.shapes.proof import are_blown_out

Pixels = NDArray[np.floating[Any]]
PER_MM, WIDTH, HEIGHT = 4.0, 1000, 800
PAPER = np.array([[400, 300], [600, 300], [600, 500], [400, 500]], float)


def photo_of(tmp_path: Path, table: Pixels) -> Photo:
    """A table (h, w), code values, with noise."""
    noisy = table + np.random.default_rng(5).normal(0, 2.0, table.shape)
    path = tmp_path / "table.png"
    cv2.imwrite(str(path), np.clip(np.repeat(noisy[..., None], 3, axis=2), 0, 255).astype(np.uint8))
    return read_photo(path)


def shaded(light: float) -> Pixels:
    """A plain table whose light falls off to less than half."""
    return np.asarray(light * np.linspace(1.0, 0.65, WIDTH) * np.linspace(1.0, 0.9, HEIGHT)[:, None])


def checked(light: float, dark: float, *, check_mm: float) -> Pixels:
    y, x = np.indices((HEIGHT, WIDTH)) // round(check_mm * PER_MM)
    return np.where((x + y) % 2, light, dark)


@pytest.mark.parametrize("light", [60.0, 120.0, 200.0])
def test_a_plain_table_hardly_spreads_however_the_light_falls_off(tmp_path: Path, light: float) -> None:
    seen = pieces_mask(photo_of(tmp_path, shaded(light)), px_per_mm=PER_MM, known=[PAPER])
    assert seen.spread < 0.25 * MOST_SPREAD


@pytest.mark.parametrize(("light", "dark"), [(220.0, 110.0), (150.0, 60.0)])
def test_a_checked_cloth_that_is_taken_for_one_ground_spreads(tmp_path: Path, light: float, dark: float) -> None:
    """The wide means see both kinds of check as one table, whose spread alone tells it from a plain one."""
    seen = pieces_mask(photo_of(tmp_path, checked(light, dark, check_mm=9.0)), px_per_mm=PER_MM, known=[PAPER])
    assert seen.spread > MOST_SPREAD


def straight_above() -> Camera:
    return Camera(
        focal_px=400 * PER_MM, principal_px=np.array([-0.5, -0.5]), distortion=np.zeros(5), rotation=np.eye(3),
        translation_mm=np.array([0.0, 0.0, 400.0]),
    )  # fmt: skip


@pytest.mark.parametrize(("code", "blown_out"), [(255.0, True), (235.0, False), (120.0, False)])
def test_only_what_is_as_bright_as_can_be_all_along_its_sides_is_glare(
    tmp_path: Path, code: float, blown_out: bool
) -> None:
    table = shaded(90.0)
    cv2.rectangle(table, (200, 160), (452, 512), code, -1)
    corners = np.array([[200, 160], [452, 160], [452, 512], [200, 512]]) / PER_MM
    quad = quads_from_corners(corners, elevation_mm=0.3)[None]
    assert are_blown_out(photo_of(tmp_path, table), straight_above(), quad).tolist() == [blown_out]


def test_white_with_one_dark_side_is_no_glare(tmp_path: Path) -> None:
    table = shaded(90.0)
    cv2.rectangle(table, (200, 160), (452, 512), 255.0, -1)
    cv2.rectangle(table, (200, 160), (240, 512), 80.0, -1)
    corners = np.array([[200, 160], [452, 160], [452, 512], [200, 512]]) / PER_MM
    quad = quads_from_corners(corners, elevation_mm=0.3)[None]
    assert not are_blown_out(photo_of(tmp_path, table), straight_above(), quad).any()


def shape(sides: int, radius_mm: float | None) -> MeasuredShape:
    return MeasuredShape(
        plan=regular(sides, 30.0, radius=radius_mm or 0.0), sizes_mm=np.array([30.0, 34.0, np.nan]), groups={},
        corners_px=np.zeros((4, 2)), outline_px=np.zeros((0, 2)), radius_mm=radius_mm, thickness_mm=2.0, flags=(),
    )  # fmt: skip


@pytest.mark.parametrize(("radius_mm", "expected"), [(None, False), (0.0, False), (3.0, False), (11.0, True)])
def test_a_polygon_that_is_hardly_more_than_its_round_corners_is_no_tile(
    radius_mm: float | None, expected: bool
) -> None:
    """Coins that lie on each other look so."""
    assert _is_mostly_corner(shape(3, radius_mm)) == expected

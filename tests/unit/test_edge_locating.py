"""Sides found near rough outlines: the outermost clear step, not a frame inside the border nor a shadow's rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from square_pictures import srgb

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, rotation_matrix
from cardmeasure.edges.locating import U_STEP_PX, WINDOW_PX, located_quads
from cardmeasure.edges.profiles import places_and_normals
from cardmeasure.photo import CameraTags, Photo
from cardmeasure.photo.colour import response_curve

Floats = NDArray[np.float64]
Colour = tuple[float, float, float]

PX_PER_MM, WIDTH_PX, HEIGHT_PX = 6.0, 560, 700
WIDTH_MM, HEIGHT_MM = 63.0, 88.0
MAT, BORDER, FRAME, PICTURE = (0.05, 0.1, 0.06), (0.6, 0.62, 0.65), (0.05, 0.04, 0.05), (0.5, 0.3, 0.2)
REACH_PX = 0.6 * PX_PER_MM + WINDOW_PX


@dataclass(frozen=True, kw_only=True)
class Card:
    """Rectangles about the card's middle, one upon the other: their growth beyond its edge, mm, shift, mm, colour."""

    turn_deg: float
    layers: tuple[tuple[float, float, Colour], ...]


PLAIN = ((0.0, 0.0, BORDER), (-3.0, 0.0, PICTURE))
FRAMED = ((0.0, 0.0, BORDER), (-2.2, 0.0, FRAME), (-2.7, 0.0, PICTURE))


def _camera() -> Camera:
    return Camera(
        rotation=rotation_matrix(np.zeros(3)), translation_mm=np.array([0.0, 0.0, 300.0]), focal_px=300 * PX_PER_MM,
        principal_px=np.array([281.3, 348.7]), distortion=np.zeros(5),
    )  # fmt: skip


def _quad(turn_deg: float) -> Floats:
    quad = np.zeros(qd.PARAMETERS)
    quad[: qd.HEIGHT + 1] = 0.4, -0.7, np.radians(turn_deg), WIDTH_MM, HEIGHT_MM
    return quad


def _photo(card: Card, *, mat: Colour = MAT) -> Photo:
    """From straight above, each pixel the mean over 3 x 3 places."""
    quad = _quad(card.turn_deg)
    offset = (np.arange(3) + 0.5) / 3 - 0.5
    x, y = ((np.arange(n)[:, None] + offset).ravel() for n in (WIDTH_PX, HEIGHT_PX))
    dx, dy = np.meshgrid((x - 281.3) / PX_PER_MM - quad[0], (y - 348.7) / PX_PER_MM - quad[1])
    c, s = np.cos(quad[qd.TURN]), np.sin(quad[qd.TURN])
    light = np.ones((*dx.shape, 3)) * mat
    for grown, shift, colour in card.layers:
        a, b = c * (dx - shift) + s * (dy - shift), c * (dy - shift) - s * (dx - shift)
        light[(np.abs(a) < WIDTH_MM / 2 + grown) & (np.abs(b) < HEIGHT_MM / 2 + grown)] = colour
    means = light.reshape(HEIGHT_PX, 3, WIDTH_PX, 3, 3).mean(axis=(1, 3))
    codes = srgb(means) * 255 + np.random.default_rng(4).normal(0, 1, means.shape)
    return Photo(
        pixels_bgr=np.ascontiguousarray(np.clip(np.round(codes), 0, 255).astype(np.uint8)),
        response=response_curve(levels=256, white=255), sha256="0" * 64, camera=CameraTags(focal_35mm=26.0),
        format="PNG",
    )  # fmt: skip


def _rough(quad: Floats, corners_mm: Floats) -> Floats:
    return qd.quads_from_corners(qd.corners_mm(quad)[:, :2] + corners_mm, elevation_mm=0.0)[None]


@pytest.mark.parametrize("turn_deg", [0.0, 3.0, 40.0, 91.0, -20.0])
@pytest.mark.parametrize("layers", [PLAIN, FRAMED], ids=["plain", "framed"])
def test_sides_are_found_from_corners_half_a_millimetre_off(
    turn_deg: float, layers: tuple[tuple[float, float, Colour], ...]
) -> None:
    """Sides to 1 px on average, as a cut lies between two pixels and a mixed one counts to the brighter side.

    Corners are then off by 1.4 px at most, and the rms of all steps is within what is stated of them.
    """
    quad = _quad(turn_deg)
    rough = _rough(quad, np.random.default_rng(round(turn_deg) % 7).uniform(-0.4, 0.4, (4, 2)))
    located = located_quads(_photo(Card(turn_deg=turn_deg, layers=layers)), _camera(), rough, reach_px=REACH_PX)
    assert located.found.all()
    error = project(_camera(), qd.corners_mm(located.quads[0])) - project(_camera(), qd.corners_mm(quad))
    assert np.linalg.norm(error, axis=1).max() < 1.4
    side = located.points.side
    px, normal = places_and_normals(_camera(), np.tile(quad, (4, 1)), np.arange(4), np.zeros(4))
    off = ((located.points.px - px[side]) * normal[side]).sum(axis=1)
    assert np.abs(np.bincount(side, off) / np.bincount(side)).max() < 1.0
    assert np.sqrt(np.mean(off**2)) < U_STEP_PX


def test_a_frame_printed_within_reach_is_passed_over() -> None:
    """A black line 0.8 mm inside a white border, a stronger step than the border's beside a grey mat."""
    mat = (0.25, 0.27, 0.26)
    layers = ((0.0, 0.0, BORDER), (-0.8, 0.0, (0.01, 0.01, 0.01)), (-3.0, 0.0, PICTURE))
    quad = _quad(12.0)
    photo = _photo(Card(turn_deg=12.0, layers=layers), mat=mat)
    located = located_quads(photo, _camera(), _rough(quad, np.full((4, 2), 0.1)), reach_px=REACH_PX)
    assert located.found.all()
    np.testing.assert_allclose(located.quads[0, [qd.WIDTH, qd.HEIGHT]], [WIDTH_MM, HEIGHT_MM], atol=0.3)


def test_the_rim_of_a_shadow_is_passed_over() -> None:
    """A shadow 0.7 mm wide, falling right and down, half as bright as the mat and of its colour."""
    mat = (0.3, 0.35, 0.28)
    shade = (0.15, 0.175, 0.14)
    quad = _quad(5.0)
    photo = _photo(Card(turn_deg=5.0, layers=((0.0, 0.7, shade), *PLAIN)), mat=mat)
    located = located_quads(photo, _camera(), _rough(quad, np.full((4, 2), 0.1)), reach_px=REACH_PX)
    assert located.found.all()
    np.testing.assert_allclose(located.quads[0, [qd.WIDTH, qd.HEIGHT]], [WIDTH_MM, HEIGHT_MM], atol=0.25)


def test_cards_are_located_each_by_itself() -> None:
    """Beside the card, a second outline where there is nothing but mat moves nothing, and is no obstacle."""
    quad = _quad(8.0)
    photo = _photo(Card(turn_deg=8.0, layers=PLAIN))
    rough = _rough(quad, np.full((4, 2), 0.2))
    alone = located_quads(photo, _camera(), rough, reach_px=REACH_PX)
    small = rough.copy()
    small[0, [qd.X, qd.Y, qd.WIDTH, qd.HEIGHT]] = -39.0, -50.0, 8.0, 10.0
    both = located_quads(photo, _camera(), np.concatenate([rough, small]), reach_px=REACH_PX)
    np.testing.assert_allclose(both.quads[0], alone.quads[0], rtol=0, atol=1e-9)
    np.testing.assert_array_equal(both.found[0], alone.found[0])


def test_a_card_one_of_whose_sides_is_not_found_is_left_where_it_was() -> None:
    """An outline 40 mm to the right of the card, partly beyond the picture."""
    quad = _quad(0.0)
    wrong = quad.copy()
    wrong[qd.X] += 40.0
    located = located_quads(_photo(Card(turn_deg=0.0, layers=PLAIN)), _camera(), wrong[None], reach_px=REACH_PX)
    assert not located.found[0, 1], "the right side lies beyond the picture"
    np.testing.assert_array_equal(located.quads[0], wrong)

"""Saddle points and crossings of a rendered check against where they were drawn: no bias, whatever the tone curve."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from square_pictures import developed, homography_of, lay_square, mapped, photo_of, srgb, table

from cardmeasure.reference.crossings import fit_crossings
from cardmeasure.reference.design import SQUARE_80
from cardmeasure.reference.finding import find_squares
from cardmeasure.reference.saddles import refine_saddles

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Tone = Callable[[Floats], Floats]

SIDE_PX = 520
RMS_PX, OFFSET_PX = 0.03, 0.01
"""Limits on the scatter per axis and on the mean offset of the points that are used."""
ROUGH_RMS_PX, ROUGH_OFFSET_PX = 0.07, 0.02
"""The same for saddle points before their crossings are fitted, which want a start within half a pixel."""


def _s_curve(light: Floats) -> Floats:
    """More contrast in the middle, as phones like it."""
    v = srgb(light)
    return v + 0.6 * v * (1 - v) * (v - 0.35)


def _lifted(light: Floats) -> Floats:
    """Bright shadows and rolled-off lights."""
    return 0.12 + 0.8 * np.asarray(srgb(light)) ** 0.8


TONES: dict[str, Tone] = {"srgb": srgb, "linear": lambda light: light, "s-curve": _s_curve, "lifted": _lifted}
POSES = {"straight": (0.0, 0.0), "turned": (27.3, 0.0), "tilted": (-63.0, 25.0), "slanted": (141.0, 40.0)}
"""Turn and tilt in degrees."""


@cache
def _drawn(pose: str) -> tuple[Floats, Floats]:
    """Linear light of a square of about 5.4 px/mm at no whole place, and the homography it was drawn with."""
    turn, tilt = POSES[pose]
    h = homography_of(px_per_mm=5.43, middle_px=(259.37, 260.81), turn_deg=turn, tilt_deg=tilt, azimuth_deg=33.0)
    light = table(SIDE_PX, SIDE_PX)
    lay_square(light, SQUARE_80, h)
    return light, h


def _check(pose: str, tone: str, *, blur_px: float = 0.9, noise: float = 0.0) -> tuple[Bytes, Floats]:
    """Code values of a square, and the homography it was drawn with."""
    light, h = _drawn(pose)
    return developed(light, blur_px=blur_px, tone=TONES[tone], noise=noise), h


def _starts(true: Floats) -> Floats:
    return true + np.random.default_rng(3).uniform(-0.8, 0.8, true.shape)


def _require(error: Floats, *, rms: float = RMS_PX, offset: float = OFFSET_PX) -> None:
    """Scatter and mean of errors (n, 2), each axis on its own."""
    assert np.sqrt((error**2).mean(axis=0)).max() <= rms
    assert np.abs(error.mean(axis=0)).max() <= offset


@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("pose", POSES)
def test_saddles_lie_where_they_were_drawn(pose: str, tone: str) -> None:
    pixels, h = _check(pose, tone)
    true = mapped(h, SQUARE_80.saddles_mm)
    found = refine_saddles(pixels, _starts(true), radius_px=8, smoothing_px=1.2)
    assert found.ok.all()
    assert (np.linalg.det(found.curvature) < 0).all(), "a saddle bends up one way and down the other"
    _require(found.points_px - true, rms=ROUGH_RMS_PX, offset=ROUGH_OFFSET_PX)


@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("pose", POSES)
def test_points_of_a_found_square_lie_where_they_were_drawn(pose: str, tone: str) -> None:
    """The whole way from the photo, with noise of a code value; at least nine points in ten are there."""
    pixels, h = _check(pose, tone, noise=1.0)
    (square,) = find_squares(photo_of(pixels))
    assert len(square.points_mm) >= 0.9 * len(SQUARE_80.saddles_mm)
    _require(square.points_px - mapped(h, square.points_mm))


@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("quarters", range(4))
def test_nothing_shifts_when_the_pixels_are_turned_or_flipped(quarters: int, flipped: bool) -> None:
    """All eight orientations of the same pixels: a half-pixel convention gone wrong would show in some of them."""
    pixels, h = _check("turned", "srgb")
    true = mapped(h, SQUARE_80.saddles_mm)
    last = SIDE_PX - 1
    for _ in range(quarters):  # a quarter turn anticlockwise: (x, y) -> (y, last - x)
        pixels, true = np.rot90(pixels), np.column_stack([true[:, 1], last - true[:, 0]])
    if flipped:
        pixels, true = pixels[:, ::-1], np.column_stack([last - true[:, 0], true[:, 1]])
    pixels = np.ascontiguousarray(pixels)
    saddles = refine_saddles(pixels, _starts(true), radius_px=8, smoothing_px=1.2)
    assert saddles.ok.all()
    _require(saddles.points_px - true, rms=ROUGH_RMS_PX, offset=ROUGH_OFFSET_PX)
    directions = np.linalg.inv(_local_axes(h, quarters, flipped))
    normals = directions / np.linalg.norm(directions, axis=2, keepdims=True)
    crossings = fit_crossings(pixels, saddles.points_px, normals, radius_px=10, blur_px=1.0)
    assert crossings.ok.all()
    _require(crossings.points_px - true)


def _local_axes(h: Floats, quarters: int, flipped: bool) -> Floats:
    """Derivatives (n, 2, 2) of the turned or flipped pixels after design millimetres."""
    at = mapped(h, SQUARE_80.saddles_mm)
    axes = np.stack([mapped(h, SQUARE_80.saddles_mm + step) - at for step in ([1e-3, 0.0], [0.0, 1e-3])], axis=2)
    turn = np.linalg.matrix_power(np.array([[0, 1], [-1, 0]]), quarters)
    flip = np.diag([-1, 1]) if flipped else np.eye(2)
    return np.asarray(flip @ turn @ axes) * 1e3


@pytest.mark.parametrize("blur_px", [0.9, 1.3, 2.0])
def test_crossings_tell_blur_and_contrast(blur_px: float) -> None:
    """In linear light the blur is that of the picture, pixels included (1/12 px² of variance), within five per cent."""
    pixels, h = _check("straight", "linear", blur_px=blur_px)
    true = mapped(h, SQUARE_80.saddles_mm)
    normals = np.repeat(np.eye(2)[None], len(true), axis=0)
    found = fit_crossings(pixels, true, normals, radius_px=10, blur_px=1.0)
    assert np.median(found.blur_px) == pytest.approx(np.sqrt(blur_px**2 + 1 / 12), rel=0.05)
    assert np.median(np.abs(found.contrast)) == pytest.approx((0.80 - 0.05) * 255, rel=0.02)
    cell = np.round((SQUARE_80.saddles_mm + SQUARE_80.check_mm / 2) / SQUARE_80.cell_mm).astype(int).sum(axis=1)
    np.testing.assert_array_equal(np.sign(found.contrast), np.where(cell % 2 == 0, -1.0, 1.0))


def test_no_saddle_is_made_up() -> None:
    """On bare paper, on a straight edge, outside the picture: nothing is found, beside a saddle that is."""
    pixels, h = _check("turned", "srgb")
    true = mapped(h, SQUARE_80.saddles_mm[:1])
    bare = mapped(h, np.array([[-38.0, -38.0]]))
    edge = mapped(h, np.array([[-33.0, 39.9]]))
    outside = np.array([[-5.0, 300.0], [300.0, SIDE_PX + 4.0], [2.0, 2.0]])
    found = refine_saddles(pixels, np.concatenate([true, bare, edge, outside]), radius_px=4, smoothing_px=1.2)
    np.testing.assert_array_equal(found.ok, [True, False, False, False, False, False])

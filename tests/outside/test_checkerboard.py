"""The saddle points of scikit-image's checkerboard, whose edges lie at 24.5 + 25 k pixels.

Source of the picture: `skimage.data.checkerboard`. Its edges were read off its pixel values, which are unchanged by
half a turn about each crossing: pixel centres have whole coordinates.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.data import checkerboard

from cardmeasure.reference.crossings import Crossings, fit_crossings
from cardmeasure.reference.saddles import refine_saddles

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

EDGES_PX = 24.5 + 25.0 * np.arange(7)
CELL_PX = 25
# left and upper parts cut off, so that x and y differ and a swap of them shows
CUTS = ((0, 0), (7, 3), (2, 9))
STARTS = ((0.0, 0.0), (0.9, -0.4), (-1.3, 1.1))
TOLERANCE_PX = 0.01


def seen(cut: tuple[int, int]) -> tuple[Bytes, Floats]:
    """The picture without its first columns and rows, and its crossings (49, 2)."""
    x, y = cut
    grid = np.stack(np.meshgrid(EDGES_PX, EDGES_PX), axis=-1).reshape(-1, 2)
    return np.asarray(checkerboard()[y:, x:], np.uint8), grid - np.array(cut)


def refined(picture: Bytes, start_px: Floats) -> tuple[Floats, Crossings]:
    """Saddle points, then crossings, with the patches and the smoothing used for cells of this size."""
    saddles = refine_saddles(picture, start_px, radius_px=int(0.36 * CELL_PX), smoothing_px=1.2)
    assert saddles.ok.all()
    along_axes = np.tile(np.eye(2), (len(start_px), 1, 1))
    crossings = fit_crossings(picture, saddles.points_px, along_axes, radius_px=10, blur_px=1.0)
    assert crossings.ok.all()
    return saddles.points_px, crossings


def test_the_edges_of_the_picture_lie_half_way_between_pixels() -> None:
    picture, _ = seen((0, 0))
    row = picture[10].astype(float)
    # the brightness that passes through the middle of its range between two pixel centres, by linear interpolation
    after = np.flatnonzero(np.diff(row > 127.5))
    crossing = after + (127.5 - row[after]) / (row[after + 1] - row[after])
    assert crossing == pytest.approx(EDGES_PX, abs=1e-9)


@pytest.mark.parametrize("cut", CUTS)
@pytest.mark.parametrize("start", STARTS)
def test_crossings_are_found_within_a_hundredth_of_a_pixel_from_starts_a_pixel_off(
    cut: tuple[int, int], start: tuple[float, float]
) -> None:
    picture, true_px = seen(cut)
    _, crossings = refined(picture, true_px + np.array(start))
    assert np.abs(crossings.points_px - true_px).max() < TOLERANCE_PX


@pytest.mark.parametrize("cut", CUTS)
def test_saddle_points_alone_are_good_starts_for_the_crossings(cut: tuple[int, int]) -> None:
    # the quadratic's window is centred on a whole pixel, here half a pixel from the truth, and so is not free of bias
    picture, true_px = seen(cut)
    saddles_px, _ = refined(picture, true_px)
    assert np.abs(saddles_px - true_px).max() < 0.15


@pytest.mark.parametrize("turns", range(4))
def test_a_turned_picture_has_its_crossings_turned(turns: int) -> None:
    picture, true_px = seen(CUTS[1])
    turned = np.rot90(picture, turns)
    height, width = picture.shape
    for _ in range(turns):
        # a quarter turn anticlockwise: the last column becomes the first row
        true_px = np.column_stack([true_px[:, 1], width - 1 - true_px[:, 0]])
        height, width = width, height
    _, crossings = refined(np.ascontiguousarray(turned), true_px + np.array(STARTS[1]))
    assert np.abs(crossings.points_px - true_px).max() < TOLERANCE_PX


def test_the_contrast_has_the_sign_of_the_check() -> None:
    picture, true_px = seen((0, 0))
    _, crossings = refined(picture, true_px)
    index = np.round((true_px - EDGES_PX[0]) / CELL_PX).astype(int).sum(axis=1)
    assert (np.sign(crossings.contrast) == np.where(index % 2 == 0, 1, -1) * np.sign(crossings.contrast[0])).all()
    assert np.abs(crossings.contrast) == pytest.approx(255, rel=0.01)

"""Whether a reference square is shown on a screen instead of printed on paper: its size is then anything.

Two signs: a regular grid within the white cells (the screen's pixels, or what they make with the camera's), and black
that is blacker than ink. Both together are a screen, and no size can be given. One alone is a suspicion, for
compression may draw a grid into noise, and a phone's steep tone curve makes ink as black; so black counts only where no
cut edge of paper can be seen, as on a white desk. The geometry is right all the same and no u could say it: it is a
doubt.
"""

from __future__ import annotations

from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import apply_homography
from cardmeasure.photo import Photo
from cardmeasure.reference.design import HOLE_CELLS, SquareDesign
from cardmeasure.reference.finding import Sighting, SquareSighting
from cardmeasure.reference.sheet_finding import SheetSighting

Floats = NDArray[np.floating[Any]]

INSIDE = 0.55
"""Side of the upright patch that is looked at, over the height of a cell, which may lie at any turn."""
PATCH_PX = (14, 48)
CELLS = 24
"""So many white cells tell as much as all."""
UNEVEN, REPEATED = 0.06, 0.15
"""Scatter within white cells, as a share of their light, and its correlation with itself some pixels on. Noise may
scatter by 0.08, but is not correlated so far; rendered screens lie above both, rendered prints never did."""
FAR_PX = 3.0
INK = 0.028
"""Light of printed black over that of paper is more: 0.04 to 0.12 in rendered photos, with steep tone curves, too."""
BEYOND_MM, PAGE = 5.0, 0.75
"""So far outside the cutting line there is mat. What has this share of the paper's light there is no mat."""


class OnScreen(Enum):
    """Whether a square is shown on a screen."""

    NO = "no"
    PERHAPS = "perhaps"
    SURELY = "surely"


def on_screen(photo: Photo, square: Sighting) -> OnScreen:
    """Whether the square is shown on a screen, as far as that can be seen; no for any other design."""
    if isinstance(square, SheetSighting):
        return OnScreen.NO
    grid, black = _has_a_grid(photo, square), _blackness(photo, square) < INK
    if grid and black:
        return OnScreen.SURELY
    return OnScreen.PERHAPS if grid or (black and _is_uncut(photo, square)) else OnScreen.NO


def _has_a_grid(photo: Photo, square: SquareSighting) -> bool:
    patches = _white_patches(photo, square)
    if not len(patches):
        return False
    scatter = patches / np.maximum(patches.mean(axis=(1, 2), keepdims=True), 1e-3) - 1
    uneven = float(scatter.std())
    return uneven > UNEVEN and _repeats(scatter) > REPEATED


def _repeats(scatter: Floats) -> float:
    """Largest correlation of patches (n, s, s) with themselves moved by `FAR_PX` at least."""
    side = scatter.shape[1]
    window = np.outer(np.hanning(side), np.hanning(side))
    power = (np.abs(np.fft.fft2((scatter - scatter.mean(axis=(1, 2), keepdims=True)) * window)) ** 2).mean(axis=0)
    # a shade across the cell is no grid
    power[[0, 0, 1, -1, 1, 1, -1, -1, 0], [0, 1, 0, 0, 1, -1, 1, -1, -1]] = 0.0
    alike = np.fft.ifft2(power).real
    blank = np.fft.ifft2(np.abs(np.fft.fft2(window)) ** 2).real
    lag = np.hypot(*np.meshgrid(np.fft.fftfreq(side, 1 / side), np.fft.fftfreq(side, 1 / side)))
    near = (lag >= FAR_PX) & (lag <= 0.4 * side)
    return float((alike[near] / blank[near]).max() / max(float(alike[0, 0] / blank[0, 0]), 1e-12))


def _white_patches(photo: Photo, square: SquareSighting) -> Floats:
    """Linear green light (n, s, s) of the inside of white cells."""
    side = 2 * int(min(INSIDE * _least_height_px(square), PATCH_PX[1]) / 2)
    if side < PATCH_PX[0]:
        return np.zeros((0, 0, 0))
    middles = np.round(apply_homography(square.homography, white_cells_mm(square.design))).astype(int)
    half = side // 2
    kept = [
        (x, y) for x, y in middles.tolist() if half <= x < photo.width_px - half and half <= y < photo.height_px - half
    ]
    green = photo.pixels_bgr[..., 1]
    step = max(1, len(kept) // CELLS)
    codes = np.array([green[y - half : y + half, x - half : x + half] for x, y in kept[::step]], green.dtype)
    return photo.response[codes]


def _least_height_px(square: SquareSighting) -> float:
    """The least distance between opposite sides of the check's cells: what is left of the most slanted."""
    cell, middles = square.design.cell_mm, white_cells_mm(square.design)
    at = apply_homography(square.homography, middles)
    across, down = (apply_homography(square.homography, middles + step) - at for step in ([cell, 0.0], [0.0, cell]))
    area = np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0])
    return float((area / np.maximum(np.hypot(*across.T), np.hypot(*down.T))).min())


def white_cells_mm(design: SquareDesign) -> Floats:
    """Middles of the white cells of the check, (n, 2)."""
    i, j = (grid.ravel() for grid in np.meshgrid(np.arange(design.cells), np.arange(design.cells)))
    low = (design.cells - HOLE_CELLS) // 2
    hole = (i >= low) & (i < low + HOLE_CELLS) & (j >= low) & (j < low + HOLE_CELLS)
    white = ((i + j) % 2 == 1) & ~hole
    return np.column_stack([i[white] + 0.5, j[white] + 0.5]) * design.cell_mm - design.check_mm / 2


def _blackness(photo: Photo, square: SquareSighting) -> float:
    black, white = (float(photo.response[int(code)]) for code in (square.black, square.white))
    return black / max(white, 1e-6)


def _is_uncut(photo: Photo, square: SquareSighting) -> bool:
    """Whether it is white all round, outside the cutting line as well."""
    reach = square.design.side_mm / 2 + BEYOND_MM
    along = np.linspace(-reach, reach, 9)
    ends = np.full(len(along), reach)
    ring = np.vstack([np.column_stack(s) for s in ((along, -ends), (along, ends), (-ends, along), (ends, along))])
    x, y = np.round(apply_homography(square.homography, ring)).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < photo.width_px) & (y < photo.height_px)
    if inside.mean() < 0.5:
        return False
    light = photo.response[photo.pixels_bgr[y[inside], x[inside], 1]]
    return bool(np.mean(light > PAGE * photo.response[int(square.white)]) > 0.9)

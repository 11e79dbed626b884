"""How bright the cells about a sheet's saddle points are, and what that says: hidden ones look otherwise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import Photo
from cardmeasure.reference.sheet import UNIT_MM, sign_at

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

SPOTS = (0.15, 0.22, 0.3, 0.37)
"""Where in a cell it is looked at, from its corner (0) along its diagonal (1)."""
WAYS = np.array([[2.0, 1.0], [-1.0, 2.0]]) * UNIT_MM
"""Sides of a cell, mm."""
UNLIKE, SHADED = 0.22, 0.8
"""Most that two cells of one kind at one point may differ by, in the logarithm of light, and their contrast from that
of all; and most that brightness may depart from its course over the picture: the phone's shadow may fall there."""
FLOOR = 0.004
LEAST_CONTRAST = 0.25
"""Of the logarithm of light between light and dark cells; the print is made for 0.79."""
ROUNDS = 6


@dataclass(frozen=True, kw_only=True, eq=False)
class CellLevels:
    """Logarithms of linear light, blue first, in the cells about points: light, dark (n, 3); like (n,): whether the two
    cells of each kind look alike and the kinds differ as they should."""

    light: Floats
    dark: Floats
    like: Mask


def cell_levels(photo: Photo, saddles_mm: Floats, points_px: Floats, by_mm: Floats) -> CellLevels:
    """Levels about saddle points (n, 2), seen at pixels (n, 2) with derivatives by_mm (n, 2, 2) after design mm."""
    first, second = WAYS
    arms = np.array([first + second, -first - second, first - second, second - first])
    # (n, 4 cells, spots, 2)
    steps = arms[:, None] * np.array(SPOTS)[:, None]
    px = points_px[:, None, None] + np.einsum("nij,klj->nkli", by_mm, steps)
    x, y = np.rint(px).astype(np.intp).transpose(3, 0, 1, 2)
    inside = (x >= 0) & (y >= 0) & (x < photo.width_px) & (y < photo.height_px)
    x, y = np.clip(x, 0, photo.width_px - 1), np.clip(y, 0, photo.height_px - 1)
    light = np.log(photo.response[photo.pixels_bgr[y, x]] + FLOOR).astype(np.float64)
    spread = np.ptp(light, axis=2).max(axis=2)
    cells = np.median(light, axis=2)
    dark_first = sign_at(saddles_mm)[:, None] > 0
    a, b = cells[:, :2], cells[:, 2:]
    dark, bright = (np.where(dark_first[..., None], one, other) for one, other in ((a, b), (b, a)))
    like = inside.all(axis=(1, 2)) & (spread.max(axis=1) < 3 * UNLIKE)
    for pair in (dark, bright):
        like &= np.abs(pair[:, 0] - pair[:, 1]).max(axis=1) < UNLIKE
    light_level, dark_level = bright.mean(axis=1), dark.mean(axis=1)
    like &= (light_level - dark_level).min(axis=1) > LEAST_CONTRAST
    return CellLevels(light=light_level, dark=dark_level, like=np.asarray(like))


def plausible(levels: CellLevels, points_px: Floats) -> Mask:
    """Which points (n,) look like an uncovered check: as bright and as rich in contrast as those around."""
    good = levels.like.copy()
    middle, contrast = (levels.light + levels.dark) / 2, levels.light - levels.dark
    basis = cubic(points_px, points_px)
    for _ in range(ROUNDS):
        if good.sum() < 3 * basis.shape[1]:
            return good
        fit = np.linalg.lstsq(basis[good], middle[good], rcond=None)[0]
        off = np.abs(middle - basis @ fit).max(axis=1)
        apart = np.abs(contrast - np.median(contrast[good], axis=0)).max(axis=1)
        usual = 4.0 * float(np.median(off[good]))
        better = levels.like & (off < max(SHADED, usual)) & (apart < UNLIKE)
        if (better == good).all():
            break
        good = better
    return good


def cubic(points: Floats, about: Floats) -> Floats:
    """Polynomials up to the third degree (n, 10) of points (n, 2), scaled to the spread of others (m, 2)."""
    x, y = ((points - about.mean(axis=0)) / np.maximum(np.ptp(about, axis=0) / 2, 1.0)).T
    return np.column_stack([x**i * y**j for i in range(4) for j in range(4 - i)])

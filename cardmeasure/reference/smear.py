"""How much a photo is blurred across the printed edges of either direction: a hand that moved smears along one way.

Edges between the cells of a check, half-way between crossings, are averaged in each of the two directions. A smear at
45 degrees to the print widens both alike; that it has a direction, too, only the cards' own sides can tell.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import apply_homography

Floats = NDArray[np.floating[Any]]

REACH, STEPS, MOST_EDGES = 0.45, 61, 60
"""Profiles reach so far, in cells, with so many places, over so many edges at most."""
SIXTH, HALF = 0.1587, 0.5
"""A Gaussian's edge rises from this share to the rest of its step within two standard deviations (its distribution
function at -1)."""
ROOM = 0.2
"""What lies farther out, as a share of the profile, shows the levels of black and white."""


def blur_covariance_px2(
    green: NDArray[np.generic], homography: Floats, saddles_mm: Floats, *, cell_mm: float, blur_px: float
) -> Floats:
    """Covariance (2, 2) of the blur in the picture: of blur_px on the whole, parted between the two directions.

    green : (H, W) code values. homography : design mm to pixels. saddles_mm : (n, 2), where four whole cells meet.
    """
    few = saddles_mm[:: 1 + len(saddles_mm) // MOST_EDGES]
    widths, ways = [], []
    for along in (np.array([cell_mm / 2, 0.0]), np.array([0.0, cell_mm / 2])):
        across = along[::-1] * 2
        middle = apply_homography(homography, few + along)
        ends = apply_homography(homography, few + along + REACH * across)
        edge = apply_homography(homography, few) - middle
        normal = np.column_stack([edge[:, 1], -edge[:, 0]]) / np.hypot(*edge.T)[:, None]
        normal *= np.sign((normal * (ends - middle)).sum(axis=1, keepdims=True))
        reach_px = float(np.median(((ends - middle) * normal).sum(axis=1)))
        away = np.linspace(-reach_px, reach_px, STEPS)
        widths.append(_width(_values(green, middle[:, None] + away[:, None] * normal[:, None]), away))
        ways.append(normal.mean(axis=0))
    first = ways[0] / np.hypot(*ways[0])
    axes = np.array([first, [first[1], -first[0]]])
    square = np.maximum(np.array(widths), 1e-3) ** 2
    square *= blur_px**2 / square.mean()
    return np.asarray(axes.T @ np.diag(square) @ axes)


def _width(profiles: Floats, away: Floats) -> float:
    """Standard deviation of the blur, px, from edges (n, m) of either sign; NaN outside the photo."""
    far = round(ROOM * profiles.shape[1])
    low, high = profiles[:, :far].mean(axis=1, keepdims=True), profiles[:, -far:].mean(axis=1, keepdims=True)
    step = np.where(np.abs(high - low) > 0, high - low, np.nan)
    # one edge after another, as their places scatter by parts of a pixel
    rise = np.maximum.accumulate((profiles - low) / step, axis=1)
    usable = np.isfinite(rise).all(axis=1)
    if not usable.any():
        return 1.0
    each = [np.interp([SIXTH, 1 - SIXTH], one, away) for one in rise[usable]]
    return float(np.median([(end - start) / 2 for start, end in each]))


def _values(green: NDArray[np.generic], at: Floats) -> Floats:
    """Code values at places (n, m, 2) in pixels, between them linearly; NaN outside the photo."""
    height, width = green.shape
    floor = np.floor(at).astype(np.intp)
    x, y = np.clip(floor[..., 0], 0, width - 2), np.clip(floor[..., 1], 0, height - 2)
    u, v = at[..., 0] - x, at[..., 1] - y
    corners = [green[y + dy, x + dx].astype(float) for dy in (0, 1) for dx in (0, 1)]
    value = (1 - v) * ((1 - u) * corners[0] + u * corners[1]) + v * ((1 - u) * corners[2] + u * corners[3])
    return np.asarray(np.where((u >= 0) & (u <= 1) & (v >= 0) & (v <= 1), value, np.nan))

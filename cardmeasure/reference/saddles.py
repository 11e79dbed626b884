"""Saddle points of a printed check, refined to some hundredths of a pixel, all of them at once.

Where four cells of a check meet, brightness has a saddle. A quadratic is fitted to the smoothed patch around each
point and its stationary point taken; three rounds suffice. Method after Ha et al., "Deltille Grids for Geometric
Camera Calibration", ICCV 2017. Saddles hardly move with ink spread, exposure, tone curve or sharpening, since all of
these treat both diagonals of the check alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

ROUNDS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Saddles:
    """Refined saddle points.

    points_px : (n, 2). curvature : (n, 2, 2), second derivatives of the smoothed brightness, code values per px².
    ok : (n,), whether a saddle was found within reach of where it was sought.
    """

    points_px: Floats
    curvature: Floats
    ok: NDArray[np.bool_]


def refine_saddles(channel: NDArray[np.generic], points_px: Floats, *, radius_px: int, smoothing_px: float) -> Saddles:
    """Refine saddle points from starts that are within about half of `radius_px`.

    Parameters
    ----------
    channel : (H, W), one channel in code values.
    points_px : (n, 2), starts.
    radius_px : half the side of the patch that the quadratic is fitted to; below half a cell.
    smoothing_px : standard deviation of the Gaussian applied first.
    """
    points = np.array(points_px, np.float64)
    reach = max(1.5, 0.7 * radius_px)
    fit = _smoothed_fit(radius_px, smoothing_px)
    margin = (fit.shape[1] - 1) // 2
    inside = _inside(channel, points, margin + 1)
    coefficients = np.zeros((len(points), 6))
    ok = inside.copy()
    centres = np.full(points.shape, -1, np.intp)
    for _ in range(ROUNDS):
        rounded = np.round(points).astype(np.intp)
        where = np.flatnonzero(ok & (rounded != centres).any(axis=1))  # the same patch tells the same again
        if not len(where):
            break
        centre = centres[where] = rounded[where]
        c = _patches(channel, centre, margin).reshape(len(centre), -1) @ fit.reshape(6, -1).T
        step, is_saddle = _stationary_point(c)
        moved = centre + step
        good = is_saddle & (np.hypot(*(moved - points_px[where]).T) < reach) & (np.abs(step).max(axis=1) < radius_px)
        good &= _inside(channel, moved, margin + 1)
        ok[where[~good]] = False
        points[where[good]] = moved[good]
        coefficients[where] = c
    curvature = np.stack(
        [2 * coefficients[:, 0], coefficients[:, 1], coefficients[:, 1], 2 * coefficients[:, 2]], axis=1
    )
    return Saddles(points_px=points, curvature=curvature.reshape(-1, 2, 2), ok=ok)


def _inside(channel: NDArray[np.generic], points: Floats, margin: int) -> NDArray[np.bool_]:
    h, w = channel.shape
    x, y = points.T
    return np.asarray((x >= margin) & (y >= margin) & (x <= w - 1 - margin) & (y <= h - 1 - margin))


def _patches(channel: NDArray[np.generic], centre: NDArray[np.intp], margin: int) -> Floats:
    side = 2 * margin + 1
    view = np.lib.stride_tricks.sliding_window_view(channel, (side, side))
    return view[centre[:, 1] - margin, centre[:, 0] - margin].astype(np.float64)


def _stationary_point(c: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Where the gradient of a x² + b xy + c y² + d x + e y + f vanishes, and whether that is a saddle."""
    determinant = 4 * c[:, 0] * c[:, 2] - c[:, 1] ** 2
    is_saddle = determinant < -1e-9
    safe = np.where(is_saddle, determinant, -1.0)
    x = (c[:, 1] * c[:, 4] - 2 * c[:, 2] * c[:, 3]) / safe
    y = (c[:, 1] * c[:, 3] - 2 * c[:, 0] * c[:, 4]) / safe
    return np.column_stack([x, y]), is_saddle


@lru_cache(maxsize=32)
def _smoothed_fit(radius: int, sigma: float) -> Floats:
    """From a patch to the six coefficients of a quadratic fitted to it when smoothed, (6, s, s): both are linear."""
    smooth = _smoothing(radius, sigma)
    side = 2 * radius + 1
    return np.asarray(smooth.T @ _quadratic_fit(radius).reshape(6, side, side) @ smooth)


def _quadratic_fit(radius: int) -> Floats:
    """Least-squares matrix from a patch to the six coefficients of a quadratic; a cone window about its middle."""
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1].reshape(2, -1).astype(np.float64)
    design = np.column_stack([x * x, x * y, y * y, x, y, np.ones_like(x)])
    weight = np.sqrt(np.maximum(0.0, 1.0 - np.hypot(x, y) / (radius + 1)))
    return np.asarray(np.linalg.pinv(design * weight[:, None]) * weight)


def _smoothing(radius: int, sigma: float) -> Floats:
    """Matrix that smooths (2 (radius + reach) + 1) samples to the middle 2 radius + 1."""
    reach = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / max(sigma, 1e-6)) ** 2)
    kernel /= kernel.sum()
    matrix = np.zeros((2 * radius + 1, 2 * (radius + reach) + 1))
    for row in range(2 * radius + 1):
        matrix[row, row : row + 2 * reach + 1] = kernel
    return matrix

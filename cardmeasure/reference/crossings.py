"""The last digit of a saddle point: a blurred crossing of two edges of known direction, fitted to a wide patch.

A quadratic uses only the pixels within the blur around a saddle; the edges that run out from it say as much again and
again, as far as the cells reach. Their directions are known from the homography, so place, levels and blur are all that
is left to fit. The patch and the model are unchanged by half a turn about the saddle, which keeps the place free of
bias whatever ink spread, tone curve or sharpening do to both colours.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import kernels
from cardmeasure.numerics import normal_cdf_and_pdf

Floats = NDArray[np.floating[Any]]

ROUNDS = 5
NEAR_BLURS, NEAR_PX = 2.0, 1.0
"""Only pixels so near an edge say where it is: so many blurs and so many pixels."""
CORE_PX = 6
"""Farther out every other pixel does: they say the same in half the time."""
SETTLED_PX = 2e-3
"""The steps shrink quadratically: after one so small, what is left is below a ten-thousandth of a pixel."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Crossings:
    """Fitted crossings: points_px (n, 2), blur_px (n,), contrast (n,) signed, ok (n,)."""

    points_px: Floats
    blur_px: Floats
    contrast: Floats
    ok: NDArray[np.bool_]


def fit_crossings(
    channel: NDArray[np.generic], points_px: Floats, normals: Floats, *, radius_px: int, blur_px: float
) -> Crossings:
    """Fit a blurred crossing at each start.

    Parameters
    ----------
    channel : (H, W) code values. points_px : (n, 2), starts good to half a pixel.
    normals : (n, 2, 2), unit normals of the two edges that cross, one a row.
    radius_px : half the side of the patch, below half a cell. blur_px : start for the blur.
    """
    n = len(points_px)
    h, w = channel.shape
    x, y = np.round(points_px).T
    ok = (x >= radius_px) & (y >= radius_px) & (x < w - radius_px) & (y < h - radius_px)
    centre = np.where(ok[:, None], np.round(points_px), radius_px).astype(np.intp)
    offset = _near_edges(normals, radius_px=radius_px, width_px=NEAR_BLURS * blur_px + NEAR_PX)
    columns, rows = (centre[:, k, None] + offset[:, k] for k in (0, 1))
    # single precision resolves a ten-thousandth of a pixel, in half the time
    value = channel[rows, columns].astype(np.float32)
    p: Floats = np.zeros((n, 5))  # x, y within the patch, blur, mean, half contrast
    p[:, :2] = np.where(ok[:, None], points_px - centre, 0.0)
    p[:, 2] = blur_px
    p[:, 3] = value.mean(axis=1)
    if kernels.compiled is not None and len(offset) <= kernels.MOST_PIXELS:
        patches, offsets, ways = kernels.singles(value), kernels.singles(offset), kernels.doubles(normals)
        kernels.compiled.fit_crossings(
            n, len(offset), radius_px, ROUNDS, SETTLED_PX, patches, offsets, ways, p
        )  # fmt: skip
    else:
        p = _fitted(value, offset, normals, p, radius_px)
    ok &= np.linalg.norm(p[:, :2] + centre - points_px, axis=1) < 1.0
    return Crossings(
        points_px=p[:, :2] + centre, blur_px=p[:, 2].astype(float), contrast=2 * p[:, 4].astype(float), ok=ok
    )


def _fitted(value: Floats, offset: NDArray[np.intp], normals: Floats, start: Floats, radius_px: int) -> Floats:
    """Unknowns (n, 5) of the crossings in patches (n, m) from starts, without kernels."""
    normals, offsets, p = normals.astype(np.float32), offset.astype(np.float32), start.astype(np.float32)
    across = normals @ offsets.T
    for turn in range(ROUNDS):
        r, j = _linearised(value, offsets, across, p, normals, radius_px)
        if turn == 0:
            # levels first, as the sign of the contrast is not known yet
            p[:, 3:] += _solved(j[:, 3:], r)
            continue
        step = _solved(j, r)
        step[:, :2] = np.clip(step[:, :2], -0.7, 0.7)
        step[:, 2] = np.clip(step[:, 2], -0.4, 0.4)
        p += step
        p[:, 2] = np.clip(p[:, 2], 0.3, radius_px / 1.5)
        if np.abs(step[:, :2]).max() < SETTLED_PX:
            break
    return p


def _near_edges(normals: Floats, *, radius_px: int, width_px: float) -> NDArray[np.intp]:
    """Offsets (m, 2) of the pixels of a round patch that lie near an edge of any crossing."""
    offset = _round_patch(radius_px)
    away = normals.reshape(-1, 2) @ offset.T.astype(np.float64)
    return np.asarray(offset[np.abs(away, out=away).min(axis=0) < width_px])


@lru_cache(maxsize=32)
def _round_patch(radius_px: int) -> NDArray[np.intp]:
    """Offsets (m, 2) of the pixels of a round patch that are read."""
    offset = np.mgrid[-radius_px : radius_px + 1, -radius_px : radius_px + 1].reshape(2, -1)[::-1].T
    away = np.hypot(*offset.T)
    return np.asarray(offset[(away < radius_px + 0.5) & ((away < CORE_PX) | (offset.sum(axis=1) % 2 == 0))])


def _linearised(
    value: Floats, offset: Floats, across: Floats, p: Floats, normals: Floats, radius: int
) -> tuple[Floats, Floats]:
    """Weighted residuals (n, m) and Jacobian (n, 5, m). The window is round about the present place.

    across : (n, 2, m), the pixels' offsets along both normals.
    """
    blur, mean, half = (p[:, k, None] for k in (2, 3, 4))
    u = (across - normals @ p[:, :2, None]) / blur[..., None]
    cdf, pdf = normal_cdf_and_pdf(u)
    e = 2 * cdf - 1
    # derivatives of the crossing's brightness after both distances, in pixels
    g = pdf * e[:, ::-1]
    g *= (-2 * half / blur)[..., None]
    product = e[:, 0] * e[:, 1]
    distance = np.sqrt((offset[:, 0] - p[:, 0, None]) ** 2 + (offset[:, 1] - p[:, 1, None]) ** 2)
    window = np.clip(radius - 0.5 - distance, 0.0, 1.0)
    j = np.empty((len(p), 5, len(offset)), np.float32)
    j[:, :2] = normals.transpose(0, 2, 1) @ g
    np.add(g[:, 0] * u[:, 0], g[:, 1] * u[:, 1], out=j[:, 2])
    j[:, 3] = 1.0
    j[:, 4] = product
    j *= window[:, None]
    return (value - mean - half * product) * window, j


def _solved(j: Floats, r: Floats) -> Floats:
    normal = np.asarray(j @ j.transpose(0, 2, 1), np.float64)
    # a patch without any contrast has nothing to say: it must not stop the others
    normal += (1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-9) * np.eye(j.shape[1])
    return np.asarray(np.linalg.solve(normal, j @ r[..., None])[..., 0])

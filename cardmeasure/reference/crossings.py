"""The last digit of a saddle point: a blurred crossing of two edges of known direction, fitted to a wide patch.

A quadratic uses only the pixels within the blur around a saddle; the edges that run out from it say as much again and
again. Their directions are known from the homography, so place, levels and blur are all that is left to fit. The
patch and the model are unchanged by half a turn about the saddle, which keeps the place free of bias whatever ink
spread, tone curve or sharpening do to both colours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import normal_cdf, normal_pdf

Floats = NDArray[np.floating[Any]]

ROUNDS = 5


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
    offset = np.mgrid[-radius_px : radius_px + 1, -radius_px : radius_px + 1].reshape(2, -1)[::-1].T
    pixels = centre[:, None] + offset
    value = channel[pixels[..., 1], pixels[..., 0]].astype(np.float64)
    p = np.zeros((n, 5))  # x, y within the patch, blur, mean, half contrast
    p[:, :2] = np.where(ok[:, None], points_px - centre, 0.0)
    p[:, 2] = blur_px
    p[:, 3] = value.mean(axis=1)
    p[:, 4] = 0.0
    for turn in range(ROUNDS):
        r, j = _linearised(value, offset, p, normals, radius_px)
        if turn == 0:
            # levels first, as the sign of the contrast is not known yet
            p[:, 3:] += _solved(j[..., 3:], r)
            continue
        step = _solved(j, r)
        step[:, :2] = np.clip(step[:, :2], -0.7, 0.7)
        step[:, 2] = np.clip(step[:, 2], -0.4, 0.4)
        p += step
        p[:, 2] = np.clip(p[:, 2], 0.3, radius_px / 1.5)
    ok &= np.linalg.norm(p[:, :2] + centre - points_px, axis=1) < 1.0
    return Crossings(points_px=p[:, :2] + centre, blur_px=p[:, 2], contrast=2 * p[:, 4], ok=ok)


def _linearised(
    value: Floats, offset: NDArray[np.int_], p: Floats, normals: Floats, radius: int
) -> tuple[Floats, Floats]:
    """Weighted residuals (n, m) and Jacobian (n, m, 5). The window is round about the present place."""
    d = offset[None] - p[:, None, :2]
    u = np.einsum("nmi,nki->nkm", d, normals) / p[:, 2, None, None]
    e = 2 * normal_cdf(u) - 1
    g = 2 * normal_pdf(u) / p[:, 2, None, None]
    half = p[:, 4, None]
    along = -(half * g[:, 0] * e[:, 1])[..., None] * normals[:, None, 0]
    along -= (half * g[:, 1] * e[:, 0])[..., None] * normals[:, None, 1]
    by_blur = -half * (g[:, 0] * u[:, 0] * e[:, 1] + g[:, 1] * u[:, 1] * e[:, 0])
    j = np.concatenate([along, by_blur[..., None], np.ones_like(by_blur)[..., None], (e[:, 0] * e[:, 1])[..., None]], 2)
    r = value - p[:, 3, None] - half * e[:, 0] * e[:, 1]
    window = np.clip(radius - 0.5 - np.hypot(d[..., 0], d[..., 1]), 0.0, 1.0)
    return r * window, j * window[..., None]


def _solved(j: Floats, r: Floats) -> Floats:
    normal = np.einsum("nmi,nmj->nij", j, j, optimize=True)
    # a patch without any contrast has nothing to say: it must not stop the others
    normal += (1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-9) * np.eye(j.shape[2])
    return np.asarray(np.linalg.solve(normal, np.einsum("nmi,nm->ni", j, r)[..., None])[..., 0])

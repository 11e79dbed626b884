"""What is table and what is not, on a reduced picture: a smooth background in the logarithm of linear light.

Shade and fall-off of the light multiply, so in the logarithm they add, and a cubic polynomial follows them. What lies
further from it than the table's own texture (squared Mahalanobis distance in colour) is a piece.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import Photo

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

PX_PER_MM = 3.0
FLOOR = 0.004
"""Added to linear light before the logarithm, so that black noise does not count as colour."""
WINDOWS_MM = (1.6, 3.6)
"""Sides of the means: small ones keep neighbours apart, large ones see a black border on a black mat."""
RING_MM = 5.0
"""The table is what shows in a ring of this width around the reference's paper."""
SURE, LIKELY = 40.0, 20.0
"""Squared distances: what is surely no table, and what belongs to a piece if it hangs together with such."""
FIT_ROUNDS = 8
SAMPLES = 12000


@dataclass(frozen=True, kw_only=True, eq=False)
class Reduced:
    """The reduced picture's pieces mask (h, w) and the factor from full to reduced pixels in x and y (2,)."""

    pieces: Mask
    factor: NDArray[np.float64]

    def to_full(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Full-resolution pixels of reduced ones (n, 2), pixel centres at whole numbers in both."""
        return np.asarray((points + 0.5) / self.factor - 0.5)

    def to_reduced(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Reduced pixels of full-resolution ones (n, 2)."""
        return np.asarray((points + 0.5) * self.factor - 0.5)


def pieces_mask(photo: Photo, *, px_per_mm: float, known: list[NDArray[np.float64]]) -> Reduced:
    """Mask of what is not table; `known` polygons (n, 2), full-resolution pixels, are neither."""
    k = min(1.0, PX_PER_MM / px_per_mm)
    size = (max(8, round(photo.width_px * k)), max(8, round(photo.height_px * k)))
    small = photo.pixels_bgr if k == 1.0 else cv2.resize(photo.pixels_bgr, size, interpolation=cv2.INTER_AREA)
    factor = np.array([small.shape[1] / photo.width_px, small.shape[0] / photo.height_px])
    log = np.log(photo.response[small] + np.float32(FLOOR))
    taken = np.zeros(log.shape[:2], np.uint8)
    for polygon in known:
        cv2.fillPoly(taken, [np.round((polygon + 0.5) * factor - 0.5).astype(np.int32)], 1)
    width = 2 * round(RING_MM * px_per_mm * float(factor.mean())) + 1
    ring = (cv2.dilate(taken, np.ones((width, width), np.uint8)) > 0) & (taken == 0)
    pieces = np.zeros(taken.shape, np.uint8)
    for window in (_odd(side * min(px_per_mm, PX_PER_MM)) for side in WINDOWS_MM):
        mean = cv2.blur(log, (window, window))
        far = _hanging_together(_distance_from_ground(mean, taken == 0, seed=_commonest(mean[ring].astype(np.float64))))
        # a mean reaches half its window beyond a piece; taking that off again brings the outline home
        reach = window // 2
        pieces |= cv2.erode(far, np.ones((2 * reach - 1, 2 * reach - 1), np.uint8))
    return Reduced(pieces=(pieces > 0) & (taken == 0), factor=factor)


def _odd(value: float) -> int:
    """The nearest odd number, at least 3."""
    return max(3, 2 * round((value - 1) / 2) + 1)


def _hanging_together(distance: Floats) -> NDArray[np.uint8]:
    """Mask of all likely pixels that are connected to a sure one (hysteresis)."""
    _, labels = cv2.connectedComponents((distance > LIKELY).astype(np.uint8), connectivity=4)
    sure = np.zeros(int(labels.max()) + 1, np.uint8)
    sure[labels[distance > SURE]] = 1
    sure[0] = 0
    return sure[labels]


def _distance_from_ground(log: Floats, free: Mask, *, seed: NDArray[np.float64]) -> Floats:
    """Squared Mahalanobis distance (h, w) of each pixel from the smooth background whose colour is about `seed`."""
    h, w = free.shape
    step = max(1, int(np.sqrt(h * w / SAMPLES)))
    y, x = np.mgrid[0:h:step, 0:w:step]
    use = free[y, x].ravel()
    y, x = y.ravel()[use], x.ravel()[use]
    values = log[y, x].astype(np.float64)
    basis = _cubic(x / w * 2 - 1, y / h * 2 - 1)
    near = np.linalg.norm(values - seed, axis=1) < 0.35
    coefficients = np.zeros((basis.shape[1], 3))
    inverse = np.eye(3)
    for turn in range(FIT_ROUNDS):
        terms = 3 if turn < 2 else 6 if turn < 4 else basis.shape[1]
        coefficients[:] = 0
        normal = basis[near][:, :terms].T @ basis[near][:, :terms] + 1e-6 * len(x) * np.eye(terms)
        coefficients[:terms] = np.linalg.solve(normal, basis[near][:, :terms].T @ values[near])
        r = values - basis @ coefficients
        inverse = np.linalg.inv(np.cov(r[near].T) + 2e-4 * np.eye(3))
        # 16: beyond the 99.9 % point of chi-squared with three degrees, so that true table is not eaten away
        near = np.einsum("ni,ij,nj->n", r, inverse, r) < 16.0
    rows = _rows_basis(h, w, coefficients)
    r32 = log - rows
    m = inverse.astype(np.float32)
    return np.asarray(np.einsum("hwi,hwi->hw", r32 @ m, r32))


def _commonest(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The colour around which most samples lie: the fullest cell of a coarse histogram, then a few mean shifts."""
    cell = 0.25
    index = np.floor(values / cell).astype(np.int64)
    _, inverse, counts = np.unique(index, axis=0, return_inverse=True, return_counts=True)
    centre = values[inverse.ravel() == int(np.argmax(counts))].mean(axis=0)
    for _ in range(5):
        near = np.linalg.norm(values - centre, axis=1) < 0.35
        centre = values[near].mean(axis=0) if near.any() else centre
    return np.asarray(centre)


def _cubic(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """The ten terms of a cubic polynomial, ordered by degree."""
    one = np.ones_like(x)
    return np.column_stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])


def _rows_basis(h: int, w: int, c: NDArray[np.float64]) -> Floats:
    """The fitted background (h, w, 3) on the whole grid, as products of powers of x and y."""
    x = (np.arange(w) / w * 2 - 1)[None, :]
    y = (np.arange(h) / h * 2 - 1)[:, None]
    powers_x, powers_y = np.stack([x[0] ** k for k in range(4)]), np.stack([y[:, 0] ** k for k in range(4)])
    table = {
        (0, 0): 0,
        (1, 0): 1,
        (0, 1): 2,
        (2, 0): 3,
        (1, 1): 4,
        (0, 2): 5,
        (3, 0): 6,
        (2, 1): 7,
        (1, 2): 8,
        (0, 3): 9,
    }
    out = np.zeros((h, w, 3), np.float32)
    for channel in range(3):
        grid = np.zeros((4, 4))
        for (i, j), term in table.items():
            grid[j, i] = c[term, channel]
        out[..., channel] = powers_y.T @ grid @ powers_x
    return out

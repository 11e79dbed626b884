"""What is table and what is not, on a reduced picture: a smooth background in the logarithm of linear light.

Shade and fall-off of the light multiply, so in the logarithm they add, and a cubic polynomial follows them. What lies
further from it than the table's own texture (squared Mahalanobis distance in colour) is a piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure import kernels
from cardmeasure.outlines.means import Means, MeansOfCodes, MeansOfPicture, halved_log, strips
from cardmeasure.photo import Photo
from cardmeasure.reducing import reduced_photo

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

PX_PER_MM = 2.4
FLOOR = 0.004
"""Added to linear light before the logarithm, so that black noise does not count as colour."""
NARROW_MM, WIDE_MM = 1.6, 3.6
"""Sides of the means: narrow ones keep neighbours apart, wide ones see a black border on a black mat."""
RING_MM = 5.0
"""The table is what shows in a ring of this width around the reference's paper."""
EVERY = 9
"""Of the ring's pixels so many-th is looked at: neighbours are averaged anyway."""
GREAT, SURE, LIKELY = 200.0, 40.0, 20.0
"""Squared distances: what no shade can be, what is surely no table, and what belongs to a piece if it hangs together
with such."""
SHADOW_DEPTH, SHADOW_COLOUR = 0.7, 12.0
"""A shadow dims the logarithm of light by less than this, all colours alike: most squared distance across that."""
FIT_ROUNDS = 8
SAMPLES = 3500
LEAST_BOX_PX = 64
"""A smaller region is noise or dust."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Reduced:
    """The reduced picture (h, w, 3), masks of its pieces, and the factor from full to reduced pixels in x, y (2,).

    masks (h, w): the first sees most, and may join neighbours; each after it sees less and keeps them apart better.
    spread : standard deviation of what was taken for the table about its smooth background, along the direction in
    which it is largest, logarithm of light.
    """

    pixels_bgr: NDArray[np.uint8 | np.uint16]
    masks: tuple[NDArray[np.uint8], ...]
    factor: NDArray[np.float64]
    spread: float

    def to_reduced(self, points: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
        """Reduced pixels of full-resolution ones (n, 2)."""
        return np.asarray((points + 0.5) * self.factor - 0.5)

    def to_full(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Full-resolution pixels of reduced ones (n, 2), pixel centres at whole numbers in both."""
        return np.asarray((points + 0.5) / self.factor - 0.5)


def pieces_mask(photo: Photo, *, px_per_mm: float, known: list[NDArray[np.floating[Any]]]) -> Reduced:
    """Masks of what is not table; `known` polygons (n, 2), full-resolution pixels, are neither."""
    k = min(1.0, PX_PER_MM / px_per_mm)
    size = (max(8, round(photo.width_px * k)), max(8, round(photo.height_px * k)))
    small = photo.pixels_bgr if k == 1.0 else reduced_photo(photo, *size)
    factor = np.array([small.shape[1] / photo.width_px, small.shape[0] / photo.height_px])
    table = np.log(photo.response + np.float32(FLOOR))
    taken = np.zeros(small.shape[:2], np.uint8)
    for polygon in known:
        cv2.fillPoly(taken, [np.round((polygon + 0.5) * factor - 0.5).astype(np.int32)], 1)
    per_mm = px_per_mm * float(factor.mean())
    # what only a wide mean can see needs no fine grid
    log = halved_log(small, table)
    seen_wide, spread = _differing(
        MeansOfPicture.of(log, _odd(WIDE_MM * per_mm / 2)),
        np.ascontiguousarray(taken[: 2 * log.shape[0] : 2, : 2 * log.shape[1] : 2]), per_mm=per_mm / 2,
    )  # fmt: skip
    wide = _home(_hanging_together(seen_wide), _odd(WIDE_MM * per_mm / 2))
    window = _odd(NARROW_MM * per_mm)
    seen, _ = _differing(MeansOfCodes(codes=small, table=table, window_px=window), taken, per_mm=per_mm)
    narrow, sure, great = (
        _home(mask, window) for mask in (_hanging_together(seen), *((seen >= least).view(np.uint8) for least in (2, 3)))
    )
    both = narrow.copy()
    height, width = 2 * wide.shape[0], 2 * wide.shape[1]
    both[:height, :width] |= np.asarray(cv2.resize(wide, (width, height), interpolation=cv2.INTER_NEAREST), np.uint8)
    for mask in (both, narrow, sure, great):
        mask[taken > 0] = 0
    return Reduced(pixels_bgr=small, masks=(both, narrow, sure, great), factor=factor, spread=spread)


def _differing(means: Means, taken: NDArray[np.uint8], *, per_mm: float) -> tuple[NDArray[np.uint8], float]:
    """How much each pixel (h, w) of a picture of means differs from the table: 0, or 1 likely, 2 surely, 3 greatly; and
    the spread of the table itself."""
    y, x = _ring(taken, 2 * round(RING_MM * per_mm) + 1)
    seed = _commonest(means.at(y[::EVERY], x[::EVERY]).astype(np.float64))
    h, w = taken.shape
    step = max(1, int(np.sqrt(h * w / SAMPLES)))
    y, x = (step * at for at in np.nonzero(taken[::step, ::step] == 0))
    basis = _cubic(x / w * 2 - 1, y / h * 2 - 1)
    coefficients, inverse = _fitted_ground(means.at(y, x).astype(np.float64), basis, seed)
    return _levels(means, coefficients, inverse), float(np.linalg.eigvalsh(inverse)[0] ** -0.5)


def _ring(taken: NDArray[np.uint8], ring_px: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the pixels in a ring around what is taken, row by row."""
    left, top, width, height = cv2.boundingRect(taken)
    top, left, bottom, right = (
        max(0, top - ring_px),
        max(0, left - ring_px),
        top + height + ring_px,
        left + width + ring_px,
    )
    part = taken[top:bottom, left:right]
    y, x = np.nonzero((cv2.dilate(part, np.ones((ring_px, ring_px), np.uint8)) > 0) & (part == 0))
    return y + top, x + left


def _home(mask: NDArray[np.uint8], window_px: int) -> NDArray[np.uint8]:
    """A mean reaches half its window beyond a piece; taking that off again brings the outline home."""
    return np.asarray(cv2.erode(mask, np.ones((window_px, window_px), np.uint8)), np.uint8)


def _odd(value: float) -> int:
    """The nearest odd number, at least 3."""
    return max(3, 2 * round((value - 1) / 2) + 1)


def _hanging_together(differs: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Mask of all likely regions with a sure pixel in them (hysteresis), their holes filled."""
    contours, _ = cv2.findContours((differs > 0).view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    mask = np.zeros(differs.shape, np.uint8)
    for contour in contours:
        x, y, w, h = cv2.boundingRect(contour)
        if w * h >= LEAST_BOX_PX and differs[y : y + h, x : x + w].max() > 1:
            cv2.drawContours(mask, [contour], 0, 1, cv2.FILLED)
    return mask


def _levels(means: Means, coefficients: NDArray[np.float64], inverse: NDArray[np.float64]) -> NDArray[np.uint8]:
    """How much each pixel differs from the smooth background, by its squared Mahalanobis distance from it."""
    h, w = means.shape
    # with inverse = a aT the squared distance is the squared length of aT r: whiten picture and background alike
    whitener = np.linalg.cholesky(inverse)
    of_y, of_x = _background(h, w, coefficients @ whitener)
    mix, add = whitener.T.astype(np.float32), np.ones((1, 3), np.float32)
    along = whitener.T @ np.ones(3)
    shade = (along / np.linalg.norm(along)).astype(np.float32)
    deepest = SHADOW_DEPTH * float(np.linalg.norm(along))
    levels = np.empty((h, w), np.uint8)
    if kernels.compiled is not None:
        limits = (deepest, LIKELY, SURE, GREAT, SHADOW_COLOUR)
        planes = kernels.singles(of_x.reshape(4, w, 3).transpose(0, 2, 1))
        room = np.empty((6, w), np.float32)
        for first, end in strips(h):
            kernels.compiled.ground_levels(
                (end - first, w), limits, kernels.singles(means.rows(first, end)), kernels.singles(mix),
                of_y[first:end], planes, shade, room, levels[first:end],
            )  # fmt: skip
        return levels
    for first, end in strips(h):
        white = np.asarray(cv2.transform(means.rows(first, end), mix), np.float32)
        ground = (of_y[first:end] @ of_x).reshape(-1, w, 3)
        white -= ground
        squared = np.asarray(cv2.transform(np.multiply(white, white, out=ground), add), np.float32)
        _take_out_shadows(squared, white, shade, deepest=deepest)
        level = levels[first:end]
        np.greater(squared, LIKELY, out=level.view(np.bool_))
        for least in (SURE, GREAT):
            level += squared > least
    return levels


def _take_out_shadows(distance: Floats, white: Floats, shade: Floats, *, deepest: float) -> None:
    """Lower the squared distances (h, w) so that nothing hangs together with a piece only because a shadow falls there.

    white : (h, w, 3), the whitened deviations. shade : (3,), the direction of brightness among them.
    """
    doubtful = np.flatnonzero((distance > LIKELY) & (distance < SURE))
    flat = distance.reshape(-1)
    dimming = white.reshape(-1, 3)[doubtful] @ shade
    across = flat[doubtful] - dimming**2
    flat[doubtful[(dimming < 0) & (dimming > -deepest) & (across < SHADOW_COLOUR)]] = LIKELY


def _fitted_ground(
    values: NDArray[np.float64], basis: NDArray[np.float64], seed: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coefficients (10, 3) of the background through the samples (n, 3) that agree with it; their inverse covariance.

    basis : (n, 10), the terms of the polynomial at the samples.
    """
    # rows of numbers, and weights of 0 and 1 instead of parts: several times as fast
    light, powers = np.ascontiguousarray(values.T), np.ascontiguousarray(basis.T)
    near = ((light - seed[:, None]) ** 2).sum(axis=0) < 0.35**2
    coefficients = np.zeros((len(powers), 3))
    inverse: NDArray[np.float64] = np.eye(3)
    for turn in range(FIT_ROUNDS):
        terms = 3 if turn < 2 else 6 if turn < 4 else len(powers)
        part = powers[:terms] * near
        normal = part @ powers[:terms].T + 1e-6 * len(basis) * np.eye(terms)
        coefficients[:] = 0
        coefficients[:terms] = np.linalg.solve(normal, part @ light.T)
        r = light - coefficients[:terms].T @ powers[:terms]
        inverse = np.asarray(np.linalg.inv(_covariance(r, near) + 2e-4 * np.eye(3)), np.float64)
        # 16: beyond the 99.9 % point of chi-squared with three degrees, so that true table is not eaten away
        before, near = near, ((inverse @ r) * r).sum(axis=0) < 16.0
        if terms == len(powers) and np.array_equal(before, near):
            break
    return coefficients, inverse


def _covariance(r: NDArray[np.float64], near: Mask) -> NDArray[np.float64]:
    """Covariance (3, 3) of those columns of r (3, n) that the mask (n,) names."""
    count = max(2, int(near.sum()))
    mine = r * near
    mean = mine.sum(axis=1) / count
    return np.asarray((mine @ mine.T - count * np.outer(mean, mean)) / (count - 1))


def _commonest(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The colour around which most samples lie: the fullest cell of a coarse histogram, then a few mean shifts."""
    cell = 0.25
    index = np.floor(values / cell).astype(np.int64)
    index -= index.min(axis=0)
    number = np.ravel_multi_index(tuple(index.T), tuple(index.max(axis=0) + 1))
    centre = values[number == int(np.argmax(np.bincount(number)))].mean(axis=0)
    for _ in range(5):
        near = np.linalg.norm(values - centre, axis=1) < 0.35
        centre = values[near].mean(axis=0) if near.any() else centre
    return np.asarray(centre)


def _cubic(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """The ten terms of a cubic polynomial, ordered by degree."""
    one = np.ones_like(x)
    return np.column_stack([one, x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])


def _background(h: int, w: int, coefficients: NDArray[np.float64]) -> tuple[Floats, Floats]:
    """The fitted background on the whole grid as the product of a function of y (h, 4) and of x (4, 3 w)."""
    x, y = np.arange(w) / w * 2 - 1, np.arange(h) / h * 2 - 1
    grid = np.zeros((4, 4, 3))
    grid[_POWERS_Y, _POWERS_X] = coefficients
    of_x = np.einsum("jic,iw->jwc", grid, np.vander(x, 4, increasing=True).T).reshape(4, 3 * w)
    return np.vander(y, 4, increasing=True).astype(np.float32), of_x.astype(np.float32)


_POWERS_X = [0, 1, 0, 2, 1, 0, 3, 2, 1, 0]
_POWERS_Y = [0, 0, 1, 0, 1, 2, 0, 1, 2, 3]
"""Exponents of the terms of `_cubic`."""

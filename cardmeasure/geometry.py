"""Plane geometry on small arrays of points: homographies and quadrilaterals."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


def apply_homography(h: Floats, points: Floats) -> Floats:
    """Map points (n, 2) by the homography (3, 3)."""
    p = points @ h[:, :2].T + h[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):  # points on the horizon lie infinitely far away
        return np.asarray(p[:, :2] / p[:, 2:])


def fit_homography(source: Floats, target: Floats) -> Floats:
    """Least-squares homography (3, 3) from four or more points (n, 2) to others, normalised (Hartley, PAMI 1997)."""
    a, b = _normaliser(source), _normaliser(target)
    p, q = apply_homography(a, source), apply_homography(b, target)
    n = len(p)
    one, zero = np.ones(n), np.zeros((n, 3))
    xy1 = np.column_stack([p, one])
    rows = np.concatenate(
        [
            np.column_stack([xy1, zero, -q[:, :1] * xy1]),
            np.column_stack([zero, xy1, -q[:, 1:] * xy1]),
        ]
    )
    h = np.linalg.svd(rows)[2][-1].reshape(3, 3) if n < 5 else np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    h = np.linalg.inv(b) @ h @ a
    return np.asarray(h / h[2, 2])


def local_scale(h: Floats, point: Floats) -> float:
    """Mean scale of a homography at a point (2,): square root of the area ratio."""
    w = h[2] @ np.append(point, 1.0)
    return float(np.sqrt(abs(np.linalg.det(h) / w**3)))


def area(polygon: Floats) -> float:
    """Signed area of a polygon (n, 2); positive if it runs clockwise in a picture (y down)."""
    x, y = polygon.T
    next_x, next_y = following(polygon).T
    return float(0.5 * (x @ next_y - y @ next_x))


def side_lengths(polygon: Floats) -> Floats:
    """Lengths (n,) of the sides of a polygon (n, 2), from each point to the next."""
    return np.asarray(np.hypot(*(following(polygon) - polygon).T))


def following(polygon: Floats) -> Floats:
    """The next point of a polygon (n, 2) after each: what `numpy.roll` gives, for a fifth of the time."""
    return np.concatenate([polygon[1:], polygon[:1]])


def clockwise_from_top_left(corners: Floats) -> Floats:
    """The same quadrilateral (4, 2), clockwise from the corner nearest the picture's top left."""
    ordered = corners if area(corners) > 0 else corners[::-1]
    first = int(np.argmin(ordered.sum(axis=1)))
    return np.concatenate([ordered[first:], ordered[:first]])


def _normaliser(points: Floats) -> Floats:
    mean = points.mean(axis=0)
    k = np.sqrt(2.0) / max(float(np.mean(np.linalg.norm(points - mean, axis=1))), 1e-12)
    return np.array([[k, 0, -k * mean[0]], [0, k, -k * mean[1]], [0, 0, 1.0]])

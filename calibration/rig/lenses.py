"""Lenses drawn as phones have them: classic terms, and the waves that correction in the phone leaves.

A lens magnifies by 1 + k1 r^2 + k2 r^4 + k3 r^6, r in focal lengths. Of a corrected lens hardly anything is left in the
mean, but a wave along the radius. Two waves are those that equal cards in photographs of two current phones ask for, at
any size; the others are drawn by where they cross zero. Principal points lie where stabilisation has left them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.rig.scene import Camera

Floats = NDArray[np.float64]
Rng = np.random.Generator

CLASSIC_U = (0.08, 0.06, 0.03)
"""Standard deviations of k1, k2, k3 of lenses that are not wavy (common practice, no source)."""
LARGEST_WAVE = 0.006
"""Largest displacement that a wave leaves beside the best magnification, of half the picture's diagonal."""
PRINCIPAL_SHARE, MOST_PRINCIPAL = 0.007, 0.02
"""Standard deviation of the principal point along each axis, and its largest distance, of the diagonal."""
NODES = np.linspace(0.02, 1.0, 50)


def corner_radius(camera: Camera) -> float:
    """Radius of the picture's corners in focal lengths, for a principal point in the middle."""
    return math.hypot(camera.width, camera.height) / 2 / camera.focal_px


def with_classic_lens(rng: Rng, camera: Camera) -> Camera:
    """The camera with classic terms, none so large that the picture folds over within its corners."""
    corner = corner_radius(camera)
    for _ in range(50):
        terms = rng.normal(0, 1, 3) * CLASSIC_U
        if _is_growing(terms * [corner**2, corner**4, corner**6]):
            return replace(camera, k1=float(terms[0]), k2=float(terms[1]), k3=float(terms[2]))
    return camera


def with_wave(rng: Rng, camera: Camera, kind: str) -> Camera:
    """The camera with one of `WAVES`, of a random size up to `LARGEST_WAVE`. Raises KeyError for another name."""
    terms = WAVES[kind](rng)
    wanted = float(rng.uniform(0.25, 1.0)) * LARGEST_WAVE
    terms = terms * min(wanted / residual_wave(terms), 1.0 / max(float(np.abs(terms).max()), 1e-9))
    corner = corner_radius(camera)
    k1, k2, k3 = (float(v) for v in terms / [corner**2, corner**4, corner**6])
    return replace(camera, k1=k1, k2=k2, k3=k3)


def with_shifted_principal(rng: Rng, camera: Camera) -> Camera:
    """The camera with its principal point where stabilisation has moved it."""
    diagonal = math.hypot(camera.width, camera.height)
    shift = rng.normal(0, PRINCIPAL_SHARE, 2)
    shift *= min(1.0, MOST_PRINCIPAL / max(float(np.linalg.norm(shift)), 1e-12))
    middle = ((camera.width - 1) / 2, (camera.height - 1) / 2)
    x, y = (float(m + s * diagonal) for m, s in zip(middle, shift, strict=True))
    return replace(camera, principal_px=(x, y))


def residual_wave(terms: Floats) -> float:
    """Largest displacement, of the corners' radius, that is left by the best magnification over the frame.

    `terms` are those of radii over the corners' radius.
    """
    return float(np.abs(wave(terms)).max())


def wave(terms: Floats, radii: Floats = NODES) -> Floats:
    """Displacement at radii (n,) over the corners' radius, less the best magnification."""
    moved = radii * _magnified(terms, radii)
    return np.asarray(moved - radii * float(moved @ radii) / float(radii @ radii))


def _magnified(terms: Floats, radii: Floats) -> Floats:
    q = radii**2
    return np.asarray(q * (terms[0] + q * (terms[1] + q * terms[2])))


def _is_growing(terms: Floats) -> bool:
    q = np.linspace(0, 1.3, 40) ** 2
    return bool((1 + 3 * terms[0] * q + 5 * terms[1] * q**2 + 7 * terms[2] * q**3 > 0.3).all())


def _moustache(rng: Rng) -> Floats:
    """About (+0.33, -1.7, +2.8), fitted to cards within 0.55 focal lengths: that radius becomes the corners'."""
    fitted = np.array([0.33 * 0.55**2, -1.7 * 0.55**4, 2.8 * 0.55**6])
    return np.asarray(fitted * rng.normal(1, 0.12, 3) * rng.choice([-1.0, 1.0, 1.0]))


def _early_rise(rng: Rng) -> Floats:
    """About (+0.29, -0.71, +0.57), fitted to cards within 0.8 focal lengths."""
    fitted = np.array([0.29 * 0.8**2, -0.71 * 0.8**4, 0.57 * 0.8**6])
    return np.asarray(fitted * rng.normal(1, 0.10, 3) * rng.choice([-1.0, 1.0, 1.0]))


def _crossing(rng: Rng, *, inside: int) -> Floats:
    """A wave that crosses zero at so many radii of its own inside the frame, as a cubic of the squared radius."""
    roots = [float(rng.uniform(0.15, 0.5) + 0.45 * k) for k in range(inside)]
    roots += [float(rng.uniform(1.2, 2.5)) for _ in range(3 - inside)]
    cubic = np.poly(roots) * rng.choice([-1.0, 1.0])  # 1, q2, q1, q0: the constant is a magnification
    return np.asarray(cubic[[2, 1, 0]], np.float64)


WAVES: dict[str, Callable[[Rng], Floats]] = {
    "moustache": _moustache,
    "early-rise": _early_rise,
    "one-crossing": lambda rng: _crossing(rng, inside=1),
    "two-crossings": lambda rng: _crossing(rng, inside=2),
}
"""All waves: k1, k2, k3 (up to a common factor) of radii over the corners' radius."""

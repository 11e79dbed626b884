"""Cards that are warped along both axes, twisted, dog-eared, frayed: their heights, and lengths along their faces.

The height of a warped card above where it stands is foot + a x^2 + b y^2 + c x y, and beyond the fold of a turned-up
corner a ramp. Places on the face are given by lengths along it, as of a card pressed flat: every line along a side
keeps its length to the second order of the slope, so that the true size of a warped card is that of the flat one.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled
from calibration.rig.scene import Warp

Floats = NDArray[np.float64]

CORNERS = ((-1, -1), (1, -1), (1, 1), (-1, 1))
"""Signs of x and y of the corners of a face, clockwise from the top left (y runs down)."""


@compiled
def warp_height(warp: Floats, ear: Floats, x: float, y: float) -> float:
    """Height above where the card stands, mm; `warp`: a, b, c, foot; `ear`: the fold's normal, its start, the slope."""
    high: float = warp[3] + warp[0] * x * x + warp[1] * y * y + warp[2] * x * y
    fold: float = ear[3] * max(0.0, ear[0] * x + ear[1] * y - ear[2])
    return high + fold


@compiled
def slope(warp: Floats, ear: Floats, x: float, y: float) -> tuple[float, float]:
    """Slope of the height along x and y."""
    fold = ear[3] if ear[0] * x + ear[1] * y > ear[2] else 0.0
    return 2 * warp[0] * x + warp[2] * y + fold * ear[0], 2 * warp[1] * y + warp[2] * x + fold * ear[1]


@compiled
def along_face(warp: Floats, x: float, y: float) -> tuple[float, float]:
    """Lengths along the face from its middle to a place at (x, y) of the table's plane, in the card's frame."""
    a, b, c = warp[0], warp[1], warp[2]
    u = x + 2 / 3 * a * a * x * x * x + a * c * x * x * y + c * c * y * y * x / 2
    v = y + 2 / 3 * b * b * y * y * y + b * c * y * y * x + c * c * x * x * y / 2
    return u, v


@compiled
def frayed(seed: float, u: float, v: float) -> float:
    """How far a frayed edge is out there, -1 to 1 with a mean of zero: waves of many lengths, from 0.4 to 9 mm."""
    a = math.sin(0.71 * u + 0.53 * v + seed) * math.sin(0.47 * u - 0.83 * v + 1.7 * seed)
    b = math.sin(3.1 * u + 1.9 * v + 2.3 * seed) * math.sin(1.7 * u - 2.9 * v + 0.6 * seed)
    c = math.sin(11.3 * u + 6.1 * v + 3.1 * seed) * math.sin(5.3 * u - 12.7 * v + 0.9 * seed)
    return 0.35 * a + 0.35 * b + 0.3 * c


def warp_terms(warp: Warp, width_mm: float, height_mm: float) -> tuple[Floats, Floats]:
    """A card's warp and folded corner as `warp_height` takes them; its lowest point touches the ground."""
    w, h = width_mm / 2, height_mm / 2
    terms = np.array([warp.bow_x_mm / w**2, warp.bow_y_mm / h**2, warp.twist_mm / (w * h), 0.0])
    sx, sy = CORNERS[warp.ear_corner % 4]
    root = math.sqrt(0.5)
    rise = warp.ear_mm / warp.ear_reach_mm if warp.ear_mm > 0 else 0.0
    ear = np.array([sx * root, sy * root, root * (w + h) - warp.ear_reach_mm, rise])
    terms[3] = -float(_heights(terms, np.zeros(4), w, h).min())
    return terms, ear


def warp_rise_mm(warp: Warp, width_mm: float, height_mm: float) -> float:
    """How far its highest point stands above its lowest."""
    terms, ear = warp_terms(warp, width_mm, height_mm)
    return float(_heights(terms, ear, width_mm / 2, height_mm / 2).max())


def _heights(terms: Floats, ear: Floats, w: float, h: float) -> Floats:
    x, y = np.meshgrid(np.linspace(-w, w, 33), np.linspace(-h, h, 33))
    return np.array([warp_height(terms, ear, a, b) for a, b in zip(x.ravel(), y.ravel(), strict=True)])


def on_warp(local_mm: Floats, terms: Floats, ear: Floats) -> tuple[Floats, Floats]:
    """Places (n, 2) in the table's plane and heights (n,) of points (n, 2) given by lengths along the face."""
    flat = np.array(local_mm, np.float64)
    for _ in range(6):  # by fixed point: lengths along the face differ from those in the plane by some 1e-3
        found = np.array([along_face(terms, x, y) for x, y in flat])
        flat = flat - (found - local_mm)
    return flat, np.array([warp_height(terms, ear, x, y) for x, y in flat])

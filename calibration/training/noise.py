"""Random fields and colours that tables, faces and things are drawn with."""

from __future__ import annotations

import colorsys
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Rng = np.random.Generator


def field(rng: Rng, shape: tuple[int, int], period_px: tuple[float, float]) -> Floats:
    """Smooth noise (h, w) of zero mean and about unit spread, with such periods down and across."""
    h, w = shape
    rows, columns = (max(2, min(n, int(np.ceil(n / max(p, 1.0))) + 2)) for n, p in zip(shape, period_px, strict=True))
    coarse = rng.standard_normal((rows, columns), dtype=np.float32)
    return np.asarray(cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC), np.float32)


def octaves(rng: Rng, shape: tuple[int, int], period_px: float, *, count: int = 3, fall: float = 0.6) -> Floats:
    """A sum of smooth noises, each of half the period and `fall` times as strong as the one before."""
    half = (max(4, shape[0] // 2), max(4, shape[1] // 2))
    total = np.zeros(half, np.float32)
    for k in range(count):
        period = max(period_px / 2 ** (k + 1), 1.0)
        total += np.float32(fall**k) * field(rng, half, (period, period))
    total /= np.float32(np.sqrt(sum(fall ** (2 * k) for k in range(count))))
    return np.asarray(cv2.resize(total, shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def grains(rng: Rng, shape: tuple[int, int]) -> Floats:
    """White noise (h, w), drawn once on a small tile, which costs less."""
    tile = rng.standard_normal((256, 256), dtype=np.float32)
    times = (shape[0] // 256 + 1, shape[1] // 256 + 1)
    return np.asarray(np.tile(tile, times)[: shape[0], : shape[1]])


def colour(rng: Rng, *, hue: tuple[float, float] = (0, 1), saturation: tuple[float, float] = (0, 1),
           value: tuple[float, float] = (0, 1)) -> Floats:  # fmt: skip
    """A colour (3,), blue first, 0..1, of such a hue, saturation and value."""
    r, g, b = colorsys.hsv_to_rgb(rng.uniform(*hue) % 1.0, rng.uniform(*saturation), rng.uniform(*value))
    return np.array([b, g, r], np.float32)


def any_colour(rng: Rng) -> Floats:
    """A colour as things have: one in three is nearly grey."""
    if rng.random() < 0.33:
        return colour(rng, saturation=(0, 0.12), value=(0.03, 0.97))
    return colour(rng, saturation=(0.15, 0.95), value=(0.08, 0.97))


def pale(rng: Rng) -> Floats:
    """White paper, more or less."""
    return colour(rng, hue=(0.02, 0.2), saturation=(0, 0.1), value=(0.8, 1.0))


def dark(rng: Rng) -> Floats:
    """Black, more or less."""
    return colour(rng, saturation=(0, 0.4), value=(0.01, 0.16))


def ink(code: NDArray[Any]) -> tuple[float, float, float]:
    """A colour (3,), 0..1, as OpenCV draws with in a picture of bytes."""
    b, g, r = (float(v) * 255 for v in code)
    return b, g, r


def mixed(share: Floats, first: Floats, second: Floats) -> Floats:
    """Colours (h, w, 3) between two (3,) by a share (h, w)."""
    return np.asarray(first + share[..., None] * (second - first), np.float32)

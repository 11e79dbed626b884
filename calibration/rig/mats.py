"""Table covers: reflectance textures with grain at several scales, drawn by seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.rig.scene import Mat, Rgb
from calibration.rig.shading import Cover

Singles = NDArray[np.float32]

TILE_MM = 90.0
"""Side of the tile before it repeats; a slow gain of another period hides the repeat."""
SLOW_MM = 460.0


@dataclass(frozen=True, kw_only=True)
class MatKind:
    """A kind of cover: mean reflectance, relative contrast of grain by its size in mm, fibres, weave.

    `fibres`: contrast of short hairs; `weave_mm`, `weave`: period and contrast of a cloth's threads; `fade`: contrast
    of slow stains; `colour`: contrast of grain that differs between the channels.
    """

    rgb: Rgb
    grain: tuple[tuple[float, float], ...]
    fibres: float = 0.0
    weave_mm: float = 0.0
    weave: float = 0.0
    fade: float = 0.03
    colour: float = 0.01


MATS: dict[str, MatKind] = {
    "dark-felt": MatKind(rgb=(0.030, 0.032, 0.036), grain=((0.12, 0.16), (0.5, 0.10), (3.0, 0.05)), fibres=0.30),
    "grey-neoprene": MatKind(
        rgb=(0.16, 0.165, 0.17), grain=((0.15, 0.05), (0.6, 0.03), (5.0, 0.02)), weave_mm=0.45, weave=0.05
    ),
    "green-cloth": MatKind(
        rgb=(0.045, 0.14, 0.065), grain=((0.15, 0.09), (0.8, 0.05), (6.0, 0.04)), fibres=0.15, weave_mm=0.8, weave=0.06
    ),
    "blue-velour": MatKind(rgb=(0.030, 0.055, 0.16), grain=((0.12, 0.08), (0.7, 0.06), (8.0, 0.07)), fibres=0.10),
    "brown-linen": MatKind(
        rgb=(0.22, 0.15, 0.09), grain=((0.15, 0.08), (1.0, 0.06), (6.0, 0.03)), weave_mm=0.7, weave=0.12
    ),
    "pale-linen": MatKind(
        rgb=(0.46, 0.43, 0.37), grain=((0.15, 0.05), (1.0, 0.03), (7.0, 0.02)), weave_mm=0.6, weave=0.06
    ),
    "even": MatKind(rgb=(0.4, 0.4, 0.4), grain=(), fade=0.0, colour=0.0),
    "black": MatKind(rgb=(0.0, 0.0, 0.0), grain=(), fade=0.0, colour=0.0),
}
"""All kinds of cover; `even` and `black` (which reflects nothing) are for tests."""


def periodic_noise(rng: np.random.Generator, n: int, *, size: float) -> Singles:
    """Gaussian noise of unit deviation that repeats after n texels, smoothed over `size` texels."""
    f = np.fft.fftfreq(n)
    low = np.exp(-2 * (np.pi * size / 2) ** 2 * (f[:, None] ** 2 + f[None, : n // 2 + 1] ** 2))
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((n, n))) * low, s=(n, n))
    return np.asarray(field / max(float(field.std()), 1e-12), np.float32)


def _fibres(rng: np.random.Generator, n: int, px_per_mm: float) -> Singles:
    count = int(5 * (n / px_per_mm) ** 2)
    turn, bend = rng.uniform(0, np.pi, count), rng.normal(0, 0.5, count)
    x, y, dark = rng.uniform(0, n, count), rng.uniform(0, n, count), rng.choice([-1.0, 1.0], count)
    sheet = np.zeros((n, n), np.float32)
    steps = max(int(1.2 * px_per_mm), 2)
    for _ in range(steps):
        np.add.at(sheet, (y.astype(int) % n, x.astype(int) % n), dark.astype(np.float32))
        x, y, turn = x + np.cos(turn), y + np.sin(turn), turn + bend / steps
    return np.asarray(sheet / max(float(sheet.std()), 1e-12), np.float32)


def _weave(n: int, px_per_mm: float, period_mm: float) -> Singles:
    threads = max(1, round(n / px_per_mm / period_mm))
    phase = 2 * np.pi * threads * np.arange(n) / n
    a, b = np.meshgrid(phase, phase)
    over = np.cos(a) * (np.cos(a / 2 * 0 + b) > 0) + np.cos(b) * (np.cos(b) <= np.cos(a))
    return np.asarray((over - over.mean()) / over.std(), np.float32)


def cover_of(mat: Mat, *, px_per_mm: float) -> Cover:
    """The cover's textures. Raises KeyError for a name that is not in `MATS`."""
    kind, rng = MATS[mat.name], np.random.default_rng([mat.seed, 72])
    n = int(TILE_MM * px_per_mm) if kind.grain else 16
    tone = np.ones((n, n), np.float32)
    for size_mm, contrast in kind.grain:
        tone += contrast * periodic_noise(rng, n, size=size_mm * px_per_mm)
    if kind.fibres:
        tone += kind.fibres * _fibres(rng, n, px_per_mm)
    if kind.weave:
        tone += kind.weave * _weave(n, px_per_mm, kind.weave_mm)
    tile = np.empty((n, n, 3), np.float32)
    for channel in range(3):
        tint = kind.colour * periodic_noise(rng, n, size=0.4 * px_per_mm) if kind.colour else 0.0
        tile[..., channel] = np.maximum(kind.rgb[channel] * (tone + tint), 0.15 * kind.rgb[channel])
    slow = 1 + kind.fade * periodic_noise(rng, 64, size=8.0)
    return Cover(tile=tile, tile_per_mm=n / TILE_MM, slow=slow[..., None].astype(np.float32), slow_per_mm=64 / SLOW_MM)

"""Surfaces of families of scenes: planks, stone, leather, cloth in folds, oilcloth, print, and open textures.

Drawn by seed on a tile whose middle lies under the world's origin, coarser than those of `table_covers`, so that a
small scene is drawn in a second. Open textures are those of `OPEN_TEXTURES`; all others are procedural.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig.faces import Canvas, art, hue, script
from calibration.rig.mats import SLOW_MM, periodic_noise
from calibration.rig.scene import Mat
from calibration.rig.shading import Cover

Singles = NDArray[np.float32]
Rng = np.random.Generator

TILE_MM, PX_PER_MM = 460.0, 4.4
"""Side and scale of a tile: it holds all that a photo shows, no finer than photos of 1 to 3 MP."""


def surface_cover(mat: Mat) -> Cover:
    """The cover's textures. Raises KeyError for a name that is not in `SURFACES`."""
    rng = np.random.default_rng([mat.seed, 75])
    n = int(TILE_MM * PX_PER_MM)
    tile = np.roll(np.clip(SURFACES[mat.name](rng, n), 0.004, 0.92), n // 2, axis=(0, 1))
    slow = 1 + 0.03 * periodic_noise(rng, 64, size=8.0)
    return Cover(
        tile=np.ascontiguousarray(tile, np.float32), tile_per_mm=PX_PER_MM, slow=slow[..., None].astype(np.float32),
        slow_per_mm=64 / SLOW_MM,
    )  # fmt: skip


def swells(rng: Rng, n: int, along_mm: float, across_mm: float | None = None) -> Singles:
    """Noise of unit deviation, (n, n), in swells so long along the rows and so wide across them."""
    columns = max(4, round(TILE_MM / along_mm) + 2)
    rows = max(4, round(TILE_MM / (across_mm or along_mm)) + 2)
    small = rng.standard_normal((min(rows, n), min(columns, n))).astype(np.float32)
    return np.asarray(cv2.resize(small, (n, n), interpolation=cv2.INTER_CUBIC), np.float32)


def _colour(rng: Rng, *, low: float, high: float, dull: float = 0.5) -> Singles:
    return np.array(hue(rng, low=low, high=high, dull=dull), np.float32) ** 2.2


def _turned(tile: Singles, degrees: float) -> Singles:
    n = tile.shape[0]
    matrix = cv2.getRotationMatrix2D((n / 2, n / 2), degrees, 1.0)
    return np.asarray(cv2.warpAffine(tile, matrix, (n, n), borderMode=cv2.BORDER_REFLECT), np.float32)


def _boards(rng: Rng, n: int, *, dark: float, pale: float, wide_mm: tuple[float, float], contrast: float) -> Singles:
    """Boards side by side, cut lengthwise through rings, with pores and gaps."""
    v, u = np.mgrid[0:n, 0:n].astype(np.float32) / np.float32(PX_PER_MM)
    bent = v + 3.0 * swells(rng, n, 170, 45) + 0.6 * swells(rng, n, 50, 8)
    phase, tone, at = np.zeros((n, n), np.float32), np.ones((n, n), np.float32), 0.0
    while at < TILE_MM:
        wide = float(rng.uniform(*wide_mm))
        first, last = int(at * PX_PER_MM), min(int((at + wide) * PX_PER_MM), n)
        middle, tall = at + wide * float(rng.uniform(-0.2, 1.2)), float(rng.uniform(4, 15))
        rows = slice(first, last)
        depth = np.hypot(bent[rows] - middle, tall + 0.02 * (u[rows] - float(rng.uniform(0, 400))))
        phase[rows] = depth / float(rng.uniform(1.5, 4.0))
        tone[rows] += float(rng.normal(0, 0.08))
        tone[first : first + 2] -= 0.55
        at += wide
    ring = phase - np.floor(phase)
    tone -= contrast * np.where(ring < 0.75, ring / 0.75, (1 - ring) / 0.25) ** 2
    tone -= 0.35 * np.maximum(swells(rng, n, 7, 0.5) - 1.5, 0)
    tone += 0.05 * swells(rng, n, 60, 1.0) + 0.03 * swells(rng, n, 0.5)
    red = dark + (pale - dark) * np.clip(tone, 0.1, 1.4)
    shade = np.clip(tone, 0.2, 1.3)
    tile = np.stack([red, red * (0.52 + 0.14 * shade), red * (0.26 + 0.16 * shade)], axis=2)
    return _turned(np.asarray(tile, np.float32), float(rng.choice([0.0, 90.0, float(rng.uniform(0, 180))])))


def _planks(rng: Rng, n: int) -> Singles:
    return _boards(rng, n, dark=0.06, pale=float(rng.uniform(0.18, 0.42)), wide_mm=(60, 140), contrast=0.4)


def _pale_wood(rng: Rng, n: int) -> Singles:
    return _boards(rng, n, dark=0.34, pale=float(rng.uniform(0.5, 0.7)), wide_mm=(40, 480), contrast=0.22)


def _speckled_stone(rng: Rng, n: int) -> Singles:
    """Granite: grains of three tones."""
    base = _colour(rng, low=0.3, high=0.75, dull=0.2)
    grain = swells(rng, n, float(rng.uniform(1.0, 2.5))) + 0.5 * swells(rng, n, 0.6)
    tone = 1 + 0.45 * np.tanh(2 * (grain - 0.9)) - 0.35 * np.tanh(2 * (swells(rng, n, 1.6) - 1.1))
    return np.asarray(base * np.clip(0.8 * tone, 0.1, 2.2)[..., None], np.float32)


def _marble(rng: Rng, n: int) -> Singles:
    """Pale stone with veins and a polish."""
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) / np.float32(PX_PER_MM)
    turn = float(rng.uniform(0, np.pi))
    way = x * np.cos(turn) + y * np.sin(turn) + 22 * swells(rng, n, 110) + 9 * swells(rng, n, 35)
    vein = np.exp(-np.abs(np.sin(way / float(rng.uniform(18, 40)))) * 9) + 0.5 * np.exp(-np.abs(np.sin(way / 9)) * 14)
    level = float(rng.choice([0.1, 0.62, 0.7]))
    tone = level * (1 - 0.55 * vein + 0.05 * swells(rng, n, 60)) if level > 0.3 else level * (1 + 2.5 * vein)
    return np.asarray(np.maximum(tone, 0.02)[..., None] * np.array([1.0, 0.985, 0.95]), np.float32)


def _leather(rng: Rng, n: int) -> Singles:
    """Cells with dark wrinkles between them."""
    cells = np.abs(swells(rng, n, 2.4)) + np.abs(swells(rng, n, 5.0))
    tone = 0.55 + 0.5 * np.tanh(1.2 * cells) + 0.08 * swells(rng, n, 50)
    return np.asarray(_colour(rng, low=0.2, high=0.6, dull=0.75) * tone[..., None], np.float32)


def _folded_cloth(rng: Rng, n: int) -> Singles:
    """A plain woven cloth with a few folds, whose flanks are lighter and darker."""
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) / np.float32(PX_PER_MM)
    tone = np.ones((n, n), np.float32)
    for _ in range(int(rng.integers(3, 8))):
        turn, start = float(rng.uniform(0, np.pi)), float(rng.uniform(-120, 440))
        away = x * np.cos(turn) + y * np.sin(turn) - start + 5 * swells(rng, n, 160)
        wide = float(rng.uniform(3, 14))
        tone += float(rng.uniform(0.08, 0.3)) * (away / wide) * np.exp(0.5 - 0.5 * (away / wide) ** 2)
    weave = np.sin(2 * np.pi * x / 1.1) * np.sin(2 * np.pi * y / 1.1)
    tone = np.clip(tone * (1 + 0.06 * weave + 0.04 * swells(rng, n, 0.6)), 0.2, 1.9)
    return np.asarray(_colour(rng, low=0.25, high=0.9, dull=0.7) * tone[..., None], np.float32)


def _oilcloth(rng: Rng, n: int) -> Singles:
    """Checked oilcloth: bands of two inks that cross, with fine lines."""
    period = TILE_MM / int(rng.integers(12, 30))
    at = np.arange(n) / PX_PER_MM / period % 1.0
    band, line = (at < 0.5).astype(np.float32), (np.abs(at - 0.75) < 0.04).astype(np.float32)
    share = ((band[:, None] + band[None, :]) / 2)[..., None]
    lines = np.clip(line[:, None] + line[None, :], 0, 1)[..., None]
    white, ink = np.array([0.78, 0.77, 0.74], np.float32), _colour(rng, low=0.15, high=0.7, dull=0.95)
    tile = white * (1 - share) + ink * share
    tile = tile * (1 - 0.6 * lines) + 0.6 * lines * _colour(rng, low=0.1, high=0.8, dull=0.9)
    return np.asarray(tile * (1 + 0.015 * swells(rng, n, 1.0)[..., None]), np.float32)


def _canvas(rng: Rng, n: int, ground: tuple[float, float, float]) -> Canvas:
    canvas = Canvas(width_mm=TILE_MM, height_mm=TILE_MM, px_per_mm=PX_PER_MM)
    canvas.pixels = np.empty((n, n, 3), np.float32)
    canvas.pixels[:] = ground
    return canvas


def _inked(canvas: Canvas, rng: Rng, n: int) -> Singles:
    display = np.clip(canvas.pixels * (1 + 0.02 * swells(rng, n, 6)[..., None]), 0.03, 0.97)
    return np.asarray(0.03 + 0.75 * display**2.2, np.float32)


def _hex_board(rng: Rng, n: int) -> Singles:
    """A printed board of hexagonal fields."""
    canvas = _canvas(rng, n, hue(rng, low=0.2, high=0.6))
    size = float(rng.uniform(16, 30))
    colours = [hue(rng, low=0.25, high=0.9, dull=0.7) for _ in range(5)]
    a = np.pi / 3 * np.arange(6)
    for j in range(-1, int(TILE_MM / size / 1.5) + 2):
        for i in range(-1, int(TILE_MM / size / 1.73) + 2):
            x, y = (i + 0.5 * (j % 2)) * size * 1.732, j * size * 1.5
            ring = np.column_stack([x + 0.95 * size * np.sin(a), y + 0.95 * size * np.cos(a)])
            canvas.polygon(ring, colours[int(rng.integers(5))])
            for _ in range(int(rng.integers(0, 4))):
                canvas.disc(x + rng.uniform(-8, 8), y + rng.uniform(-8, 8), rng.uniform(1, 3.5), hue(rng, low=0.2))
    return _inked(canvas, rng, n)


def _printed_page(rng: Rng, n: int) -> Singles:
    """Sheets of paper with text, tables and pictures, laid over each other."""
    canvas = _canvas(rng, n, hue(rng, low=0.8, high=0.97, dull=0.16))
    for _ in range(int(rng.integers(2, 5))):
        x, y, w, h = rng.uniform(-60, 330), rng.uniform(-60, 330), rng.uniform(120, 260), rng.uniform(150, 300)
        canvas.box(x + 1.2, y + 1.2, w, h, (0.6, 0.6, 0.6))
        canvas.box(x, y, w, h, hue(rng, low=0.88, high=0.97, dull=0.16))
        size = float(rng.uniform(2.0, 4.0))
        script(canvas, rng, x=x + 14, y=y + 14, w=w - 28, lines=int(rng.uniform(0.3, 1) * (h - 28) / size / 1.7),
               size_mm=size)  # fmt: skip
        if rng.uniform() < 0.5:
            art(canvas, rng, x=max(x + 14, 0), y=max(y + h * 0.6, 0), w=0.5 * w, h=0.3 * h)
    return _inked(canvas, rng, n)


def _terrazzo(rng: Rng, n: int) -> Singles:
    """Chips of stone of all sizes in cement."""
    ground = hue(rng, low=0.55, high=0.9, dull=0.2)
    canvas = _canvas(rng, n, ground)
    for _ in range(1500):
        x, y, r = rng.uniform(0, TILE_MM), rng.uniform(0, TILE_MM), float(np.exp(rng.normal(0.6, 0.6)))
        a = np.sort(rng.uniform(0, 2 * np.pi, 6))
        spokes = r * rng.uniform(0.6, 1.3, 6)
        canvas.polygon(np.column_stack([x + spokes * np.cos(a), y + spokes * np.sin(a)]), hue(rng, low=0.15, dull=0.5))
    return _inked(canvas, rng, n)


def _carpet(rng: Rng, n: int) -> Singles:
    """Loops of several yarns in a pattern of diamonds."""
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) / np.float32(PX_PER_MM)
    pitch = float(rng.uniform(30, 80))
    diamond = (np.abs((x / pitch) % 2 - 1) + np.abs((y / pitch) % 2 - 1) > 1)[..., None]
    first, second = _colour(rng, low=0.15, high=0.7, dull=0.8), _colour(rng, low=0.15, high=0.7, dull=0.8)
    loops = 1 + 0.25 * np.sin(2 * np.pi * x / 2.6) * np.sin(2 * np.pi * y / 2.1) + 0.18 * swells(rng, n, 1.0)
    return np.asarray(np.where(diamond, first, second) * np.clip(loops, 0.2, 2)[..., None], np.float32)


def _laminate(rng: Rng, n: int) -> Singles:
    """A desk of one even tone, white to black."""
    level = float(rng.choice([0.03, 0.12, 0.3, 0.55, 0.72, 0.78]))
    tone = 1 + 0.01 * swells(rng, n, 40) + 0.012 * swells(rng, n, 0.6)
    return np.asarray(level * tone[..., None] * np.array([1.0, rng.uniform(0.97, 1.0), rng.uniform(0.9, 1.02)]))


OPEN_TEXTURES = {
    "brick": "scikit-image, skimage.data.brick(): CC0Textures, Bricks25; CC0",
    "grass": "scikit-image, skimage.data.grass(): DeviantArt, linolafett, Grass-01; CC0",
    "gravel": "scikit-image, skimage.data.gravel(): CC0Textures, Gravel04; CC0",
}
"""Textures that a package carries: which, whence, and the licence, as that package's documentation states them.
cardmeasure needs scikit-image itself, so they are never absent."""


def _open_texture(name: str) -> Callable[[Rng, int], Singles]:
    def drawn(rng: Rng, n: int) -> Singles:
        from skimage import data

        grey = np.asarray(getattr(data, name)(), np.float32) / 255
        grey = np.rot90(grey, int(rng.integers(4)))
        side = int(n / rng.uniform(1.3, 2.6))  # the photograph shows 180 to 350 mm of table
        patch = np.asarray(cv2.resize(np.ascontiguousarray(grey), (side, side), interpolation=cv2.INTER_CUBIC))
        mirrored = np.concatenate([patch, patch[:, ::-1]], axis=1)  # so that no seam shows where it repeats
        mirrored = np.concatenate([mirrored, mirrored[::-1]], axis=0)
        whole = np.tile(mirrored, (2, 2))[:n, :n]
        tint = _colour(rng, low=0.5, high=0.95, dull=0.5)
        return np.asarray(np.clip(whole, 0.02, 1)[..., None] ** 2.2 * tint * rng.uniform(0.7, 1.3), np.float32)

    return drawn


SURFACES: dict[str, Callable[[Rng, int], Singles]] = {
    "planks": _planks,
    "pale-wood": _pale_wood,
    "speckled-stone": _speckled_stone,
    "marble": _marble,
    "leather": _leather,
    "folded-cloth": _folded_cloth,
    "oilcloth": _oilcloth,
    "hex-board": _hex_board,
    "printed-page": _printed_page,
    "terrazzo": _terrazzo,
    "carpet": _carpet,
    "laminate": _laminate,
    "open-brick": _open_texture("brick"),
    "open-grass": _open_texture("grass"),
    "open-gravel": _open_texture("gravel"),
}
"""All surfaces, and what draws the reflectance (n, n, 3) of each."""
POLISH = {"planks": 0.4, "marble": 0.5, "oilcloth": 0.35, "speckled-stone": 0.3, "hex-board": 0.1, "laminate": 0.15}
"""How much they mirror."""

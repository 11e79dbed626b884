"""Tables that are not plain: wood grain, printed cloth, white desks, polished dark tops, printed game boards.

Drawn by seed on a tile whose middle lies under the world's origin, so that no seam crosses the photo.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig.faces import Canvas, hue, mottle, script
from calibration.rig.mats import SLOW_MM, periodic_noise
from calibration.rig.scene import Mat
from calibration.rig.shading import Cover

Singles = NDArray[np.float32]
Rng = np.random.Generator

LARGE_MM, LARGE_PX_PER_MM = 460.0, 6.5
"""Side and finest scale of a tile that holds the whole table at once: finer ones fill the memory."""
CLOTH_MM = 128.0
"""Period of a printed cloth."""


def is_table(name: str) -> bool:
    """Whether a cover of this name is drawn here."""
    return name in TABLES


def table_cover(mat: Mat, *, px_per_mm: float) -> Cover:
    """The cover's textures. Raises KeyError for a name that is not in `TABLES`."""
    rng = np.random.default_rng([mat.seed, 73])
    side, scale = (CLOTH_MM, px_per_mm) if mat.name == "printed-cloth" else (LARGE_MM, min(px_per_mm, LARGE_PX_PER_MM))
    n = int(side * scale)
    tile = np.maximum(TABLES[mat.name](rng, n, scale), 0.004)
    slow = 1 + 0.03 * periodic_noise(rng, 64, size=8.0)
    centred = np.roll(tile, n // 2, axis=(0, 1))
    return Cover(
        tile=np.ascontiguousarray(centred, np.float32), tile_per_mm=n / side, slow=slow[..., None].astype(np.float32),
        slow_per_mm=64 / SLOW_MM,
    )  # fmt: skip


def _stretched(rng: Rng, n: int, along_px: float, across_px: float) -> Singles:
    """Noise of unit deviation in swells so long along the columns' direction (x) and so wide across it, (n, n)."""
    rows, columns = max(4, round(n / across_px) + 2), max(4, round(n / along_px) + 2)
    small = rng.standard_normal((rows, columns)).astype(np.float32)
    return np.asarray(cv2.resize(small, (n, n), interpolation=cv2.INTER_CUBIC), np.float32)


def _turned(tile: Singles, degrees: float) -> Singles:
    """The middle of a tile, turned: half of its side is left."""
    n = tile.shape[0]
    matrix = cv2.getRotationMatrix2D((n / 2, n / 2), degrees, 1.0)
    turned = cv2.warpAffine(tile, matrix, (n, n), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(turned, np.float32)


def _wood(rng: Rng, n: int, scale: float, *, tones: tuple[float, float] | None = None) -> Singles:
    """Boards side by side, each with rings cut lengthwise, pores, here and there a knot."""
    dark, pale = tones or ((0.10, 0.30) if rng.uniform() < 0.5 else (0.22, 0.48))
    v, u = np.mgrid[0:n, 0:n].astype(np.float32) / scale
    wave = 5.0 * _stretched(rng, n, 150 * scale, 40 * scale) + 0.8 * _stretched(rng, n, 40 * scale, 6 * scale)
    rings = np.zeros((n, n), np.float32)
    board, at = np.zeros((n, n), np.float32), 0.0
    for _ in range(12):
        wide = float(rng.uniform(70, 130))
        here = (v >= at) & (v < at + wide)
        middle, tall = at + wide * float(rng.uniform(0.2, 0.8)), float(rng.uniform(3, 12))
        # a board is cut through a cone of rings: parabolas along the middle, straight lines at its sides
        depth = np.hypot(v - middle + wave, tall + 0.03 * (u - float(rng.uniform(0, 400))))
        rings[here] = (depth / float(rng.uniform(1.6, 4.5)) + float(rng.uniform(0, 9)))[here]
        board[here] = float(rng.normal(0, 0.10))
        board[(v >= at) & (v < at + 0.5)] = -1.2
        at += wide
    band = rings - np.floor(rings)
    late = np.where(band < 0.75, band / 0.75, (1 - band) / 0.25) ** 2
    pores = np.maximum(_stretched(rng, n, 6 * scale, 0.35 * scale) - 1.4, 0) * 0.45
    tone = 1 + board - 0.42 * late - pores + 0.06 * _stretched(rng, n, 60 * scale, 0.8 * scale)
    tone = np.clip(tone + 0.03 * _stretched(rng, n, 3 * scale, 0.3 * scale), 0.15, 1.4)
    red = dark + (pale - dark) * tone
    tile = np.stack([red, red * (0.50 + 0.16 * tone), red * (0.22 + 0.17 * tone)], axis=2)
    return np.asarray(_turned(np.asarray(tile, np.float32), float(rng.choice([0.0, 90.0, rng.uniform(0, 180)]))))


def _weave(n: int, scale: float, period_mm: float) -> Singles:
    threads = max(1, round(n / scale / period_mm))
    phase = (2 * np.pi * threads * np.arange(n) / n).astype(np.float32)
    a, b = np.meshgrid(phase, phase)
    over = np.where(np.cos(a / 1.0) * np.cos(b) > 0, np.cos(2 * a), np.cos(2 * b))
    return np.asarray(over[..., None], np.float32)


def _cloth(rng: Rng, n: int, scale: float) -> Singles:
    """A woven cloth printed with checks, flowers or stripes and dots, which repeats."""
    canvas = Canvas(width_mm=CLOTH_MM, height_mm=CLOTH_MM, px_per_mm=scale)
    canvas.pixels = np.full((n, n, 3), 0.0, np.float32)
    canvas.pixels[:] = hue(rng, low=0.25, high=0.9, dull=0.7)
    kind = int(rng.integers(3))
    if kind == 0:
        _checks(canvas, rng)
    elif kind == 1:
        _flowers(canvas, rng)
    else:
        _dots(canvas, rng)
    display = np.clip(canvas.pixels * (1 + 0.05 * _weave(n, scale, 0.8)), 0.02, 0.97)
    display *= 1 + 0.03 * periodic_noise(rng, n, size=0.3 * scale)[..., None]
    return np.asarray(0.02 + 0.75 * display**2.2, np.float32)


def _checks(canvas: Canvas, rng: Rng) -> None:
    """Gingham: bands one way and the other, darker where they cross."""
    n, period = canvas.pixels.shape[0], float(rng.choice([12.8, 16.0, 21.33, 32.0]))
    band = ((np.arange(n) / canvas.scale / period) % 1.0 < 0.5).astype(np.float32)
    share = (band[:, None] + band[None, :])[..., None] / 2
    canvas.pixels[:] = (1 - share) * np.array((0.93, 0.92, 0.90), np.float32) + share * np.array(
        hue(rng, low=0.15, high=0.6, dull=0.9), np.float32
    )


def _flowers(canvas: Canvas, rng: Rng) -> None:
    for _ in range(26):
        x, y, r = rng.uniform(0, CLOTH_MM), rng.uniform(0, CLOTH_MM), rng.uniform(3, 8)
        petal, heart = hue(rng, low=0.5, high=0.95, dull=0.9), hue(rng, low=0.6, high=0.95)
        leaf = hue(rng, low=0.2, high=0.5)
        for ox in (-CLOTH_MM, 0.0, CLOTH_MM):
            for oy in (-CLOTH_MM, 0.0, CLOTH_MM):
                canvas.disc(x + ox + r, y + oy + r, 0.9 * r, leaf, squeeze=0.35)
                for k in range(6):
                    a = k * np.pi / 3
                    canvas.disc(x + ox + r * 0.6 * np.cos(a), y + oy + r * 0.6 * np.sin(a), 0.42 * r, petal)
                canvas.disc(x + ox, y + oy, 0.3 * r, heart)


def _dots(canvas: Canvas, rng: Rng) -> None:
    """Stripes with dots between them."""
    ink, other = hue(rng, low=0.1, high=0.6, dull=0.9), hue(rng, low=0.6, high=0.95)
    period = float(rng.choice([16.0, 21.33, 32.0]))
    for k in range(round(CLOTH_MM / period)):
        canvas.box(k * period, 0, 0.22 * period, CLOTH_MM, ink)
        canvas.box(k * period + 0.3 * period, 0, 0.05 * period, CLOTH_MM, other)
        for j in range(round(CLOTH_MM / period)):
            canvas.disc(k * period + 0.65 * period, (j + 0.5) * period, 0.17 * period, other)


def _desk(rng: Rng, n: int, scale: float) -> Singles:
    """A white laminated desk: nearly even, with smudges, scratches, a ring of a cup."""
    level = float(rng.uniform(0.60, 0.80))
    tint = np.array([1.0, rng.uniform(0.98, 1.005), rng.uniform(0.93, 1.01)], np.float32)
    tone = 1 + 0.008 * _stretched(rng, n, 40 * scale, 30 * scale) + 0.012 * _stretched(rng, n, scale, scale)
    tone += 0.010 * _stretched(rng, n, 0.4 * scale, 0.4 * scale)
    marks = np.zeros((n, n), np.float32)
    for _ in range(14):
        x, y = rng.uniform(0, n, 2)
        a, long = rng.uniform(0, np.pi), rng.uniform(8, 60) * scale
        end = (int(x + long * np.cos(a)), int(y + long * np.sin(a)))
        cv2.line(marks, (int(x), int(y)), end, float(rng.uniform(0.02, 0.10)), 1, cv2.LINE_AA)
    ring = (int(rng.uniform(0.3, 0.7) * n), int(rng.uniform(0.3, 0.7) * n))
    cv2.circle(marks, ring, int(38 * scale), 0.06, int(1.5 * scale), cv2.LINE_AA)
    return np.asarray(level * tint * (tone - marks)[..., None], np.float32)


def _polished(rng: Rng, n: int, scale: float) -> Singles:
    """A nearly black top under varnish: its own colour hardly shows, what it mirrors does."""
    wood = _wood(rng, n, scale, tones=(0.012, 0.035))
    return np.asarray(wood * float(rng.uniform(0.7, 1.3)) + 0.006, np.float32)


def _board(rng: Rng, n: int, scale: float) -> Singles:
    """A printed game board: a painted land, a track of spaces, places for cards, headings, the fold in the middle."""
    canvas = Canvas(width_mm=LARGE_MM, height_mm=LARGE_MM, px_per_mm=scale)
    canvas.pixels = np.empty((n, n, 3), np.float32)
    base, other = np.array(hue(rng, low=0.35, high=0.8)), np.array(hue(rng, low=0.25, high=0.8))
    share = np.clip(0.5 + 0.6 * mottle(rng, n, n, cells=7), 0, 1)
    canvas.pixels[:] = base * (1 - share) + other * share
    for _ in range(90):
        x, y, r = rng.uniform(0, LARGE_MM), rng.uniform(0, LARGE_MM), rng.uniform(3, 16)
        colour = hue(rng, low=0.2, high=0.8)
        if rng.uniform() < 0.5:
            canvas.polygon(np.array([[x - r, y + r], [x, y - r], [x + r, y + r]]), colour)
        else:
            canvas.disc(x, y, r, colour, squeeze=float(rng.uniform(0.4, 1.0)))
    _spaces(canvas, rng)
    _card_places(canvas, rng)
    fold = LARGE_MM / 2 + float(rng.uniform(-40, 40))
    canvas.box(fold, 0, 0.35, LARGE_MM, (0.12, 0.12, 0.12))
    canvas.pixels *= 1 + 0.05 * mottle(rng, n, n, cells=60) + 0.03 * mottle(rng, n, n, cells=500)
    return np.asarray(0.03 + 0.72 * np.clip(canvas.pixels, 0.02, 0.98) ** 2.2, np.float32)


def _spaces(canvas: Canvas, rng: Rng) -> None:
    """A winding track of square spaces, each with a rim of its own."""
    x, y, turn, size = 60.0, float(rng.uniform(60, 400)), 0.0, float(rng.uniform(18, 26))
    ink = hue(rng, low=0.05, high=0.25)
    for number in range(60):
        c, s, h = np.cos(turn), np.sin(turn), size / 2
        square = np.array([[-h, -h], [h, -h], [h, h], [-h, h]]) @ np.array([[c, s], [-s, c]])
        canvas.polygon(square + np.array([x, y]), ink)
        canvas.polygon(square * 0.92 + np.array([x, y]), hue(rng, low=0.4, high=0.95, dull=0.7))
        if number % 4 == 0:
            canvas.disc(x, y, size * 0.22, ink)
        turn += float(rng.normal(0, 0.18))
        if not 30 < x < LARGE_MM - 30 or not 30 < y < LARGE_MM - 30:
            turn += np.pi / 2
        x, y = x + size * 1.04 * np.cos(turn), y + size * 1.04 * np.sin(turn)


def _card_places(canvas: Canvas, rng: Rng) -> None:
    """Printed frames where cards are to be laid, some filled, some lines only, with words in them."""
    for _ in range(8):
        w, h = (66.0, 91.0) if rng.uniform() < 0.6 else (47.0, 71.0)
        if rng.uniform() < 0.5:
            w, h = h, w
        x, y = rng.uniform(10, LARGE_MM - w - 10), rng.uniform(10, LARGE_MM - h - 10)
        if rng.uniform() < 0.5:
            canvas.box(x, y, w, h, hue(rng, low=0.2, high=0.9))
        ink = hue(rng, low=0.05, high=0.95)
        for a, b, c, d in ((x, y, w, 0.8), (x, y + h - 0.8, w, 0.8), (x, y, 0.8, h), (x + w - 0.8, y, 0.8, h)):
            canvas.box(a, b, c, d, ink)
        script(canvas, rng, x=x + 6, y=y + h / 2, w=w - 12, lines=2, size_mm=3.0)


TABLES: dict[str, Callable[[Rng, int, float], Singles]] = {
    "wood-grain": _wood,
    "printed-cloth": _cloth,
    "white-desk": _desk,
    "polished-dark": _polished,
    "game-board": _board,
}
"""The five hard tables, and what draws each."""

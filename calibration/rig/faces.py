"""Invented faces of cards, drawn by seed: seven kinds of border around made-up art, and a bank card."""

from __future__ import annotations

import colorsys
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

Singles = NDArray[np.float32]
Rng = np.random.Generator

PAPER, INK = 0.84, 0.035
"""Reflectance of bare coated board and of solid black."""


class Canvas:
    """A raster in display values, drawn on in millimetres from the top left corner of the face."""

    def __init__(self, *, width_mm: float, height_mm: float, px_per_mm: float) -> None:
        self.width_mm, self.height_mm, self.scale = width_mm, height_mm, px_per_mm
        rows, columns = (max(2, round(v * px_per_mm)) for v in (height_mm, width_mm))
        self.pixels: Singles = np.full((rows, columns, 3), 0.96, np.float32)

    def polygon(self, points_mm: NDArray[np.float64], colour: tuple[float, float, float]) -> None:
        """A filled polygon, (n, 2) in mm."""
        fixed = np.rint((points_mm * self.scale - 0.5) * 256).astype(np.int32)
        cv2.fillPoly(self.pixels, [fixed], colour, lineType=cv2.LINE_8, shift=8)

    def box(self, x: float, y: float, w: float, h: float, colour: tuple[float, float, float]) -> None:
        """A filled box with its corner at (x, y)."""
        self.polygon(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), colour)

    def disc(self, x: float, y: float, r: float, colour: tuple[float, float, float], *, squeeze: float = 1.0) -> None:
        """A filled ellipse."""
        a = np.linspace(0, 2 * np.pi, 64, endpoint=False)
        self.polygon(np.column_stack([x + r * np.cos(a), y + r * squeeze * np.sin(a)]), colour)

    def frame(self, inset_mm: float, line_mm: float, colour: tuple[float, float, float]) -> None:
        """A line all round, `inset_mm` inside the cut."""
        w, h, i, t = self.width_mm, self.height_mm, inset_mm, line_mm
        for x, y, a, b in (
            (i, i, w - 2 * i, t),
            (i, h - i - t, w - 2 * i, t),
            (i, i, t, h - 2 * i),
            (w - i - t, i, t, h - 2 * i),
        ):
            self.box(x, y, a, b, colour)


def mottle(rng: Rng, rows: int, columns: int, *, cells: int) -> Singles:
    """A smooth random field of deviation near 1 with some `cells` swells along the longer side, (rows, columns, 1)."""
    longer = max(rows, columns)
    small = rng.standard_normal((rows * cells // longer + 2, columns * cells // longer + 2)).astype(np.float32)
    return np.asarray(cv2.resize(small, (columns, rows), interpolation=cv2.INTER_CUBIC)[..., None], np.float32)


def paint(canvas: Canvas, rng: Rng, r0: int, r1: int, c0: int, c1: int) -> None:
    """Brush marks and grain over a picture, so that it is as uneven as painted and screened art is."""
    part = canvas.pixels[r0:r1, c0:c1]
    rows, columns = part.shape[:2]
    if min(rows, columns) < 8:
        return
    grain = max(8, round(max(rows, columns) / canvas.scale / 0.35))
    part *= 1 + 0.10 * mottle(rng, rows, columns, cells=9) + 0.05 * mottle(rng, rows, columns, cells=40)
    part *= 1 + 0.035 * mottle(rng, rows, columns, cells=grain)
    part += 0.018 * np.concatenate([mottle(rng, rows, columns, cells=14) for _ in range(3)], axis=2)
    np.clip(part, 0.02, 0.98, out=part)


def hue(rng: Rng, *, low: float = 0.25, high: float = 0.9, dull: float = 0.6) -> tuple[float, float, float]:
    """A random colour in display values; `dull` is the highest saturation."""
    return colorsys.hsv_to_rgb(rng.uniform(), rng.uniform(0.15, dull), rng.uniform(low, high))


def art(canvas: Canvas, rng: Rng, *, x: float, y: float, w: float, h: float) -> None:
    """An invented picture in a box: a sky that fades, hills, discs, towers."""
    scale = canvas.scale
    c0, r0, c1, r1 = (max(0, round(v * scale)) for v in (x, y, x + w, y + h))
    rows, columns = canvas.pixels[r0:r1, c0:c1].shape[:2]
    top, bottom = np.array(hue(rng)), np.array(hue(rng))
    fade = np.linspace(0, 1, rows)[:, None, None]
    canvas.pixels[r0:r1, c0:c1] = (top * (1 - fade) + bottom * fade + np.zeros((1, columns, 1))).astype(np.float32)
    canvas.disc(
        x + w * rng.uniform(0.25, 0.75),
        y + h * rng.uniform(0.2, 0.4),
        min(w, h) * rng.uniform(0.1, 0.18),
        hue(rng, low=0.8),
    )
    for layer in range(rng.integers(2, 5)):
        colour = hue(rng, low=0.15, high=0.75 - 0.1 * layer)
        a = np.linspace(0, 1, 60)
        ridge = y + h * (
            0.4 + 0.13 * layer + 0.06 * np.sin(a * rng.uniform(4, 12) + rng.uniform(0, 6)) + 0.03 * np.sin(a * 31)
        )
        points = np.column_stack([x + w * a, np.minimum(ridge, y + h)])
        canvas.polygon(np.vstack([points, [[x + w, y + h], [x, y + h]]]), colour)
    for _ in range(rng.integers(2, 6)):
        bx, by, bw, bh = rng.uniform(0.1, 0.8), rng.uniform(0.4, 0.75), rng.uniform(0.04, 0.12), rng.uniform(0.1, 0.25)
        canvas.box(x + w * bx, y + h * by, w * bw, min(h * bh, h * (1 - by)), hue(rng, low=0.1, high=0.6))
    _wood(canvas, rng.spawn(1)[0], x=x, y=y, w=w, h=h)
    paint(canvas, rng.spawn(1)[0], r0, r1, c0, c1)


def _wood(canvas: Canvas, rng: Rng, *, x: float, y: float, w: float, h: float) -> None:
    """Trees of all sizes in the lower part of a picture."""
    colour = hue(rng, low=0.12, high=0.45)
    for _ in range(rng.integers(4, 14)):
        foot, tall = (
            np.array([x + w * rng.uniform(0.06, 0.94), y + h * rng.uniform(0.72, 0.98)]),
            h * rng.uniform(0.07, 0.18),
        )
        for step in range(3):
            half, top = tall * (0.30 - 0.06 * step), tall * (0.35 + 0.3 * step)
            tree = foot + np.array([[-half, 0.3 * tall - top], [0.0, -0.12 * tall - top], [half, 0.3 * tall - top]])
            low, high = np.array([x, y]), np.array([x + w, y + h])
            canvas.polygon(np.clip(tree, low, high), colour)


def script(canvas: Canvas, rng: Rng, *, x: float, y: float, w: float, lines: int, size_mm: float = 1.6) -> None:
    """Rows of strokes that look like text and say nothing."""
    ink = (0.12, 0.11, 0.13)
    for line in range(lines):
        at, end = x, x + w * (rng.uniform(0.4, 0.8) if line == lines - 1 else 1.0)
        while at < end - size_mm:
            word = min(rng.uniform(1.5, 6) * size_mm, end - at)
            for letter in np.arange(at, at + word, size_mm * 0.62):
                tall = size_mm * (1.0 if rng.uniform() < 0.3 else 0.68)
                base = y + (line + 1) * size_mm * 1.7
                canvas.box(letter, base - tall, size_mm * 0.16, tall, ink)
                if rng.uniform() < 0.7:
                    canvas.box(letter, base - tall * rng.uniform(0.1, 1), size_mm * 0.5, size_mm * 0.14, ink)
            at += word + size_mm * 0.6


def _inside(canvas: Canvas, rng: Rng, border_mm: float) -> None:
    w, h, b = canvas.width_mm - 2 * border_mm, canvas.height_mm - 2 * border_mm, border_mm
    split = rng.uniform(0.5, 0.65) * h
    canvas.box(b, b, w, h, hue(rng, low=0.75, high=0.95, dull=0.25))
    band = min(7.0, 0.12 * h)
    canvas.box(b, b, w, band, hue(rng, low=0.7, high=0.95))
    script(canvas, rng, x=b + 2, y=b + 0.05 * band, w=w * 0.6, lines=1, size_mm=0.42 * band)
    art(canvas, rng, x=b + 1, y=b + band + 1, w=w - 2, h=split - band)
    lines = int((h - split - 6) / 2.8)
    if lines > 0:
        script(canvas, rng, x=b + 3, y=b + split + 3, w=w - 6, lines=lines)
    canvas.disc(b + w - 4, b + band / 2, 0.38 * band, hue(rng, low=0.3, high=0.8, dull=0.9))


def _bordered(canvas: Canvas, rng: Rng, colour: tuple[float, float, float]) -> None:
    canvas.box(-1, -1, canvas.width_mm + 2, canvas.height_mm + 2, colour)
    _inside(canvas, rng, rng.uniform(2.5, 4.5))


def _white(canvas: Canvas, rng: Rng) -> None:
    _bordered(canvas, rng, (0.95, 0.95, 0.94))


def _black(canvas: Canvas, rng: Rng) -> None:
    _bordered(canvas, rng, (0.09, 0.09, 0.10))


def _coloured(canvas: Canvas, rng: Rng) -> None:
    _bordered(canvas, rng, hue(rng, low=0.35, high=0.85, dull=0.9))


def _bleed(canvas: Canvas, rng: Rng) -> None:
    w, h = canvas.width_mm, canvas.height_mm
    art(canvas, rng, x=0, y=0, w=w, h=h)
    canvas.box(4, h - 4 - 0.24 * h, w - 8, 0.24 * h, hue(rng, low=0.8, high=0.95, dull=0.2))
    script(canvas, rng, x=6, y=h - 3 - 0.24 * h, w=w - 12, lines=max(1, int((0.24 * h - 3) / 2.8)))


def _blank(canvas: Canvas, rng: Rng) -> None:
    w, h = canvas.width_mm, canvas.height_mm
    tint = rng.uniform(0.90, 0.96)
    canvas.box(-1, -1, w + 2, h + 2, (tint, tint, tint - 0.02))
    canvas.disc(w / 2, h / 2, 0.12 * w, hue(rng, low=0.3, high=0.7))


def _frame_line(canvas: Canvas, rng: Rng) -> None:
    _white(canvas, rng)
    canvas.frame(rng.uniform(0.8, 1.4), 0.3, (0.15, 0.14, 0.16))


def _framed_dark(canvas: Canvas, rng: Rng) -> None:
    dark = hue(rng, low=0.14, high=0.28)
    canvas.box(-1, -1, canvas.width_mm + 2, canvas.height_mm + 2, dark)
    art(canvas, rng, x=4, y=4, w=canvas.width_mm - 8, h=canvas.height_mm - 8)
    canvas.frame(1.8, 0.5, (0.78, 0.66, 0.36))
    canvas.frame(3.6, 0.4, (0.78, 0.66, 0.36))


def _bank(canvas: Canvas, rng: Rng) -> None:
    # Upright like every face: the long side runs down.
    w, h = canvas.width_mm, canvas.height_mm
    first, second = np.array(hue(rng, low=0.2, high=0.6, dull=0.9)), np.array(hue(rng, low=0.3, high=0.8, dull=0.8))
    rows, columns = canvas.pixels.shape[:2]
    fade = (np.linspace(0, 1, rows)[:, None] + np.linspace(0, 0.5, columns)[None, :])[..., None] / 1.5
    canvas.pixels[:] = (first * (1 - fade) + second * fade).astype(np.float32)
    canvas.box(0.42 * w, 10, 0.24 * w, 10.5, (0.82, 0.72, 0.45))
    for i in range(3):
        canvas.box(0.42 * w, 12.2 + 2.6 * i, 0.24 * w, 0.3, (0.5, 0.42, 0.25))
    canvas.disc(0.82 * w, h - 12, 6, (0.9, 0.9, 0.92))
    for block in range(4):
        canvas.box(0.3 * w, 12 + 17 * block, 3.2, 12, (0.92, 0.92, 0.92))


def _even(canvas: Canvas, rng: Rng) -> None:
    canvas.pixels[:] = 1.0


def _barrel(canvas: Canvas, rng: Rng) -> None:
    """A pen's barrel seen from above: shining along its middle, a ring, a tip."""
    w, h = canvas.width_mm, canvas.height_mm
    colour = np.array(hue(rng, low=0.1, high=0.7, dull=0.9), np.float32)
    across = np.linspace(-1, 1, canvas.pixels.shape[1], dtype=np.float32)
    shine = np.sqrt(np.maximum(1 - across**2, 0.02)) + 0.5 * np.exp(-(((across - 0.3) / 0.12) ** 2))
    canvas.pixels[:] = (colour * shine[None, :, None]).astype(np.float32)
    canvas.box(0, 0.3 * h, w, 2.0, (0.7, 0.7, 0.68))
    canvas.box(0, 0.94 * h, w, 0.06 * h, (0.6, 0.6, 0.58))


def _pips(canvas: Canvas, rng: Rng) -> None:
    w, h = canvas.width_mm, canvas.height_mm
    canvas.box(-1, -1, w + 2, h + 2, hue(rng, low=0.2, high=0.95, dull=0.8))
    for x, y in ((0.25, 0.25), (0.75, 0.25), (0.5, 0.5), (0.25, 0.75), (0.75, 0.75)):
        canvas.disc(x * w, y * h, 0.09 * w, (0.1, 0.1, 0.1))


def _metal(canvas: Canvas, rng: Rng) -> None:
    w, h, level = canvas.width_mm, canvas.height_mm, rng.uniform(0.45, 0.7)
    canvas.box(-1, -1, w + 2, h + 2, (level, level * 0.9, level * 0.7))
    canvas.disc(w / 2, h / 2, 0.42 * min(w, h), (level * 0.8, level * 0.72, level * 0.55))
    canvas.disc(w / 2, h / 2, 0.38 * min(w, h), (level * 1.05, level * 0.95, level * 0.72))
    canvas.box(0.35 * w, 0.3 * h, 0.3 * w, 0.4 * h, (level * 0.75, level * 0.68, level * 0.5))


def _rubber(canvas: Canvas, rng: Rng) -> None:
    canvas.pixels[:] = 0.2


def _skin(canvas: Canvas, rng: Rng) -> None:
    w, tone = canvas.width_mm, rng.uniform(0.45, 0.85)
    across = np.linspace(-1, 1, canvas.pixels.shape[1], dtype=np.float32)[None, :, None]
    canvas.pixels[:] = (np.array([tone, tone * 0.74, tone * 0.62], np.float32) * (1 - 0.35 * across**2)).astype(
        np.float32
    )
    canvas.disc(w / 2, 9.0, 0.32 * w, (min(tone * 1.15, 0.98), tone * 0.9, tone * 0.8), squeeze=1.2)
    for k in range(3):
        canvas.box(0.15 * w, 26.0 + k * 1.6, 0.7 * w, 0.3, (tone * 0.8, tone * 0.55, tone * 0.45))


def _receipt(canvas: Canvas, rng: Rng) -> None:
    w, h = canvas.width_mm, canvas.height_mm
    canvas.box(-1, -1, w + 2, h + 2, (0.97, 0.97, 0.96))
    script(canvas, rng, x=8, y=14, w=w - 16, lines=max(2, int((h - 30) / 5.4)), size_mm=2.4)


STYLES: dict[str, Callable[[Canvas, Rng], None]] = {
    "white-border": _white,
    "black-border": _black,
    "coloured-border": _coloured,
    "full-bleed": _bleed,
    "nearly-blank": _blank,
    "frame-line": _frame_line,
    "framed-dark": _framed_dark,
    "bank": _bank,
    "even": _even,
    "barrel": _barrel,
    "pips": _pips,
    "metal": _metal,
    "black-rubber": _rubber,
    "skin": _skin,
    "receipt": _receipt,
}
"""The first kinds of face; `even` is bare board, for tests of geometry; from
`barrel` on they are of what is no card."""

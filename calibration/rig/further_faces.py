"""Further invented faces: backs with lattices and rays, icons, nothing but rules, portraits, faces that fade out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.rig.faces import Canvas, Rng, art, hue, mottle, paint, script

WHITE = (0.94, 0.94, 0.92)


def _whole(canvas: Canvas, colour: tuple[float, float, float]) -> None:
    canvas.box(-1, -1, canvas.width_mm + 2, canvas.height_mm + 2, colour)


def _lattice_back(canvas: Canvas, rng: Rng) -> None:
    """A back as of playing cards: a white margin around a lattice of one ink."""
    _whole(canvas, WHITE)
    margin, ink = float(rng.uniform(2.5, 6)), np.array(hue(rng, low=0.15, high=0.6, dull=0.95), np.float32)
    rows, columns = canvas.pixels.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns] / canvas.scale
    pitch = float(rng.uniform(2.5, 6))
    wave = np.cos(2 * np.pi * (x + y) / pitch) * np.cos(2 * np.pi * (x - y) / pitch)
    inside = (np.minimum(x, canvas.width_mm - x) > margin) & (np.minimum(y, canvas.height_mm - y) > margin)
    canvas.pixels[inside & (wave > -0.25)] = ink


def _ray_back(canvas: Canvas, rng: Rng) -> None:
    """A back whose rays run out over all sides."""
    rows, columns = canvas.pixels.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns] / canvas.scale
    turn = np.arctan2(y - canvas.height_mm * rng.uniform(0.4, 0.6), x - canvas.width_mm / 2)
    share = (np.sin(turn * int(rng.integers(8, 24))) > 0)[..., None]
    first, second = np.array(hue(rng, low=0.2, high=0.9, dull=0.9)), np.array(hue(rng, low=0.2, high=0.9, dull=0.9))
    canvas.pixels[:] = np.where(share, first, second).astype(np.float32)
    canvas.disc(canvas.width_mm / 2, canvas.height_mm / 2, 0.22 * canvas.width_mm, hue(rng, low=0.6, high=0.95))
    paint(canvas, rng.spawn(1)[0], 0, rows, 0, columns)


def _rules_only(canvas: Canvas, rng: Rng) -> None:
    """A page of rules: pale board with lines of words."""
    _whole(canvas, hue(rng, low=0.82, high=0.96, dull=0.22))
    w, h = canvas.width_mm, canvas.height_mm
    canvas.box(5, 5, w - 10, 6, hue(rng, low=0.2, high=0.8, dull=0.9))
    script(canvas, rng, x=5, y=13, w=w - 10, lines=max(1, int((h - 20) / 2.8)))


def _icons(canvas: Canvas, rng: Rng) -> None:
    """A dark or coloured ground with rows of icons, some of them cut by the card's edge."""
    _whole(canvas, hue(rng, low=0.08, high=0.55, dull=0.8))
    step = float(rng.uniform(9, 15))
    for j in range(int(canvas.height_mm / step) + 2):
        for i in range(int(canvas.width_mm / step) + 2):
            x, y, r = i * step, j * step, 0.3 * step
            if rng.uniform() < 0.5:
                canvas.disc(x, y, r, hue(rng, low=0.4, high=0.95, dull=0.8))
            else:
                canvas.polygon(np.array([[x - r, y + r], [x, y - r], [x + r, y + r]]), hue(rng, low=0.4, high=0.95))


def _portrait(canvas: Canvas, rng: Rng) -> None:
    """A head and shoulders before a ground that is brighter in the middle, over all sides."""
    w, h = canvas.width_mm, canvas.height_mm
    rows, columns = canvas.pixels.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns] / canvas.scale
    glow = np.exp(-(((x - w / 2) / (0.55 * w)) ** 2 + ((y - 0.4 * h) / (0.5 * h)) ** 2))[..., None]
    canvas.pixels[:] = (np.array(hue(rng, low=0.1, high=0.35)) + glow * 0.5 * np.array(hue(rng, low=0.5))).astype(
        np.float32
    )
    skin = float(rng.uniform(0.35, 0.85))
    canvas.disc(w / 2, h, 0.42 * w, hue(rng, low=0.1, high=0.6, dull=0.9), squeeze=0.9)
    canvas.disc(w / 2, 0.42 * h, 0.2 * w, (skin, skin * 0.78, skin * 0.64), squeeze=1.3)
    canvas.disc(w / 2, 0.33 * h, 0.21 * w, hue(rng, low=0.05, high=0.5), squeeze=0.7)
    paint(canvas, rng.spawn(1)[0], 0, rows, 0, columns)


def _fading(canvas: Canvas, rng: Rng) -> None:
    """A picture that fades towards its sides into a tone near that of a table."""
    w, h = canvas.width_mm, canvas.height_mm
    art(canvas, rng, x=0, y=0, w=w, h=h)
    rows, columns = canvas.pixels.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns] / canvas.scale
    away = np.minimum(np.minimum(x, w - x), np.minimum(y, h - y)) / float(rng.uniform(6, 14))
    share = np.clip(away, 0, 1)[..., None]
    tone = np.array(hue(rng, low=0.1, high=0.9, dull=0.4))
    canvas.pixels[:] = (canvas.pixels * share + tone * (1 - share)).astype(np.float32)


def _two_tone(canvas: Canvas, rng: Rng) -> None:
    """Halves of two colours: the sides differ from each other."""
    w, h = canvas.width_mm, canvas.height_mm
    _whole(canvas, hue(rng, low=0.1, high=0.95, dull=0.8))
    split = h * float(rng.uniform(0.3, 0.7))
    canvas.polygon(
        np.array([[-1, split + rng.uniform(-9, 9)], [w + 1, split], [w + 1, h + 1], [-1, h + 1]]),
        hue(rng, low=0.1, high=0.95, dull=0.8),
    )
    canvas.disc(w / 2, split, 0.25 * w, hue(rng, low=0.5, high=0.95))
    script(canvas, rng, x=6, y=h - 12, w=w - 12, lines=2)


def _parchment(canvas: Canvas, rng: Rng) -> None:
    """Old paper, darker and browner towards its sides, with a frame of lines and words."""
    rows, columns = canvas.pixels.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns] / canvas.scale
    away = np.minimum(np.minimum(x, canvas.width_mm - x), np.minimum(y, canvas.height_mm - y))
    dark = np.exp(-away / float(rng.uniform(3, 7)))[..., None]
    canvas.pixels[:] = np.array([0.86, 0.78, 0.60]) - dark * np.array([0.35, 0.40, 0.38])
    canvas.pixels *= 1 + 0.05 * mottle(rng, rows, columns, cells=6) + 0.03 * mottle(rng, rows, columns, cells=50)
    canvas.frame(float(rng.uniform(3, 5)), 0.35, (0.3, 0.2, 0.1))
    script(canvas, rng, x=8, y=canvas.height_mm * 0.55, w=canvas.width_mm - 16, lines=5, size_mm=2.0)
    np.clip(canvas.pixels, 0.02, 0.97, out=canvas.pixels)


def _ruler(canvas: Canvas, rng: Rng) -> None:
    """A ruler: a mark each millimetre, longer ones each five and ten."""
    _whole(canvas, hue(rng, low=0.6, high=0.95, dull=0.5))
    for k in range(int(canvas.height_mm)):
        long = 8.0 if k % 10 == 0 else 6.0 if k % 5 == 0 else 4.0
        canvas.box(0, k + 0.4, long, 0.22, (0.1, 0.1, 0.1))
        if k % 10 == 0:
            canvas.box(9.5, k - 0.6, 1.2, 2.4, (0.12, 0.12, 0.12))


def _dark_glass(canvas: Canvas, rng: Rng) -> None:
    """A screen that is off, or black coffee."""
    _whole(canvas, (0.11, 0.11, 0.12))


STYLES: dict[str, Callable[[Canvas, Rng], None]] = {
    "lattice-back": _lattice_back,
    "ray-back": _ray_back,
    "rules-only": _rules_only,
    "icons": _icons,
    "portrait": _portrait,
    "fading": _fading,
    "two-tone": _two_tone,
    "parchment": _parchment,
    "ruler": _ruler,
    "dark-glass": _dark_glass,
}
"""Kinds of face that only families of scenes use; the last two are of what is no card."""

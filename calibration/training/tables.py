"""What lies below: wood, cloth, felt, stone, boards, desks, as colours 0..1 under even light."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from calibration.training.faces import scribbled, words
from calibration.training.noise import Floats, Rng, any_colour, colour, dark, field, grains, ink, mixed, octaves, pale
from calibration.training.pictures import Pictures

Shape = tuple[int, int]


def table(rng: Rng, n: int, *, per_mm: float, pictures: Pictures) -> Floats:
    """A square table (n, n, 3), n pixels wide."""
    kinds, weights = zip(*KINDS, strict=True)
    kind = kinds[rng.choice(len(kinds), p=np.array(weights) / sum(weights))]
    drawn = kind(rng, n, per_mm, pictures)
    if rng.random() < 0.3:  # wear, dust, fingerprints
        drawn *= 1 + np.float32(rng.uniform(0.01, 0.07)) * octaves(rng, (n, n), rng.uniform(5, 60) * per_mm)[..., None]
    if rng.random() < 0.12:
        drawn = _with_end(rng, drawn, per_mm)
    return np.clip(drawn, 0.004, 1.0, out=drawn)


def wood(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """Grain along one direction, planks with seams, rings, pores, knots."""
    base = _wood_colour(rng)
    deep = base * np.float32(rng.uniform(0.35, 0.85)) * (0.9 + 0.2 * rng.random(3, dtype=np.float32))
    m = int(n * 1.45)
    y = np.arange(m, dtype=np.float32)[:, None] / np.float32(per_mm)
    long = rng.uniform(40, 500) * per_mm
    wave = field(rng, (m, m), (rng.uniform(10, 60) * per_mm, long))
    share = np.zeros((m, m), np.float32)
    for period in rng.uniform((0.3, 1.0, 4.0), (1.0, 4.0, 15.0)):
        share += np.float32(rng.uniform(0.05, 0.35)) * field(rng, (m, m), (period * per_mm, long * rng.uniform(0.1, 1)))
    if rng.random() < 0.6:
        period = rng.uniform(2, 14)
        rings = np.sin(2 * np.pi * (y / period + np.float32(rng.uniform(0.3, 2.0)) * wave))
        share += np.float32(rng.uniform(0.05, 0.35)) * rings.astype(np.float32)
    if rng.random() < 0.5:
        pores = field(rng, (m, m), (1.0, rng.uniform(2, 8) * per_mm)) > rng.uniform(1.3, 2.3)
        share += np.float32(rng.uniform(0.1, 0.6)) * pores
    drawn = mixed(np.clip(share * np.float32(rng.uniform(0.2, 1.2)) + 0.4, 0, 1), base, deep)
    if rng.random() < 0.55:
        _cut_into_planks(rng, drawn, per_mm)
    turn = rng.choice([0, 90, rng.uniform(0, 180)], p=[0.3, 0.3, 0.4]) + rng.normal(0, 2)
    return _turned(drawn, n, float(turn))


def _wood_colour(rng: Rng) -> Floats:
    if rng.random() < 0.15:
        return colour(rng, hue=(0.03, 0.15), saturation=(0, 0.2), value=(0.25, 0.95))
    return colour(rng, hue=(0.01, 0.12), saturation=(0.2, 0.8), value=(0.12, 0.9))


def _cut_into_planks(rng: Rng, drawn: Floats, per_mm: float) -> None:
    width, m = rng.uniform(25, 220) * per_mm, len(drawn)
    seam, depth = max(1, int(rng.uniform(0.2, 1.8) * per_mm)), np.float32(rng.uniform(0.15, 0.9))
    spread = rng.uniform(0, 0.2)
    for k in range(int(m / width) + 1):
        top, end = int(k * width), int((k + 1) * width)
        part = drawn[top:end]
        part[:] = np.roll(part, int(rng.integers(m)), axis=1) * np.float32(1 + spread * rng.standard_normal())
        drawn[max(0, end - seam) : end] *= depth
        if rng.random() < 0.4:
            x = int(rng.integers(m))
            part[:, x : x + seam] *= depth


def _turned(drawn: Floats, n: int, degrees: float) -> Floats:
    m = len(drawn)
    turn = cv2.getRotationMatrix2D((m / 2, m / 2), degrees, 1.0)
    turn[:, 2] -= (m - n) / 2
    return np.asarray(cv2.warpAffine(drawn, turn, (n, n), borderMode=cv2.BORDER_REFLECT), np.float32)


def cloth(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """Woven cloth, plain or printed, flat or in folds."""
    print_of = (_plain, _checks, _stripes, _plaid, _motifs)[rng.choice(5, p=[0.3, 0.2, 0.15, 0.15, 0.2])]
    drawn = print_of(rng, n, per_mm)
    x = np.arange(n, dtype=np.float32)
    period = rng.uniform(0.4, 2.2) * per_mm
    weave = np.sin(2 * np.pi * x / period)[None] * np.sin(2 * np.pi * x / period)[:, None]
    drawn *= (1 + np.float32(rng.uniform(0, 0.12)) * weave + np.float32(rng.uniform(0, 0.1)) * grains(rng, (n, n)))[
        ..., None
    ]
    if rng.random() < 0.5:
        drawn = _in_folds(rng, drawn, per_mm)
    return _turned(np.pad(drawn, ((n // 4,) * 2,) * 2 + ((0, 0),), mode="reflect"), n, float(rng.uniform(0, 180)))


def _in_folds(rng: Rng, drawn: Floats, per_mm: float) -> Floats:
    n = len(drawn)
    height = octaves(rng, (n, n), rng.uniform(30, 150) * per_mm, count=2, fall=0.4)
    slope = np.gradient(height, axis=int(rng.integers(2)))
    slope /= np.float32(np.abs(slope).max() + 1e-6)
    return drawn * (1 + np.float32(rng.uniform(0.05, 0.5)) * slope[..., None])


def _plain(rng: Rng, n: int, per_mm: float) -> Floats:
    return np.ones((n, n, 1), np.float32) * any_colour(rng)


def _checks(rng: Rng, n: int, per_mm: float) -> Floats:
    side = rng.uniform(4, 45) * per_mm
    at = (np.arange(n) // side).astype(int) % 2
    share = (at[None] + at[:, None]) / 2 if rng.random() < 0.5 else (at[None] ^ at[:, None])
    return mixed(share.astype(np.float32), any_colour(rng), any_colour(rng))


def _stripes(rng: Rng, n: int, per_mm: float) -> Floats:
    colours = np.array([any_colour(rng) for _ in range(rng.integers(2, 6))])
    ends = np.cumsum(rng.uniform(2, 50, 200) * per_mm * rng.uniform(0.2, 1))
    which = np.searchsorted(ends, np.arange(n)) % len(colours)
    return np.ascontiguousarray(np.broadcast_to(colours[which][:, None], (n, n, 3))).astype(np.float32)


def _plaid(rng: Rng, n: int, per_mm: float) -> Floats:
    one, two = _stripes(rng, n, per_mm), _stripes(rng, n, per_mm)
    return (one + two.transpose(1, 0, 2)) / 2


def _motifs(rng: Rng, n: int, per_mm: float) -> Floats:
    """One motif again and again."""
    side = int(rng.uniform(10, 90) * per_mm)
    tile = np.full((side, side, 3), ink(any_colour(rng)), np.float32).astype(np.uint8)
    scribbled(rng, tile, int(rng.integers(1, 7)))
    times = n // side + 1
    return np.tile(tile, (times, times, 1))[:n, :n].astype(np.float32) / 255


def mat(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """Felt or neoprene, of one colour, perhaps with a print."""
    base = dark(rng) if rng.random() < 0.35 else any_colour(rng)
    drawn = np.ones((n, n, 1), np.float32) * base
    if rng.random() < 0.25:
        drawn = cv2.resize(pictures.any(rng), (n, n), interpolation=cv2.INTER_CUBIC) * np.float32(rng.uniform(0.3, 1))
    coarse = octaves(rng, (n, n), rng.uniform(0.5, 4) * per_mm, count=2)
    return (
        drawn
        * (1 + np.float32(rng.uniform(0.01, 0.12)) * coarse + np.float32(rng.uniform(0, 0.1)) * grains(rng, (n, n)))[
            ..., None
        ]
    )


def stone(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """Granite, slate, marble, terrazzo, concrete."""
    share = octaves(rng, (n, n), rng.uniform(1, 60) * per_mm, count=5, fall=rng.uniform(0.5, 0.9))
    if rng.random() < 0.3:  # veins
        share = 1.5 - 6 * np.abs(octaves(rng, (n, n), rng.uniform(40, 200) * per_mm, count=4))
    one = any_colour(rng) if rng.random() < 0.3 else colour(rng, saturation=(0, 0.2), value=(0.05, 0.95))
    other = np.clip(one * np.float32(rng.uniform(0.4, 1.7)), 0, 1)
    drawn = mixed(np.clip(0.5 + 0.3 * share, 0, 1), one, other)
    if rng.random() < 0.4:
        drawn[grains(rng, (n, n)) > rng.uniform(1.8, 3)] *= np.float32(rng.uniform(0.3, 1.6))
    if rng.random() < 0.25:
        _tiled(rng, drawn, per_mm)
    return drawn


def _tiled(rng: Rng, drawn: Floats, per_mm: float) -> None:
    """Joints between tiles."""
    width, height = (max(20, int(v)) for v in rng.uniform(20, 200, 2) * per_mm)
    joint, tint = max(1, int(rng.uniform(0.5, 4) * per_mm)), np.float32(rng.uniform(0.3, 1.7))
    for k in range(joint):
        drawn[k::height] *= tint
        drawn[:, k::width] *= tint


def desk(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """Plain: white, pale, grey or black."""
    base = (pale, dark, any_colour)[rng.choice(3, p=[0.5, 0.2, 0.3])](rng)
    texture = octaves(rng, (n, n), rng.uniform(0.5, 20) * per_mm) * np.float32(rng.uniform(0, 0.03))
    return np.ones((n, n, 1), np.float32) * base * (1 + texture[..., None])


def board(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """A game board, a printed mat, a page: pictures, frames, slots for cards, tracks, words."""
    ground = pictures.painted(rng, n, n) if rng.random() < 0.6 else np.ones((n, n, 1), np.float32) * any_colour(rng)
    drawn = (np.clip(ground, 0, 1) * 255).astype(np.uint8)
    for _ in range(rng.integers(1, 9)):
        (_slots, _rings, _words, _tracks)[rng.integers(4)](rng, drawn, per_mm)
    if rng.random() < 0.4:
        scribbled(rng, drawn, int(rng.integers(1, 12)))
    return drawn.astype(np.float32) / 255


def _slots(rng: Rng, drawn: np.ndarray, per_mm: float) -> None:
    """A row or a grid of frames, a few of them filled."""
    n = len(drawn)
    w, h = rng.uniform(8, 95, 2) * per_mm
    gap, x0, y0 = rng.uniform(0, 12) * per_mm, rng.uniform(-0.2, 0.9) * n, rng.uniform(-0.2, 0.9) * n
    thick = max(1, int(rng.uniform(0.2, 2.5) * per_mm))
    line, filled = ink(any_colour(rng)), rng.random() < 0.12
    for i in range(rng.integers(1, 7)):
        for j in range(rng.integers(1, 5)):
            low = (int(x0 + i * (w + gap)), int(y0 + j * (h + gap)))
            high = (int(low[0] + w), int(low[1] + h))
            if filled:
                cv2.rectangle(drawn, low, high, ink(any_colour(rng)), -1)
            cv2.rectangle(drawn, low, high, line, thick, cv2.LINE_AA)


def _rings(rng: Rng, drawn: np.ndarray, per_mm: float) -> None:
    n = len(drawn)
    for _ in range(rng.integers(1, 10)):
        radius = int(rng.uniform(3, 60) * per_mm)
        thick = -1 if rng.random() < 0.3 else max(1, int(rng.uniform(0.3, 3) * per_mm))
        at = (int(rng.integers(n)), int(rng.integers(n)))
        cv2.circle(drawn, at, radius, ink(any_colour(rng)), thick, cv2.LINE_AA)


def _words(rng: Rng, drawn: np.ndarray, per_mm: float) -> None:
    n = len(drawn)
    w, h = (int(v) for v in rng.uniform(30, 200, 2) * per_mm)
    x, y = (int(v) for v in rng.uniform(-0.1, 0.9, 2) * n)
    part = drawn[max(0, y) : y + h, max(0, x) : x + w]
    if min(part.shape[:2]) > 8:
        words(rng, part, size_px=rng.uniform(1.5, 8) * per_mm, colour=ink(any_colour(rng)))


def _tracks(rng: Rng, drawn: np.ndarray, per_mm: float) -> None:
    n = len(drawn)
    points = np.cumsum(rng.normal(0, 30 * per_mm, (rng.integers(3, 12), 2)), axis=0) + rng.uniform(0, n, 2)
    thick = max(1, int(rng.uniform(0.3, 8) * per_mm))
    cv2.polylines(drawn, [points.astype(np.int32)], rng.random() < 0.3, ink(any_colour(rng)), thick, cv2.LINE_AA)


def photographed(rng: Rng, n: int, per_mm: float, pictures: Pictures) -> Floats:
    """Brick, grass or gravel, photographed, of any tint."""
    grey = pictures.texture(rng)
    k = rng.uniform(0.3, 2.0) * per_mm / 4
    size = max(64, int(len(grey) * k))
    small = cv2.resize(grey, (size, size), interpolation=cv2.INTER_LINEAR)
    times = n // size + 1
    tile = np.tile(np.block([[small, small[:, ::-1]], [small[::-1], small[::-1, ::-1]]]), (times, times))[:n, :n]
    strength = np.float32(rng.uniform(0.2, 1.2))
    return any_colour(rng) * (1 + strength * (tile[..., None] - tile.mean()) / np.float32(tile.std() * 3))


def _with_end(rng: Rng, drawn: Floats, per_mm: float) -> Floats:
    """The table ends, and the floor begins."""
    n = len(drawn)
    turn, off = rng.uniform(0, 2 * np.pi), rng.uniform(0.15, 0.5) * n
    y, x = np.mgrid[:n, :n].astype(np.float32) - n / 2
    beyond = x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn)) > off
    floor = octaves(rng, (n, n), rng.uniform(5, 80) * per_mm)[..., None] * np.float32(0.1)
    drawn[beyond] = (any_colour(rng) * np.float32(rng.uniform(0.2, 1)) * (1 + floor))[beyond]
    return drawn


Kind = Callable[[Rng, int, float, Pictures], Floats]
KINDS: tuple[tuple[Kind, float], ...] = (
    (wood, 0.36), (cloth, 0.15), (mat, 0.13), (stone, 0.09), (desk, 0.12), (board, 0.1), (photographed, 0.05),
)  # fmt: skip
"""How often each: wood most, as people's tables are (a guess, no source)."""

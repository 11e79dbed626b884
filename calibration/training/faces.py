"""Faces of cards and other flat pieces, drawn as pictures of bytes, blue first, at so many pixels a millimetre."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.training.noise import Rng, any_colour, colour, dark, ink, pale
from calibration.training.pictures import Pictures

Bytes = NDArray[np.uint8]
Ink = tuple[float, float, float]
FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_TRIPLEX,
         cv2.FONT_HERSHEY_SCRIPT_SIMPLEX)  # fmt: skip
LETTERS = np.array(list("abcdefghijklmnopqrstuvwxyzABCDEFGHIKLMNOPRSTUVW0123456789"))


def face(rng: Rng, h: int, w: int, *, per_mm: float, pictures: Pictures, style: int | None = None) -> Bytes:
    """A face (h, w, 3) of one of the styles."""
    kinds, weights = zip(*STYLES, strict=True)
    chosen = rng.choice(len(kinds), p=np.array(weights) / sum(weights)) if style is None else style
    drawn = kinds[chosen](rng, max(8, h), max(8, w), per_mm, pictures)
    return drawn


CREASED = 8
"""The number of the style that envelopes and folded sheets have."""


def any_style(rng: Rng) -> int:
    """The number of a style, so that the cards of a deck look alike."""
    weights = np.array([weight for _, weight in STYLES])
    return int(rng.choice(len(weights), p=weights / weights.sum()))


def plain(h: int, w: int, code: np.ndarray) -> Bytes:
    """One colour."""
    return np.full((h, w, 3), np.round(np.clip(code, 0, 1) * 255), np.uint8)


def words(rng: Rng, drawn: Bytes, *, size_px: float, colour: Ink, fill: float = 1.0) -> None:
    """Lines of words all over a picture; where they are small, as strokes."""
    h, w = drawn.shape[:2]
    y = size_px * 1.2
    font, scale = FONTS[rng.integers(len(FONTS))], size_px / 22
    thick = max(1, int(size_px / 12 * rng.uniform(0.6, 1.6)))
    while y < h * fill:
        if size_px > 7:
            text = "".join(rng.choice(LETTERS, size=max(2, int(w / size_px * rng.uniform(0.5, 1.6)))))
            at = max(2, int(rng.uniform(3, 9)))
            text = " ".join(text[k : k + at] for k in range(0, len(text), at))
            cv2.putText(drawn, text, (int(size_px * 0.3), int(y)), font, scale, colour, thick, cv2.LINE_AA)
        else:
            x = size_px * 0.5
            while x < w - size_px:
                end = x + size_px * rng.uniform(0.8, 4)
                cv2.line(drawn, (int(x), int(y)), (int(min(end, w - size_px / 2)), int(y)), colour,
                         max(1, int(size_px / 3)))  # fmt: skip
                x = end + size_px * 0.6
                if rng.random() < 0.04:
                    break
        y += size_px * rng.uniform(1.3, 1.7)


def scribbled(rng: Rng, drawn: Bytes, count: int) -> None:
    """Ellipses, polygons and lines of any colours."""
    h, w = drawn.shape[:2]
    for _ in range(count):
        at, size = rng.uniform(0, 1, 2) * (w, h), rng.uniform(0.05, 0.45) * min(h, w)
        shade, kind = ink(any_colour(rng)), rng.integers(3)
        if kind == 0:
            axes = (max(1, int(size)), max(1, int(size * rng.uniform(0.3, 1))))
            cv2.ellipse(drawn, (int(at[0]), int(at[1])), axes, rng.uniform(0, 180), 0, 360, shade, -1, cv2.LINE_AA)
        elif kind == 1:
            angles = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(3, 9)))
            points = at + size * rng.uniform(0.4, 1, (len(angles), 1)) * np.column_stack(
                [np.cos(angles), np.sin(angles)]
            )
            cv2.fillPoly(drawn, [points.astype(np.int32)], shade, cv2.LINE_AA)
        else:
            end = at + rng.normal(0, size * 2, 2)
            cv2.line(drawn, (int(at[0]), int(at[1])), (int(end[0]), int(end[1])), shade,
                     max(1, int(rng.uniform(0.01, 0.06) * min(h, w))), cv2.LINE_AA)  # fmt: skip


def symbols(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """A white card with one to six equal shapes on it, solid, hatched or in outline."""
    drawn = plain(h, w, pale(rng) if rng.random() < 0.9 else any_colour(rng))
    shade = ink(colour(rng, saturation=(0.4, 1), value=(0.1, 0.9)) if rng.random() < 0.8 else dark(rng))
    count, tall = int(rng.integers(1, 4)), h >= w
    if rng.random() < 0.2:
        count = int(rng.integers(4, 11))
    pitch = (h if tall else w) / (count + rng.uniform(0.2, 1.2))
    long = rng.uniform(0.3, 0.85) * (w if tall else h)
    short = min(rng.uniform(0.3, 0.75) * long, 0.85 * pitch)
    outline = _symbol(rng)
    shape, filling = outline * (long, short) if tall else outline[:, ::-1] * (short, long), rng.integers(3)
    for k in range(count):
        off = (k - (count - 1) / 2) * pitch
        at = np.array([w / 2, h / 2 + off] if tall else [w / 2 + off, h / 2])
        _draw_symbol(drawn, shape + at, shade, int(filling), per_mm)
    if rng.random() < 0.25:
        for corner in ((0.04, 0.12), (0.82, 0.97)):
            cv2.putText(drawn, str(rng.integers(10)), (int(corner[0] * w), int(corner[1] * h)), FONTS[1],
                        rng.uniform(4, 9) * per_mm / 22, shade, max(1, int(per_mm / 3)), cv2.LINE_AA)  # fmt: skip
    return drawn


def _symbol(rng: Rng) -> NDArray[np.float64]:
    """A closed outline (n, 2), within -0.5..0.5."""
    t = np.linspace(0, 2 * np.pi, 41)[:-1]
    kind = rng.integers(6)
    if kind == 0:
        return np.array([[0.5, 0], [0, 0.5], [-0.5, 0], [0, -0.5]])
    if kind == 1:  # a stadium
        return (
            0.5
            * np.column_stack([np.cos(t), np.sin(t)])
            * (1, 1) ** np.array(1)
            * np.minimum(1, 0.9 / np.maximum(np.abs(np.column_stack([np.cos(t), np.sin(t)])), 0.3))
        )
    if kind == 2:  # a wave
        x = np.linspace(-0.45, 0.45, 20)
        bend = 0.18 * np.sin(2 * np.pi * x)
        return np.concatenate([np.column_stack([x, bend - 0.28]), np.column_stack([x, bend + 0.28])[::-1]])
    if kind == 3:
        return 0.5 * np.column_stack([np.cos(t), np.sin(t)])
    if kind == 4:  # a star
        points = int(rng.integers(4, 8))
        r = np.tile([0.5, rng.uniform(0.18, 0.35)], points)
        a = np.arange(2 * points) * np.pi / points
        return np.column_stack([r * np.cos(a), r * np.sin(a)])
    r = 0.35 + 0.15 * np.cos(t * rng.integers(2, 5))
    return np.column_stack([r * np.cos(t), r * np.sin(t)])


def _draw_symbol(drawn: Bytes, points: NDArray[np.float64], shade: Ink, filling: int, per_mm: float) -> None:
    outline = np.round(points * 8).astype(np.int32)
    if filling == 0:
        cv2.fillPoly(drawn, [outline], shade, cv2.LINE_AA, 3)
        return
    if filling == 1:
        (x, y), (right, bottom) = points.min(axis=0).astype(int), points.max(axis=0).astype(int) + 1
        mask = np.zeros(drawn.shape[:2], np.uint8)
        cv2.fillPoly(mask, [outline], 255, cv2.LINE_8, 3)
        step = max(3, int(per_mm * 1.2))
        for at in range(x, right, step):
            mask[:, at + max(1, step // 3) : at + step] = 0
        drawn[mask > 0] = np.array(shade, np.uint8)
    cv2.polylines(drawn, [outline], True, shade, max(1, int(per_mm * 0.5)), cv2.LINE_AA, 3)


def bordered(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """A picture within a border: white, black, or of any colour; perhaps with a title, a box of text, a frame."""
    edge = (pale, dark, any_colour)[rng.choice(3, p=[0.35, 0.35, 0.3])](rng)
    drawn = plain(h, w, edge)
    margin = min(rng.uniform(1.5, 7) * per_mm, 0.2 * min(h, w))
    low, high_x, high_y = int(margin), int(w - margin), int(h - margin)
    inner = drawn[low:high_y, low:high_x]
    if min(inner.shape[:2]) < 4:
        return drawn
    inner[:] = full(rng, *inner.shape[:2], per_mm, pictures)
    if rng.random() < 0.35:
        thick = max(1, int(rng.uniform(0.2, 1.2) * per_mm))
        cv2.rectangle(drawn, (low, low), (high_x, high_y), ink(any_colour(rng)), thick, cv2.LINE_AA)
    return drawn


def full(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """A picture up to the edge, with boxes of text or not."""
    picture = cv2.resize(pictures.any(rng), (w, h), interpolation=cv2.INTER_LINEAR)
    drawn = (np.clip(picture, 0, 1) * 255).astype(np.uint8)
    if rng.random() < 0.5:
        scribbled(rng, drawn, int(rng.integers(1, 10)))
    for _ in range(rng.integers(0, 4)):
        x, y = (int(v) for v in rng.uniform(0, 0.6, 2) * (w, h))
        box = drawn[y : y + int(rng.uniform(0.08, 0.4) * h), x : x + int(rng.uniform(0.3, 1) * w)]
        if rng.random() < 0.6:
            box[:] = np.round(any_colour(rng) * 255).astype(np.uint8)
        if min(box.shape[:2]) > 6 and rng.random() < 0.8:
            words(rng, box, size_px=rng.uniform(1.5, 5) * per_mm, colour=ink(any_colour(rng)))
    return drawn


def halved(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """A picture and boxes of text in bands across the face, with a border or without: their ends are no edges."""
    drawn = bordered(rng, h, w, per_mm, pictures) if rng.random() < 0.5 else full(rng, h, w, per_mm, pictures)
    margin = int(rng.choice([0.0, rng.uniform(0.5, 6)]) * per_mm)
    inner = drawn[margin : h - margin, margin : w - margin]
    if rng.random() < 0.5:
        inner = inner.transpose(1, 0, 2)
    at, n = 0, inner.shape[0]
    while at < n:
        high = at + max(3, int(rng.uniform(0.08, 0.6) * n))
        band = inner[at:high]
        if rng.random() < 0.6:
            band[:] = np.round((pale, any_colour)[rng.integers(2)](rng) * 255).astype(np.uint8)
            box = np.ascontiguousarray(band)
            if min(box.shape[:2]) > 6 and rng.random() < 0.7:
                words(rng, box, size_px=rng.uniform(1.5, 5) * per_mm, colour=ink(dark(rng)))
                band[:] = box
        at = high
    return drawn


def creased(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """Paper with folds: an envelope's flap, a sheet folded in three."""
    drawn = plain(h, w, (pale, any_colour)[rng.choice(2, p=[0.75, 0.25])](rng)).astype(np.float32)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    for _ in range(rng.integers(1, 5)):
        turn = rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)])
        beyond = (x - rng.uniform(0, w)) * np.float32(np.cos(turn)) + (y - rng.uniform(0, h)) * np.float32(np.sin(turn))
        drawn *= np.where(beyond > 0, np.float32(rng.uniform(0.9, 1.03)), np.float32(1))[..., None]
        line = np.exp(-((beyond / np.float32(rng.uniform(0.2, 1.0) * per_mm)) ** 2)) * np.float32(
            rng.uniform(-0.2, 0.08)
        )
        drawn *= 1 + line[..., None]
    made = drawn.clip(0, 255).astype(np.uint8)
    if rng.random() < 0.3:
        words(rng, made[h // 3 : h // 2 + 8, w // 4 : w // 4 + w // 2 + 8], size_px=rng.uniform(2, 6) * per_mm,
              colour=ink(dark(rng)))  # fmt: skip
    return made


def framed(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """Lines all round within the edge, on one colour or on a picture: what may be taken for the edge."""
    ground = (symbols, bordered, full, blank)[rng.choice(4, p=[0.2, 0.2, 0.25, 0.35])](rng, h, w, per_mm, pictures)
    off = rng.uniform(1, 6) * per_mm
    for _ in range(rng.integers(1, 4)):
        low, high = (int(off), int(off)), (int(w - off), int(h - off))
        cv2.rectangle(ground, low, high, ink(any_colour(rng)), max(1, int(rng.uniform(0.2, 1.5) * per_mm)), cv2.LINE_AA)
        off += rng.uniform(0.6, 4) * per_mm
    return ground


def blank(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """Nearly nothing: white, black, or of one colour."""
    drawn = plain(h, w, (pale, dark, any_colour)[rng.choice(3, p=[0.5, 0.2, 0.3])](rng))
    if rng.random() < 0.5:
        x, y = (int(v) for v in rng.uniform(0.1, 0.7, 2) * (w, h))
        box = drawn[y : y + int(0.25 * h) + 2, x : x + int(0.5 * w) + 2]
        words(rng, box, size_px=rng.uniform(1.5, 6) * per_mm, colour=ink(any_colour(rng)))
    return drawn


def written(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """A card of text: business cards, rules, quiz cards."""
    ground, letters = (pale, dark) if rng.random() < 0.75 else (dark, pale)
    drawn = plain(h, w, ground(rng) if rng.random() < 0.8 else any_colour(rng))
    margin = int(min(rng.uniform(2, 8) * per_mm, 0.2 * min(h, w)))
    shade = ink(letters(rng) if rng.random() < 0.7 else any_colour(rng))
    inner = drawn[margin : h - margin, margin : w - margin]
    words(rng, inner, size_px=rng.uniform(1.5, 6) * per_mm, colour=shade, fill=rng.uniform(0.3, 1))
    if rng.random() < 0.4:
        at, radius = (int(rng.uniform(0.15, 0.85) * w), int(rng.uniform(0.15, 0.85) * h)), int(0.12 * min(h, w))
        cv2.circle(drawn, at, radius, ink(any_colour(rng)), -1, cv2.LINE_AA)
    if rng.random() < 0.2:
        cv2.rectangle(drawn, (0, 0), (w, int(rng.uniform(0.08, 0.3) * h)), ink(any_colour(rng)), -1)
    return drawn


def back(rng: Rng, h: int, w: int, per_mm: float, pictures: Pictures) -> Bytes:
    """A card's back: a lattice, dots or rays, with a border or without."""
    y, x = np.mgrid[:h, :w].astype(np.float32)
    period, turn = rng.uniform(1.2, 12) * per_mm, rng.uniform(0, np.pi)
    a = np.sin(2 * np.pi * (x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn))) / period)
    b = np.sin(2 * np.pi * (x * np.float32(np.sin(turn)) - y * np.float32(np.cos(turn))) / period)
    waves = (a * b, np.maximum(a, b), a + b * np.float32(0.3))[rng.integers(3)]
    share = (waves > rng.uniform(-0.5, 0.5)).astype(np.float32)[..., None]
    one, two = any_colour(rng), any_colour(rng)
    drawn = ((one + share * (two - one)) * 255).astype(np.uint8)
    if rng.random() < 0.6:
        edge = ink((pale, any_colour)[rng.integers(2)](rng))
        cv2.rectangle(drawn, (0, 0), (w - 1, h - 1), edge, max(1, int(2 * rng.uniform(1, 6) * per_mm)))
    if rng.random() < 0.5:
        cv2.ellipse(drawn, (w // 2, h // 2), (w // 4, h // 5), 0, 0, 360, ink(any_colour(rng)), -1, cv2.LINE_AA)
    return drawn


Style = Callable[[Rng, int, int, float, Pictures], Bytes]
STYLES: tuple[tuple[Style, float], ...] = (
    (symbols, 0.14), (bordered, 0.28), (full, 0.08), (framed, 0.12), (blank, 0.08), (written, 0.08), (back, 0.07),
    (halved, 0.1), (creased, 0.05),
)  # fmt: skip
"""How often each (a guess, no source)."""

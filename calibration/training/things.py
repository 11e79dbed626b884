"""What lies about and is no flat piece: pens, coins, dice, phones, cables, boxes, hands, torn paper, glasses.

Each is drawn into a picture of bytes and marked in a map of the same size; places in pixels.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.training.faces import face, words
from calibration.training.noise import Rng, any_colour, colour, dark, ink, pale
from calibration.training.pictures import Pictures

Bytes = NDArray[np.uint8]
Mark = Callable[[Bytes], None]


def thing(rng: Rng, picture: Bytes, *, per_mm: float, pictures: Pictures) -> Bytes:
    """Draw one thing; returns its mask (h, w), 255 where it is."""
    mask = np.zeros(picture.shape[:2], np.uint8)
    at = rng.uniform(-0.05, 1.05, 2) * picture.shape[0]
    THINGS[rng.choice(len(THINGS), p=SHARES)](rng, picture, mask, at, per_mm, pictures)
    return mask


def _filled(picture: Bytes, mask: Bytes, points: NDArray[np.floating], code: np.ndarray) -> None:
    at = np.round(points * 8).astype(np.int32)
    cv2.fillPoly(picture, [at], ink(code), cv2.LINE_AA, 3)
    cv2.fillPoly(mask, [at], 255, cv2.LINE_8, 3)


def box_points(
    at: NDArray[np.floating], w: float, h: float, turn: float, *, radius: float = 0.0
) -> NDArray[np.float64]:
    """A rectangle's outline (n, 2) about a place, its corners round."""
    r = min(radius, 0.5 * w, 0.5 * h)
    corners = np.array([[w / 2 - r, h / 2 - r], [r - w / 2, h / 2 - r], [r - w / 2, r - h / 2], [w / 2 - r, r - h / 2]])
    arcs = np.linspace(0, np.pi / 2, 7) if r > 0 else np.zeros(1)
    points = np.concatenate([
        corner + r * np.column_stack([np.cos(arcs + k * np.pi / 2), np.sin(arcs + k * np.pi / 2)])
        for k, corner in enumerate(corners)
    ])  # fmt: skip
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(at + points @ np.array([[c, s], [-s, c]]))


def pen(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A pen, a stick, a ruler."""
    long, wide, turn = rng.uniform(60, 250) * per_mm, rng.uniform(4, 12) * per_mm, rng.uniform(0, np.pi)
    if rng.random() < 0.3:
        wide = rng.uniform(20, 40) * per_mm
    base = any_colour(rng)
    _filled(picture, mask, box_points(at, long, wide, turn, radius=rng.uniform(0, 0.5) * wide), base)
    across = np.array([-np.sin(turn), np.cos(turn)]) * wide
    lighter = np.clip(base * 1.5 + 0.1, 0, 1)
    _filled(picture, mask, box_points(at + across * 0.2, long * 0.95, wide * 0.2, turn), lighter)
    if wide > 18 * per_mm:
        way = np.array([np.cos(turn), np.sin(turn)])
        for k in np.arange(-long / 2, long / 2, per_mm * rng.choice([1, 2, 5])):
            ends = [at + way * k + across * 0.5, at + way * k + across * rng.choice([0.35, 0.25])]
            cv2.line(picture, *[tuple(int(v) for v in end) for end in ends], ink(dark(rng)), 1, cv2.LINE_AA)


def coin(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A coin or a button: metal, with a rim and a relief."""
    radius = rng.uniform(7, 17) * per_mm
    base = colour(rng, hue=(0.02, 0.16), saturation=(0.05, 0.6), value=(0.3, 0.85))
    t = np.linspace(0, 2 * np.pi, 49)
    ring = np.column_stack([np.cos(t), np.sin(t)])
    _filled(picture, mask, at + radius * ring, base * np.float32(rng.uniform(0.5, 1.3)))
    _filled(picture, mask, at + 0.88 * radius * ring, base)
    for _ in range(rng.integers(3, 12)):
        spot = at + rng.uniform(-0.5, 0.5, 2) * radius
        axes = tuple(max(1, int(v)) for v in rng.uniform(0.05, 0.35, 2) * radius)
        cv2.ellipse(picture, (int(spot[0]), int(spot[1])), axes, rng.uniform(0, 180), 0, rng.uniform(90, 360),
                    ink(np.clip(base * rng.uniform(0.5, 1.5), 0, 1)), max(1, int(per_mm * 0.4)), cv2.LINE_AA)  # fmt: skip


def die(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """Dice and small blocks: a top, and walls that are seen beside it."""
    side, turn = rng.uniform(8, 20) * per_mm, rng.uniform(0, np.pi)
    lean, base = rng.normal(0, 0.25, 2) * side, any_colour(rng)
    low, top = (
        box_points(at, side, side, turn, radius=0.1 * side),
        box_points(at + lean, side, side, turn, radius=0.12 * side),
    )
    _filled(picture, mask, cv2.convexHull(np.concatenate([low, top]).astype(np.float32))[:, 0], base * np.float32(0.65))
    _filled(picture, mask, top, base)
    for _ in range(rng.integers(0, 7)):
        spot = at + lean + rng.uniform(-0.3, 0.3, 2) * side
        cv2.circle(picture, (int(spot[0]), int(spot[1])), max(1, int(0.08 * side)), ink(pale(rng)), -1, cv2.LINE_AA)


def phone(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A phone: a dark slab with a glossy face and a bright rim."""
    w, h, turn = rng.uniform(64, 80) * per_mm, rng.uniform(130, 168) * per_mm, rng.uniform(0, np.pi)
    r = rng.uniform(5, 11) * per_mm
    _filled(picture, mask, box_points(at, w, h, turn, radius=r), any_colour(rng))
    _filled(picture, mask, box_points(at, w - 2 * per_mm, h - 2 * per_mm, turn, radius=r), dark(rng))
    shown = dark(rng) if rng.random() < 0.6 else any_colour(rng)
    _filled(picture, mask, box_points(at, w - 8 * per_mm, h - rng.uniform(8, 30) * per_mm, turn, radius=r / 2), shown)


def cable(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A cable or a string, in bends."""
    turns = np.cumsum(rng.normal(0, 0.25, 60)) + rng.uniform(0, 2 * np.pi)
    points = at + np.cumsum(np.column_stack([np.cos(turns), np.sin(turns)]) * 8 * per_mm, axis=0)
    wide = max(1, int(rng.uniform(1.0, 7) * per_mm))
    shade = ink((dark, pale, any_colour)[rng.integers(3)](rng))
    cv2.polylines(picture, [points.astype(np.int32)], False, shade, wide, cv2.LINE_AA)
    cv2.polylines(mask, [points.astype(np.int32)], False, 255, wide)


def box(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A box, a book or a tin: so high that its walls are seen."""
    w, h, turn = *(rng.uniform(40, 220, 2) * per_mm), rng.uniform(0, np.pi)
    lean = rng.normal(0, 1, 2)
    lean *= rng.uniform(6, 35) * per_mm / max(np.linalg.norm(lean), 0.1)
    top = box_points(at + lean, w, h, turn, radius=rng.choice([0, 0.05]) * w)
    low = box_points(at, w * 0.93, h * 0.93, turn, radius=0.01 * w)
    wall = any_colour(rng)
    _filled(picture, mask, cv2.convexHull(np.concatenate([low, top]).astype(np.float32))[:, 0], wall * np.float32(0.7))
    _pasted(
        picture, face(rng, int(h), int(w), per_mm=per_mm, pictures=pictures), at + lean, turn, mask=mask, outline=top
    )


def _pasted(
    picture: Bytes, drawn: Bytes, at: np.ndarray, turn: float, *, mask: Bytes, outline: NDArray[np.floating]
) -> None:
    """A face into an outline about a place."""
    h, w = drawn.shape[:2]
    c, s = np.cos(turn), np.sin(turn)
    place = np.array([[c, -s, at[0] - c * w / 2 + s * h / 2], [s, c, at[1] - s * w / 2 - c * h / 2]])
    only = np.zeros(mask.shape, np.uint8)
    cv2.fillPoly(only, [np.round(outline * 8).astype(np.int32)], 255, cv2.LINE_8, 3)
    x, y, wide, high = cv2.boundingRect(only)
    if not wide:
        return
    place[:, 2] -= (x, y)
    warped = cv2.warpAffine(drawn, place, (wide, high), borderMode=cv2.BORDER_REPLICATE)
    inside = only[y : y + high, x : x + wide] > 0
    picture[y : y + high, x : x + wide][inside] = warped[inside]
    mask[only > 0] = 255


def hand(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """Fingers that reach in from the view's end."""
    n = picture.shape[0]
    skin = colour(rng, hue=(0.01, 0.09), saturation=(0.25, 0.65), value=(0.2, 0.95))
    turn = rng.uniform(0, 2 * np.pi)
    start = n / 2 + n * 0.55 * np.array([np.cos(turn), np.sin(turn)])
    for _ in range(rng.integers(1, 5)):
        way = turn + np.pi + rng.normal(0, 0.25)
        long, wide = rng.uniform(30, 90) * per_mm, rng.uniform(14, 22) * per_mm
        middle = start + rng.normal(0, 15 * per_mm, 2) + 0.3 * long * np.array([np.cos(way), np.sin(way)])
        tint = skin * np.float32(rng.uniform(0.85, 1.1))
        _filled(picture, mask, box_points(middle, long * 1.6, wide, way, radius=wide / 2), tint * np.float32(0.75))
        _filled(picture, mask, box_points(middle, long * 1.58, wide * 0.75, way, radius=wide / 2), np.clip(tint, 0, 1))


def scrap(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """Torn or cut paper, a leaf, a crumb: an outline like nothing."""
    count, size = rng.integers(10, 40), rng.uniform(5, 60) * per_mm
    t = np.sort(rng.uniform(0, 2 * np.pi, count))
    r = size * (1 + rng.uniform(0.05, 0.4) * rng.standard_normal(count).clip(-2, 2))
    points = at + r[:, None] * np.column_stack([np.cos(t), np.sin(t) * rng.uniform(0.3, 1)])
    _filled(picture, mask, points, (pale, any_colour)[rng.integers(2)](rng))
    if rng.random() < 0.4:
        inner = picture[max(0, int(at[1] - size / 3)) : int(at[1] + size / 3),
                        max(0, int(at[0] - size / 3)) : int(at[0] + size / 3)]  # fmt: skip
        if min(inner.shape[:2]) > 8:
            words(rng, inner, size_px=rng.uniform(1.5, 6) * per_mm, colour=ink(dark(rng)))


def glass(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A cup or a glass from above: rings within each other."""
    radius, lean = rng.uniform(20, 50) * per_mm, rng.normal(0, 6 * per_mm, 2)
    t = np.linspace(0, 2 * np.pi, 65)
    ring = np.column_stack([np.cos(t), np.sin(t)])
    base = any_colour(rng)
    for k, share in enumerate(sorted(rng.uniform(0.5, 1.0, rng.integers(2, 5)), reverse=True)):
        tint = np.clip(base * rng.uniform(0.4, 1.4), 0, 1)
        _filled(picture, mask, at + lean * (1 - share) * 2 + share * radius * ring, tint)


def heap(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """Cubes, meeples, figures."""
    for _ in range(rng.integers(1, 8)):
        spot = at + rng.normal(0, 18 * per_mm, 2)
        (die, scrap_small)[rng.integers(2)](rng, picture, mask, spot, per_mm, pictures)


def scrap_small(rng: Rng, picture: Bytes, mask: Bytes, at: np.ndarray, per_mm: float, pictures: Pictures) -> None:
    """A figure: a rough blob of one colour, with a lighter top."""
    size, base = rng.uniform(4, 12) * per_mm, any_colour(rng)
    t = np.linspace(0, 2 * np.pi, 24)
    r = size * (1 + 0.25 * np.cos(t * rng.integers(2, 6) + rng.uniform(0, 6)))
    shape = np.column_stack([r * np.cos(t), r * np.sin(t)])
    _filled(picture, mask, at + shape, base * np.float32(0.7))
    _filled(picture, mask, at + shape * 0.8 + rng.normal(0, 0.1 * size, 2), base)


THINGS = (pen, coin, die, phone, cable, box, hand, scrap, glass, heap)
SHARES = np.array([0.16, 0.12, 0.1, 0.08, 0.12, 0.1, 0.08, 0.1, 0.06, 0.08])

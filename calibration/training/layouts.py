"""Where flat pieces lie: scattered, in rows, in fans, in heaps; cards, tiles, tokens, sheets."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.training.faces import CREASED, any_style
from calibration.training.noise import Rng, any_colour, pale
from calibration.training.things import box_points

Doubles = NDArray[np.float64]

CARDS_MM = ((63, 88), (57, 87), (56, 87), (59, 92), (44, 68), (41, 63), (45, 68), (50, 90), (55, 85), (54, 86), (70, 70),
            (70, 120), (80, 120), (89, 127), (65, 100), (50, 75), (61, 103))  # fmt: skip
"""Short and long sides as cards have them, more or less (from memory); others are drawn by chance."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """A flat piece. outline_mm (n, 2), middle_mm (2,), size_mm: width and height before it is turned by `turn`, rad.

    height_mm: of its face above the table. lean: how far its walls lean, as seen from the side. as_ground (3,): the
    colour that its face has, where it is that of the table.
    """

    outline_mm: Doubles
    middle_mm: Doubles
    size_mm: tuple[float, float]
    turn: float
    height_mm: float
    curl_mm: float
    lean: float
    wall: NDArray[np.floating]
    style: int
    face_seed: int
    as_ground: NDArray[np.floating] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class _Deck:
    """What pieces of one kind have in common; sides: of the plan, 0 where it is a rectangle, 1 where it is round."""

    size_mm: tuple[float, float]
    radius_mm: float
    sides: int
    style: int
    same_face: int | None
    height_mm: float
    curl_mm: float
    wall: NDArray[np.floating]
    as_ground: NDArray[np.floating] | None


def pieces(rng: Rng, side_mm: float, ground: NDArray[np.floating]) -> Iterator[Piece]:
    """All pieces on a square view so large, in the order in which they are laid."""
    taken: list[Doubles] = []
    for _ in range(rng.choice([0, 1, 2, 3], p=[0.04, 0.56, 0.28, 0.12])):
        deck = _deck(rng, ground)
        layout = (_scattered, _rows, _fan, _heap)[rng.choice(4, p=[0.45, 0.38, 0.1, 0.07])]
        for piece in layout(rng, side_mm, deck):
            free = not any(_overlap(piece.outline_mm, other) for other in taken)
            if layout in (_fan, _heap) or free:
                taken.append(piece.outline_mm)
                yield piece


def _overlap(one: Doubles, other: Doubles) -> bool:
    """Whether two convex outlines share more than a touch."""
    if (one.min(axis=0) > other.max(axis=0)).any() or (other.min(axis=0) > one.max(axis=0)).any():
        return False
    return float(cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))[0]) > 1.0


def _deck(rng: Rng, ground: NDArray[np.floating]) -> _Deck:
    kind = rng.choice(5, p=[0.5, 0.2, 0.12, 0.1, 0.08])
    sides, style, radius = (
        0,
        any_style(rng),
        float(rng.choice([0.0, rng.uniform(0.5, 2), rng.uniform(2, 5)], p=[0.25, 0.15, 0.6])),
    )
    if kind == 0:
        short, long = np.array(CARDS_MM[rng.integers(len(CARDS_MM))]) * rng.normal(1, 0.01)
    elif kind == 1:
        short = rng.uniform(25, 100)
        long = short * rng.uniform(1, 2.2)
    elif kind == 2:  # tiles and tokens
        short = rng.uniform(14, 60)
        long, sides = short, int(rng.choice([0, 1, 6, 8, 5, 3], p=[0.25, 0.35, 0.2, 0.05, 0.05, 0.1]))
    elif kind == 3:  # sheets, envelopes
        short, radius = rng.uniform(90, 210), 0.0
        long = short * rng.uniform(1.1, 2.2)
        style = CREASED if rng.random() < 0.6 else style
    else:
        short = rng.uniform(12, 40)
        long = short * rng.uniform(1.0, 4)
    size = (float(short), float(long)) if rng.random() < 0.6 else (float(long), float(short))
    height = float(rng.choice([rng.uniform(0.1, 0.5), rng.uniform(0.6, 3), rng.uniform(3, 18)], p=[0.8, 0.13, 0.07]))
    return _Deck(
        size_mm=size, radius_mm=min(radius, 0.2 * float(short)), sides=sides, style=style,
        same_face=int(rng.integers(2**31)) if rng.random() < 0.3 else None, height_mm=height,
        curl_mm=float(rng.choice([0.0, rng.uniform(0, 4)], p=[0.6, 0.4])),
        wall=pale(rng) * 0.9 if rng.random() < 0.7 else any_colour(rng),
        as_ground=np.clip(ground * rng.uniform(0.8, 1.25), 0, 1) if rng.random() < 0.2 else None,
    )  # fmt: skip


def _piece(rng: Rng, deck: _Deck, middle: Doubles, turn: float) -> Piece:
    w, h = deck.size_mm
    if deck.sides == 0:
        outline = box_points(middle, w, h, turn, radius=deck.radius_mm)
    else:
        count = 48 if deck.sides == 1 else deck.sides
        t = turn + np.arange(count) * 2 * np.pi / count
        outline = middle + w / 2 * np.column_stack([np.cos(t), np.sin(t)])
    return Piece(
        outline_mm=outline, middle_mm=middle, size_mm=deck.size_mm, turn=turn, height_mm=deck.height_mm,
        curl_mm=deck.curl_mm, lean=float(rng.uniform(0.3, 1.2)), wall=deck.wall, style=deck.style,
        face_seed=int(rng.integers(2**31)) if deck.same_face is None else deck.same_face, as_ground=deck.as_ground,
    )  # fmt: skip


def _scattered(rng: Rng, side_mm: float, deck: _Deck) -> Iterator[Piece]:
    """Here and there; turned at random, or all nearly alike."""
    alike, spread = rng.uniform(0, 2 * np.pi), rng.choice([0.03, 0.3, 3.0])
    for _ in range(rng.integers(1, 16)):
        yield _piece(rng, deck, rng.uniform(-0.05, 1.05, 2) * side_mm, float(alike + rng.normal(0, spread)))


def _rows(rng: Rng, side_mm: float, deck: _Deck) -> Iterator[Piece]:
    """A row or a grid, its pieces close together or with the table between them."""
    gap_x, gap_y = rng.choice(
        [0.0, rng.uniform(0, 1), rng.uniform(1, 3), rng.uniform(3, 20)], 2, p=[0.15, 0.3, 0.2, 0.35]
    )
    columns, rows = int(rng.integers(1, 8)), int(rng.integers(1, 6))
    turn = float(rng.choice([0, rng.uniform(0, 2 * np.pi)], p=[0.4, 0.6]) + rng.normal(0, 0.03))
    loose = float(rng.choice([0.0, 0.004, 0.03], p=[0.3, 0.4, 0.3]))
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    start = rng.uniform(0.2, 0.8, 2) * side_mm - way.T @ (np.array(deck.size_mm) * (columns - 1, rows - 1) / 2)
    room = np.array([gap_x, gap_y]) + deck.size_mm
    mirrored = np.pi if rng.random() < 0.2 else 0.0
    for i in range(columns):
        for j in range(rows):
            if rng.random() < 0.06:
                continue
            jitter = rng.normal(0, 1, 2) * loose * 30
            own = turn + rng.normal(0, loose) + (mirrored if rng.random() < 0.5 else 0.0)
            # what would overlap a little is pushed apart by no one, and is then left out
            yield _piece(rng, deck, start + way.T @ (room * (i, j)) + jitter, own)


def _fan(rng: Rng, side_mm: float, deck: _Deck) -> Iterator[Piece]:
    """Cards that lie on each other, each a little farther on and turned a little more."""
    middle, turn = rng.uniform(0.2, 0.8, 2) * side_mm, rng.uniform(0, 2 * np.pi)
    way = rng.uniform(0, 2 * np.pi)
    step, twist = rng.uniform(2, 40), rng.normal(0, 0.15)
    for k in range(rng.integers(2, 9)):
        at = middle + k * step * np.array([np.cos(way + k * twist), np.sin(way + k * twist)])
        yield _piece(rng, deck, at, float(turn + k * twist))


def _heap(rng: Rng, side_mm: float, deck: _Deck) -> Iterator[Piece]:
    """Cards thrown on each other, or a squared deck."""
    middle, spread = rng.uniform(0.2, 0.8, 2) * side_mm, float(rng.choice([0.4, 4.0, 25.0]))
    turn = rng.uniform(0, 2 * np.pi)
    for _ in range(rng.integers(2, 10)):
        thin = replace(deck, height_mm=min(deck.height_mm, 0.5))
        yield _piece(rng, thin, middle + rng.normal(0, spread, 2), float(turn + rng.normal(0, 0.04 * spread)))

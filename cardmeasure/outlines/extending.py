"""Rectangles three of whose sides are a card's, and the fourth a line printed on it: with that side farther out.

Where a card's border is as dark as the table, the edge on one side may be too faint to close a rectangle, and the line
that ends the picture is not. The two corners away from it are a card's then, round and alike, and those at the line are
not. Any edge farther out that runs along may be the right one: a closer look must tell.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.growing import moved_out
from cardmeasure.outlines.trials import Trials
from cardmeasure.outlines.trusting import ALIKE_MM, LEAST_ROUND_MM, RIM_MM

Floats = NDArray[np.floating[Any]]

PARALLEL = 0.02
"""Sine of the angle between sides along each other."""
SAME_MM = 0.4
"""Edges nearer to each other than this are one."""
MOST = 6
"""For each rectangle."""
MOST_LOOKED_AT = 60
SIDES = np.arange(4)


def extended(trials: Trials, quads: Floats) -> Floats:
    """Rectangles (n, 4, 2) to look at: trials of which one side is wrong, with that side at an edge farther out.

    quads (k, 4, 2) : all rectangles that edges close to; their sides are the edges.
    """
    out: list[Floats] = []
    if len(quads):
        for corners, side in zip(trials.corners_mm, _wrong_sides(trials).tolist(), strict=True):
            if side >= 0:
                beyond = np.array(_edges_beyond(corners, side, quads))
                out += list(moved_out(np.tile(corners, (len(beyond), 1, 1)), beyond[:, None] * (side == SIDES)))
    return np.array(out[:MOST_LOOKED_AT]).reshape(-1, 4, 2)


def _wrong_sides(trials: Trials) -> NDArray[np.intp]:
    """The side (n,) between two corners that are unlike the other two, which are round and alike; -1 where none is."""
    radii = np.where(np.isfinite(trials.u_radii_mm), trials.radii_mm, 0.0)
    after = np.roll(radii, -1, axis=1)
    alike = (np.minimum(radii, after) >= LEAST_ROUND_MM) & (np.abs(radii - after) < ALIKE_MM)
    # the opposite side's corners are the next two
    other = np.maximum(np.roll(radii, -2, axis=1), np.roll(radii, -3, axis=1)) < LEAST_ROUND_MM
    good = alike & other & trials.found[:, None]
    return np.where(good.any(axis=1), (good.argmax(axis=1) + 2) % 4, -1)


def _edges_beyond(corners: Floats, side: int, quads: Floats) -> list[float]:
    """How far outside a side (of corners (4, 2), clockwise) edges run along it, nearest first."""
    a, b = corners[side], corners[(side + 1) % 4]
    length = float(np.linalg.norm(b - a))
    way = (b - a) / length
    out = np.array([way[1], -way[0]])
    starts, ends = quads.reshape(-1, 2), np.roll(quads, -1, axis=1).reshape(-1, 2)
    ways = ends - starts
    middle = (starts + ends) / 2 - (a + b) / 2
    off = middle @ out
    near = (off > RIM_MM[0]) & (off < RIM_MM[1]) & (np.abs(middle @ way) < length / 2)
    near &= np.abs(ways @ out) < PARALLEL * np.linalg.norm(ways, axis=1)
    found: list[float] = []
    for one in np.sort(off[near]).tolist():
        if not found or one - found[-1] > SAME_MM:
            found.append(one)
    return found[:MOST]

"""Sides that break: two cards laid edge to edge, taken for one, are seldom in line with each other to a tenth of a
millimetre, so the whole's two sides each step or turn where the cards meet, both at the same place.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.bends import bow
from cardmeasure.edges.points import EdgePoints

Floats = NDArray[np.floating[Any]]

LEAST_RMS_PX, LEAST_STEP_PX = 0.3, 1.0
"""What a side that only bends leaves unexplained is less; so is its step anywhere (from rendered cards)."""
BETTER = 0.3
"""Two straight lines leave so small a share of the squares that a bend leaves."""
PLACES = 41
NARROWEST_MM = 38.0
"""Of two parts each is a card: the narrowest common ones have 41 mm (common practice, no source)."""
FEWEST = 4


def is_broken(points: EdgePoints, residuals_px: Floats, card: int, *, sides_mm: tuple[float, float]) -> bool:
    """Whether two opposite sides of a card break at the same place; residuals (m,) are those about straight sides.

    sides_mm : length of the first and the second side.
    """
    sides = []
    for side in range(qd.SIDES):
        mine = (points.card == card) & (points.side == side)
        # opposite sides run opposite ways
        sides.append((points.along[mine] * (1 if side < 2 else -1), residuals_px[mine]))
    room = [1 - 2 * NARROWEST_MM / length for length in sides_mm]
    return any(room[k] >= 0 and _break_alike(sides[k], sides[k + 2], room[k]) for k in (0, 1))


def _break_alike(first: tuple[Floats, Floats], second: tuple[Floats, Floats], room: float) -> bool:
    """Whether both sides, as places over half their length and residuals, break within `room` of their middles."""
    least = (len(first[0]) + len(second[0])) * LEAST_RMS_PX**2
    # a bend leaves no more than a straight line, and most sides are straight
    if min(len(first[0]), len(second[0])) < 2 * FEWEST or sum(float(y @ y) for _, y in (first, second)) < least:
        return False
    bent = [_left_by(x, y, np.column_stack([np.ones(len(x)), x, bow(x)])) for x, y in (first, second)]
    if sum(bent) < least:
        return False
    found = [_broken_at(place, (first, second)) for place in np.linspace(-room, room, PLACES)]
    left, step = min(found, key=lambda one: one[0])
    return left < BETTER * sum(bent) and step > LEAST_STEP_PX


def _broken_at(place: float, sides: tuple[tuple[Floats, Floats], ...]) -> tuple[float, float]:
    """Squares that lines broken at a place leave, on both sides together, and the largest step there."""
    total, step = 0.0, 0.0
    for x, y in sides:
        after = (x > place).astype(float)
        if not FEWEST <= after.sum() <= len(x) - FEWEST:
            return np.inf, 0.0
        basis = np.column_stack([1 - after, (1 - after) * (x - place), after, after * (x - place)])
        fit = np.linalg.lstsq(basis, y, rcond=None)[0]
        total += float(((y - basis @ fit) ** 2).sum())
        step = max(step, abs(float(fit[2] - fit[0])))
    return total, step


def _left_by(x: Floats, y: Floats, basis: Floats) -> float:
    """Squares that the best combination of columns leaves."""
    if len(x) < basis.shape[1]:
        return 0.0
    return float(((y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]) ** 2).sum())

"""Faint edges around clear rectangles: a white border on a white table shows little but its foot shadow.

What stands out on a pale table is the picture inside a card's border. So around each rectangle parallel edges are
looked for further out, much fainter ones than any that would count by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.lines import View
from cardmeasure.outlines.sides import rises_along, side_quality

Floats = NDArray[np.floating[Any]]

SHIFTS_MM = np.arange(0.25, 10.0, 0.25)
"""Borders are up to some 8 mm wide."""
WIDEST_BORDER_MM = 8.0
FREE_MM = (0.75, 2.0)
"""Beyond an edge the table lies free at least so far."""
STANDS_OUT, LEAST_RISE = 2.2, 2.5
"""An edge rises so many times as much as what lies beyond it, and by so many code values a pixel, on average."""
FAINTEST_RISE = 0.8
"""Where the other sides have shown that there is a border."""
CLEARER = 3.0
"""A printed frame is so many times as clear as a faint edge."""
SAMPLES, ROUNDS = 61, 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Grown:
    """Quadrilaterals (n, 4, 2) with sides moved out; how far (n, 4), mm; and which (n,) are not understood: some sides
    have moved and others, which are much clearer than these, have not."""

    corners_mm: Floats
    shift_mm: Floats
    doubtful: NDArray[np.bool_]


def grown(view: View, quads: Floats, slopes: Floats) -> Grown:
    """Quadrilaterals (n, 4, 2), clockwise, with each side moved out to the outermost edge parallel to it."""
    corners, total = quads, np.zeros((len(quads), 4))
    for _ in range(ROUNDS):
        shift = np.stack([_outermost(view, corners, side, slopes) for side in range(4)], axis=1)
        shift = np.where(total + shift <= WIDEST_BORDER_MM, shift, 0.0)
        corners, total = moved_out(corners, shift), total + shift
    odd = _much_clearer(view, corners, total, slopes)
    if odd.any():
        again = np.stack([_outermost(view, corners, k, slopes, least=FAINTEST_RISE) for k in range(4)], axis=1)
        shift = np.where(odd, again, 0.0)
        corners, total = moved_out(corners, shift), total + shift
        odd &= shift == 0
    return Grown(corners_mm=corners, shift_mm=total, doubtful=np.asarray(odd.any(axis=1)))


def moved_out(quads: Floats, shift: Floats) -> Floats:
    """Quadrilaterals (n, 4, 2) with their sides moved outwards by (n, 4)."""
    start, end = quads, np.roll(quads, -1, axis=1)
    way = (end - start) / np.maximum(np.linalg.norm(end - start, axis=2), 1e-9)[..., None]
    out = np.stack([way[..., 1], -way[..., 0]], axis=2)
    moved = start + shift[..., None] * out
    return np.stack([_meet(moved[:, k - 1], way[:, k - 1], moved[:, k], way[:, k]) for k in range(4)], axis=1)


def _much_clearer(view: View, quads: Floats, total: Floats, slopes: Floats) -> NDArray[np.bool_]:
    """Which sides (n, 4) have not moved though they are much clearer than those of the same piece that have."""
    rise = side_quality(view, quads, slopes).strength
    moved = total > 0
    faint = np.array([np.median(row[mine]) if mine.any() else np.inf for row, mine in zip(rise, moved, strict=True)])
    return np.asarray(~moved & (rise > CLEARER * faint[:, None]))


def _outermost(view: View, quads: Floats, side: int, slopes: Floats, *, least: float = LEAST_RISE) -> Floats:
    """How far outside a side (n,) the outermost edge runs along it, mm; 0 where there is none."""
    a, b = quads[:, side], quads[:, (side + 1) % 4]
    way = (b - a) / np.maximum(np.linalg.norm(b - a, axis=1), 1e-9)[:, None]
    out = np.column_stack([way[:, 1], -way[:, 0]])
    a, b = a + 0.08 * (b - a), b - 0.08 * (b - a)
    # the cues must rise the same way all along, else what is added up is noise
    rise = np.stack(
        [np.linalg.norm(np.median(rises_along(view, a + s * out, b + s * out, slopes, SAMPLES, out), axis=1), axis=1)
         for s in SHIFTS_MM], axis=1,
    )  # fmt: skip
    shift = np.zeros(len(quads))
    for k, s in enumerate(SHIFTS_MM):
        if k == 0:
            continue
        beyond = (s + FREE_MM[0] <= SHIFTS_MM) & (s + FREE_MM[1] >= SHIFTS_MM)
        if s > WIDEST_BORDER_MM or not beyond.any():
            continue
        around = rise[:, k - 1 : k + 2].max(axis=1)
        floor = np.maximum(np.median(rise[:, beyond], axis=1), least / STANDS_OUT)
        between = rise[:, :k].min(axis=1)
        here = (rise[:, k] >= around) & (rise[:, k] > STANDS_OUT * np.maximum(floor, between))
        shift = np.where(here, s, shift)
    return shift


def _meet(p: Floats, u: Floats, q: Floats, v: Floats) -> Floats:
    """Where lines through p along u and q along v meet, all (n, 2)."""
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    d = q - p
    t = (d[:, 0] * v[:, 1] - d[:, 1] * v[:, 0]) / np.where(np.abs(cross) < 1e-9, 1e-9, cross)
    return np.asarray(p + t[:, None] * u)

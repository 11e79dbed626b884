"""Rectangles that are mere lines: a frame printed inside a border that looks like the table.

What lies just within such a line is the border again, and looks as the table does outside; a card's edge parts two
things that differ.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.lines import View

Floats = NDArray[np.floating[Any]]

WITHIN_MM, OUTSIDE_MM = 1.6, 1.2
"""Where the table, and what a line would part from it, are looked at: beyond the line and the blur."""
ALIKE = 0.12
"""Deviation of the cues by which border and table may differ and still not be told apart."""
PLACES = np.linspace(0.12, 0.88, 41)
FEWEST_SIDES = 3


def are_mere_lines(view: View, quads: Floats) -> NDArray[np.bool_]:
    """Which of the quadrilaterals (n, 4, 2), clockwise, part nothing from the table on most of their sides."""
    alike = np.zeros((len(quads), 4), bool)
    for side in range(4):
        a, b = quads[:, side], quads[:, (side + 1) % 4]
        way = (b - a) / np.maximum(np.linalg.norm(b - a, axis=1), 1e-9)[:, None]
        out = np.column_stack([way[:, 1], -way[:, 0]])
        places = a[:, None] + PLACES[:, None] * (b - a)[:, None]
        step = view.cues_at(places + OUTSIDE_MM * out[:, None]) - view.cues_at(places - WITHIN_MM * out[:, None])
        alike[:, side] = np.median(np.linalg.norm(step, axis=2), axis=1) < ALIKE
    return np.asarray(alike.sum(axis=1) >= FEWEST_SIDES)

"""Whether what lies outside a side is the table: it looks alike all over a photo, but for shade and fall-off.

A line printed inside a border can pass for an edge; then the border's colour stands where the table should be.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import lengths, median, medians

Floats = NDArray[np.floating[Any]]

FEWEST_FOR_PLANE = 12
"""With fewer sides the table is taken to be equally bright everywhere."""
ROUNDS = 6
BRIGHTER, OTHER_COLOUR, SPREADS = 0.4, 0.3, 5.0
"""Deviations of the logarithm of light that no table has: brighter than elsewhere; of another colour; and in any case
beyond so many times the photo's own scatter. Darker is allowed, as shadows fall on tables."""
FLOOR = 0.004


def is_table(table: Floats, px: Floats) -> NDArray[np.bool_]:
    """Whether the light (n, 3) outside each side at (n, 2) pixels is that of the table."""
    n = len(table)
    log = np.log(table + FLOOR)
    basis = np.ones((n, 1))
    if n >= FEWEST_FOR_PLANE:
        basis = np.column_stack([basis, (px - px.mean(axis=0)) / np.maximum(px.std(axis=0), 1.0)])
    weight: Floats = np.ones(n)
    deviation = log - medians(log)
    for _ in range(ROUNDS):
        size = lengths(deviation)
        weight = 1 / np.maximum(size, max(0.02, median(size)))
        scaled = basis * weight[:, None]
        deviation = log - basis @ np.linalg.solve(scaled.T @ basis, scaled.T @ log)
    shade = deviation.mean(axis=1)
    colour = lengths(deviation - shade[:, None])
    usual = SPREADS * median(np.abs(shade)), SPREADS * median(colour)
    return np.asarray((shade < max(BRIGHTER, usual[0])) & (colour < max(OTHER_COLOUR, usual[1])))

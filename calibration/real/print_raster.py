"""A reference square as drawn, as grey values: no PDF and no page, so that its saddle points are exact."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from cardmeasure.reference.design import SquareDesign

PX_PER_MM = 40
"""Cells, modules and lines of all designs are whole pixels then, bar their margins."""
LINE_MM, LINE_LENGTH_MM = 0.1, 12.0
"""Width and length of a calliper line, as on the printed page."""


@cache
def print_raster(design: SquareDesign) -> NDArray[np.float32]:
    """Share of paper that shows, 1 white and 0 ink, (n, n); the square between its cutting lines."""
    n = round(design.side_mm * PX_PER_MM)
    raster = np.ones((n, n), np.float32)
    for corners, side_mm in (
        (design.black_cells_mm, design.cell_mm),
        (design.black_modules_mm, design.module_mm),
    ):
        for x, y in corners.tolist():
            _blacken(raster, x, y, x + side_mm, y + side_mm, half_mm=design.side_mm / 2)
    if design.calliper_mm is not None:
        c, e, w = design.calliper_mm / 2, LINE_LENGTH_MM / 2, LINE_MM / 2
        for at in (-c, c):
            _blacken(raster, -e, at - w, e, at + w, half_mm=design.side_mm / 2)
            _blacken(raster, at - w, -e, at + w, e, half_mm=design.side_mm / 2)
    return raster


def _blacken(raster: NDArray[np.float32], x0: float, y0: float, x1: float, y1: float, *, half_mm: float) -> None:
    left, top, right, bottom = (round((v + half_mm) * PX_PER_MM) for v in (x0, y0, x1, y1))
    raster[top:bottom, left:right] = 0.0

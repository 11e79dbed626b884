"""The printed square, evaluated where a ray meets it: no raster, so its saddle points are exact."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled
from calibration.rig.scene import Print
from cardmeasure.reference.design import DESIGNS, FIDUCIAL_MODULES, SquareDesign

Floats = NDArray[np.float64]

LINE_MM = 0.15
"""Width of a calliper line."""
CUT_LINE_MM = 0.1
"""Width of the cutting line; the scissors leave half of it."""


class Prints(NamedTuple):
    """Designs (n, ...): black cells of the check and of the fiducial with their sides, fine lines as boxes.

    `cells` and `modules` are (n, side, side) with 1 for black, `sizes` (n, 4) is cells, cell mm, modules, module mm,
    `lines` (n, lines, 4) holds x0, y0, x1, y1 in mm. `scale`, `spread`, `ink`, `paper`, `soft`: see `scene.Print`.
    """

    cells: NDArray[np.uint8]
    modules: NDArray[np.uint8]
    sizes: Floats
    lines: Floats
    scale: Floats
    spread: float
    ink: float
    paper: Floats
    soft: float


def prints_of(made: Print) -> Prints:
    """All designs as printed by one printer; row i is the i-th of `design_names()`."""
    designs = list(DESIGNS.values())
    side = max(d.cells for d in designs)
    cells = np.zeros((len(designs), side, side), np.uint8)
    modules = np.zeros((len(designs), FIDUCIAL_MODULES, FIDUCIAL_MODULES), np.uint8)
    for n, design in enumerate(designs):
        for grid, corners, step in (
            (cells, design.black_cells_mm + design.check_mm / 2, design.cell_mm),
            (modules, design.black_modules_mm + design.fiducial_mm / 2, design.module_mm),
        ):
            column, row = np.rint(corners / step).astype(int).T
            grid[n, row, column] = 1
    return Prints(
        cells=cells,
        modules=modules,
        sizes=np.array([[d.cells, d.cell_mm, FIDUCIAL_MODULES, d.module_mm] for d in designs], float),
        lines=np.array([_lines(d) for d in designs]),
        scale=np.array([made.scale_x, made.scale_y]),
        spread=made.spread_mm,
        ink=made.ink,
        paper=np.array(made.paper),
        soft=max(made.softness_mm, 1e-6),
    )


def design_names() -> list[str]:
    """Names of the designs in the order of `Prints`."""
    return [design.name for design in DESIGNS.values()]


def _lines(design: SquareDesign) -> list[list[float]]:
    h, w = design.side_mm / 2, CUT_LINE_MM / 2
    boxes = [[-h, -h - w, h, w - h], [-h, h - w, h, h + w], [-h - w, -h, w - h, h], [h - w, -h, h + w, h]]
    if design.calliper_mm is None:
        return boxes + [[1e6, 1e6, 1e6, 1e6]] * 4
    c, e, w = design.calliper_mm / 2, design.check_mm / 2, LINE_MM / 2
    return [*boxes, [-e, -c - w, e, w - c], [-e, c - w, e, c + w], [-c - w, -e, w - c, e], [c - w, -e, c + w, e]]


@compiled
def box_distance(x: float, y: float, x0: float, y0: float, x1: float, y1: float) -> float:
    """Signed distance from a box with sides along the axes."""
    dx, dy = max(x0 - x, x - x1), max(y0 - y, y - y1)
    if dx <= 0 or dy <= 0:
        return max(dx, dy)
    return math.sqrt(dx * dx + dy * dy)


@compiled
def grid_distance(black: NDArray[np.uint8], cells: int, step: float, x: float, y: float) -> float:
    """Signed distance from the black cells of a grid centred on the origin, looked for one cell around."""
    half = cells * step / 2
    column, row = math.floor((x + half) / step), math.floor((y + half) / step)
    nearest = 1e9
    for j in range(max(row - 1, 0), min(row + 2, cells)):
        for i in range(max(column - 1, 0), min(column + 2, cells)):
            if black[j, i]:
                x0, y0 = i * step - half, j * step - half
                nearest = min(nearest, box_distance(x, y, x0, y0, x0 + step, y0 + step))
    return nearest


@compiled
def ink_distance(prints: Prints, n: int, u: float, v: float) -> float:
    """Signed distance of a point of the paper (mm as printed) from the ink's designed edge."""
    x, y = u / prints.scale[0], v / prints.scale[1]
    size = prints.sizes[n]
    nearest = grid_distance(prints.cells[n], int(size[0]), size[1], x, y)
    nearest = min(nearest, grid_distance(prints.modules[n], int(size[2]), size[3], x, y))
    for line in prints.lines[n]:
        nearest = min(nearest, box_distance(x, y, line[0], line[1], line[2], line[3]))
    return nearest


@compiled
def ink_cover(prints: Prints, away: float) -> float:
    """Share of ink at a signed distance from its designed edge: spread, then a soft edge."""
    return min(max(0.5 - (away - prints.spread) / prints.soft, 0.0), 1.0)

"""The printed square, evaluated where a ray meets it: no raster, so its saddle points are exact."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.scene import Print
from calibration.rig.sheet import SHEET, printed_sheets, sheet_distance
from cardmeasure.reference.design import DESIGNS, FIDUCIAL_MODULES, SquareDesign
from cardmeasure.reference.sheet import SHEETS

Floats = NDArray[np.float64]

LINE_MM, LINE_LENGTH_MM = 0.1, 12.0
"""Width and length of a calliper line."""
CUT_LINE_MM = 0.045
"""Width of the cutting line if it were black (it is a grey hairline); the scissors leave half of it."""
MOST_CELLS, LINES = 12, 8
DESIGN = np.dtype(
    [
        ("cells", "i8"),
        ("cell", "f8"),
        ("module", "f8"),
        ("black_cells", "u1", (MOST_CELLS, MOST_CELLS)),
        ("black_modules", "u1", (FIDUCIAL_MODULES, FIDUCIAL_MODULES)),
        ("lines", "f8", (LINES, 4)),
        ("scale", "f8", (2,)),
        ("spread", "f8"),
        ("soft", "f8"),
        ("ink", "f8"),
        ("paper", "f8", (3,)),
        ("halftone", "f8"),
        ("streaks", "f8"),
        ("streak", "f8"),
        ("sheet", SHEET),
    ]
)
"""One design as printed: cells and modules with 1 for black, fine lines as boxes x0, y0, x1, y1; see `scene.Print`.

`sheet` is what a measuring sheet is made of instead.
"""
Record = Any


def printed_designs(made: Print) -> NDArray[np.void]:
    """All designs as printed by one printer, structured (`DESIGN`), in the order of `design_names`."""
    rows = np.zeros(len(DESIGNS) + len(SHEETS), DESIGN)
    rows["sheet"][len(DESIGNS) :] = printed_sheets(made)
    for row, design in zip(rows, DESIGNS.values(), strict=False):
        row["cells"], row["cell"], row["module"] = design.cells, design.cell_mm, design.module_mm
        for name, corners, step in (
            ("black_cells", design.black_cells_mm + design.check_mm / 2, design.cell_mm),
            ("black_modules", design.black_modules_mm + design.fiducial_mm / 2, design.module_mm),
        ):
            column, line = np.rint(corners / step).astype(int).T
            row[name][line, column] = 1
        row["lines"] = _lines(design)
    rows["scale"], rows["paper"] = (made.scale_x, made.scale_y), made.paper
    rows["spread"], rows["soft"], rows["ink"] = made.spread_mm, max(made.softness_mm, 1e-6), made.ink
    rows["halftone"], rows["streaks"], rows["streak"] = made.halftone_mm, made.streaks, made.streak_mm
    return rows


def design_names() -> list[str]:
    """Names of the designs in the order of `printed_designs`."""
    return [design.name for design in (*DESIGNS.values(), *SHEETS.values())]


def _lines(design: SquareDesign) -> list[list[float]]:
    h, w = design.side_mm / 2, CUT_LINE_MM / 2
    boxes = [[-h, -h - w, h, w - h], [-h, h - w, h, h + w], [-h - w, -h, w - h, h], [h - w, -h, h + w, h]]
    if design.calliper_mm is None:
        return boxes + [[1e6, 1e6, 1e6, 1e6]] * 4
    c, e, w = design.calliper_mm / 2, LINE_LENGTH_MM / 2, LINE_MM / 2
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


@compiled_apart
def ink_distance(d: Record, u: float, v: float) -> float:
    """Signed distance of a point of the paper (mm as printed) from the ink's designed edge."""
    x, y = u / d.scale[0], v / d.scale[1]
    if d.sheet.here == 1:
        return sheet_distance(d.sheet, x, y)
    nearest = grid_distance(d.black_cells, d.cells, d.cell, x, y)
    nearest = min(nearest, grid_distance(d.black_modules, FIDUCIAL_MODULES, d.module, x, y))
    for i in range(LINES):
        nearest = min(nearest, box_distance(x, y, d.lines[i, 0], d.lines[i, 1], d.lines[i, 2], d.lines[i, 3]))
    return nearest


@compiled
def is_on_ink_edge(d: Record, u: float, v: float, within: float) -> bool:
    """Whether an edge of the ink, as spread, lies within a distance of (u, v)."""
    return bool(abs(ink_distance(d, u, v) - d.spread) < within + 0.5 * d.soft)


@compiled
def ink_cover(d: Record, away: float) -> float:
    """Share of ink at a signed distance from its designed edge: spread, then a soft edge."""
    cover: float = 0.5 - (away - d.spread) / d.soft
    return min(max(cover, 0.0), 1.0)


@compiled_apart
def dot_screen(period: float, share: float, u: float, v: float) -> float:
    """Ink, 0 to 1, of a screen of dots at 45 degrees where some `share` is to be covered; dots have soft rims."""
    k = 2 * math.pi / period
    height = 0.5 + 0.25 * (math.cos(k * 0.7071 * (u + v)) + math.cos(k * 0.7071 * (u - v)))
    cover: float = 0.5 + (share - height) / 0.25
    return min(max(cover, 0.0), 1.0)


@compiled_apart
def streaked(d: Record, cover: float, v: float) -> float:
    """What is left of a cover of ink where the print head left bands across the feed."""
    a = 2 * math.pi * v / d.streak
    band = 0.5 + 0.25 * math.sin(a) + 0.25 * math.sin(2.39 * a + 1.1)
    turn = v / (2.7 * d.streak) + 0.31
    thin = 1.0 if (turn - math.floor(turn)) * 2.7 * d.streak < 0.18 else 0.0  # one nozzle that is blocked
    left: float = cover * (1 - d.streaks * max(band, thin))
    return left

"""The printed measuring sheet, evaluated where a ray meets it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.scene import Print
from cardmeasure.reference.design import FIDUCIAL_MODULES
from cardmeasure.reference.layout import PAPERS
from cardmeasure.reference.sheet import HOLE_MM, MODULE_MM, PERIOD_MM, SHEETS, SheetDesign
from cardmeasure.reference.sheet_layout import sheet_layout

BOXES = 14
"""Black boxes on a page: bars with their end marks, and the arms of both crosses."""
SHEET = np.dtype(
    [
        ("here", "i8"),
        ("area", "f8", (4,)),
        ("holes", "f8", (4, 2)),
        ("modules", "u1", (4, FIDUCIAL_MODULES, FIDUCIAL_MODULES)),
        ("boxes", "f8", (BOXES, 4)),
        ("light", "f8"),
        ("dark", "f8"),
    ]
)
"""A sheet as printed: `here` is 1; the check's area, the fiducials' middles and modules (1: black), boxes x0, y0, x1,
y1, and the cells' reflectances."""
Record = Any


def printed_sheets(made: Print) -> NDArray[np.void]:
    """All sheets as printed by one printer, structured (`SHEET`), in the order of `SHEETS`."""
    rows = np.zeros(len(SHEETS), SHEET)
    for row, design in zip(rows, SHEETS.values(), strict=True):
        row["here"], row["area"], row["holes"] = 1, design.area_mm, design.hole_centres_mm
        row["modules"] = 1 - design.modules
        row["light"], row["dark"] = made.light, made.dark
        row["boxes"] = _boxes(design)
    return rows


def _boxes(design: SheetDesign) -> NDArray[np.float64]:
    w, h = PAPERS[design.paper]
    out = np.full((BOXES, 4), 1e6)
    for row, box in zip(out, sheet_layout(design.paper).black_boxes, strict=False):
        row[:] = np.array([box.x_mm, box.y_mm, box.right_mm, box.bottom_mm]) - np.array([w, h, w, h]) / 2
    return out


@compiled
def part_of_sheet(s: Record, x: float, y: float) -> int:
    """The number of the hole that a place lies in, 4 on the check, 5 in the margin."""
    for k in range(4):
        if max(abs(x - s.holes[k, 0]), abs(y - s.holes[k, 1])) < HOLE_MM / 2:
            return k
    if x < s.area[0] or y < s.area[1] or x > s.area[2] or y > s.area[3]:
        return 5
    return 4


@compiled
def is_on_box(s: Record, x: float, y: float) -> bool:
    """Whether a place lies within ink's reach of a black box."""
    for k in range(BOXES):
        if s.boxes[k, 0] - 0.2 < x < s.boxes[k, 2] + 0.2 and s.boxes[k, 1] - 0.2 < y < s.boxes[k, 3] + 0.2:
            return True
    return False


@compiled
def is_grey(s: Record, x: float, y: float) -> bool:
    """Whether a place (design mm) is printed in the greys of the check."""
    return part_of_sheet(s, x, y) == 4 and not is_on_box(s, x, y)


@compiled_apart
def sheet_distance(s: Record, x: float, y: float) -> float:
    """Signed distance of a place (design mm) from the darker ink's designed edge there."""
    part, nearest = part_of_sheet(s, x, y), 1e9
    if part == 4 and not is_on_box(s, x, y):
        a, b = (2 * x + y) / PERIOD_MM, (2 * y - x) / PERIOD_MM
        fa, fb = a - math.floor(a), b - math.floor(b)
        away = min(min(fa, 1 - fa), min(fb, 1 - fb)) * (PERIOD_MM / math.sqrt(5.0))
        return -away if (math.floor(a) + math.floor(b)) % 2 == 0 else away
    if part < 4:
        half = FIDUCIAL_MODULES * MODULE_MM / 2
        u, v = x - s.holes[part, 0] + half, y - s.holes[part, 1] + half
        column, row = math.floor(u / MODULE_MM), math.floor(v / MODULE_MM)
        for j in range(max(row - 1, 0), min(row + 2, FIDUCIAL_MODULES)):
            for i in range(max(column - 1, 0), min(column + 2, FIDUCIAL_MODULES)):
                if s.modules[part, j, i]:
                    nearest = min(nearest, box_away(u, v, i * MODULE_MM, j * MODULE_MM, MODULE_MM, MODULE_MM))
    for k in range(BOXES):
        b = s.boxes[k]
        nearest = min(nearest, box_away(x, y, b[0], b[1], b[2] - b[0], b[3] - b[1]))
    return nearest


@compiled
def box_away(x: float, y: float, x0: float, y0: float, width: float, height: float) -> float:
    """Signed distance from a box with sides along the axes."""
    dx, dy = max(x0 - x, x - x0 - width), max(y0 - y, y - y0 - height)
    if dx <= 0 or dy <= 0:
        return max(dx, dy)
    return math.sqrt(dx * dx + dy * dy)

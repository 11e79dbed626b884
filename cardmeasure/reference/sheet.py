"""What the printed measuring sheet looks like, in millimetres: the one place that drawing, finding and rig agree on.

Design coordinates: origin in the middle of the page, x to the right, y down, as printed at 100 %.

A grey check covers the page; in each corner stands a fiducial of the open ArUco 4x4 dictionary whose id says design,
paper and corner. The check is turned by arctan(1/2), so that every side of a card that lies along the page crosses
light and dark cells in the same order every 12.5 mm. Its saddle points say *where*, all over the page: they show
how the paper bows, and whatever hides the check is a piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.reference.design import FIDUCIAL_MODULES, fiducial_bits

Floats = NDArray[np.floating[Any]]

UNIT_MM = 2.5
"""The sides of the cells are the vectors (2, 1) and (-1, 2) times this: cells of 5.59 mm."""
PERIOD_MM = 5 * UNIT_MM
"""After so many millimetres along or across the page the check is the same again."""
MODULE_MM = 2.5
"""Side of one module of the fiducials."""
HOLE_MM = (FIDUCIAL_MODULES + 2) * MODULE_MM
"""Side of the white square in each corner: the fiducial and one module of white around it."""
CLEAR_CELLS = 0.55
"""A saddle point counts where the check reaches so many cells around it."""
LIGHT_REFLECTANCE, DARK_REFLECTANCE = 0.55, 0.25
"""Wanted reflectances of the cells, of a paper of 0.85. Every border differs from one of them by the root of their
ratio, 1.5, at least: a white border (0.8) by 3.2 from dark cells, a black one (0.05) by 11 from light ones, and one
right between them (0.37) by 1.5 from both. Nearer to white or black they would leave white or black borders to one
kind of cell and the shadow's rim; nearer to each other their saddle points would drown in noise."""
CROSS_MM, BESIDE_MM = 6.0, 0.4
"""Length of the arms of the crosses that the diagonal is read between, and how near to them the check is not plain."""
OUTSIDE, MARGIN, LIGHT, DARK, WHITE, BLACK, LINE = range(7)
"""What is printed at a place: nothing (beside the paper), margin with text, cells, the fiducials' modules, a cross."""


@dataclass(frozen=True, kw_only=True)
class SheetDesign:
    """A measuring sheet: its page, the check's area (left, top, right, bottom), and the fiducials' ids.

    The ids stand clockwise from the top left corner of the page held upright.
    """

    name: str
    paper: str
    page_mm: tuple[float, float]
    area_mm: tuple[float, float, float, float]
    fiducial_ids: tuple[int, int, int, int]

    @property
    def side_mm(self) -> float:
        """Longer side of the page."""
        return max(self.page_mm)

    @property
    def half_mm(self) -> Floats:
        """Half the sides of the page, (2,)."""
        return np.array(self.page_mm) / 2

    @property
    def cell_mm(self) -> float:
        """Side of a cell."""
        return UNIT_MM * float(np.sqrt(5.0))

    @cached_property
    def cut_corners_mm(self) -> Floats:
        """Corners of the paper, (4, 2), clockwise from the top left."""
        w, h = self.half_mm
        return np.array([[-w, -h], [w, -h], [w, h], [-w, h]])

    @cached_property
    def hole_centres_mm(self) -> Floats:
        """Middles of the fiducials, (4, 2), clockwise from the top left."""
        x0, y0, x1, y1 = self.area_mm
        h = HOLE_MM / 2
        return np.array([[x0 + h, y0 + h], [x1 - h, y0 + h], [x1 - h, y1 - h], [x0 + h, y1 - h]])

    @cached_property
    def modules(self) -> NDArray[np.uint8]:
        """Modules of the four fiducials, (4, 6, 6): 0 black, 1 white."""
        return np.array([fiducial_bits(number) for number in self.fiducial_ids])

    def fiducial_corners_mm(self, corner: int) -> Floats:
        """Outer corners of a fiducial, (4, 2), clockwise from its top left."""
        h = FIDUCIAL_MODULES * MODULE_MM / 2
        return np.asarray(self.hole_centres_mm[corner] + np.array([[-h, -h], [h, -h], [h, h], [-h, h]]))

    @cached_property
    def marked_mm(self) -> Floats:
        """The two saddle points that the crosses of the diagonal lie on, (2, 2): the top right one first."""
        return np.array([[75.0, -100.0], [-75.0, 100.0]])

    @cached_property
    def saddles_mm(self) -> Floats:
        """The saddle points, (n, 2), with a whole neighbourhood of check; those under the crosses left out."""
        n = np.arange(-80, 81)
        i, j = (g.ravel() for g in np.meshgrid(n, n))
        mm = UNIT_MM * np.column_stack([2 * i - j, i + 2 * j]).astype(np.float64)
        x0, y0, x1, y1 = self.area_mm
        room = CLEAR_CELLS * self.cell_mm
        inside = ((mm > np.array([x0, y0]) + room) & (mm < np.array([x1, y1]) - room)).all(axis=1)
        off = np.abs(mm[:, None] - self.hole_centres_mm).max(axis=2).min(axis=1)
        marked = np.linalg.norm(mm[:, None] - self.marked_mm, axis=2).min(axis=1) < 1.0
        return np.asarray(mm[inside & (off > HOLE_MM / 2 + room) & ~marked])

    def kind_at(self, mm: Floats) -> NDArray[np.intp]:
        """What is printed at places (n, 2): one of the numbers above."""
        x0, y0, x1, y1 = self.area_mm
        x, y = mm.T
        kind = np.where(lattice(mm).sum(axis=1) % 2 == 0, DARK, LIGHT)
        for corner, middle in enumerate(self.hole_centres_mm):
            hole = np.flatnonzero((np.abs(x - middle[0]) < HOLE_MM / 2) & (np.abs(y - middle[1]) < HOLE_MM / 2))
            at = np.floor((mm[hole] - middle) / MODULE_MM).astype(np.intp) + FIDUCIAL_MODULES // 2
            printed = ((at >= 0) & (at < FIDUCIAL_MODULES)).all(axis=1)
            column, row = np.clip(at, 0, FIDUCIAL_MODULES - 1).T
            kind[hole] = np.where(printed & (self.modules[corner, row, column] == 0), BLACK, WHITE)
        for cross in self.marked_mm:
            dx, dy, arm = np.abs(x - cross[0]), np.abs(y - cross[1]), CROSS_MM / 2 + BESIDE_MM
            kind[(np.minimum(dx, dy) < BESIDE_MM) & (np.maximum(dx, dy) < arm)] = LINE
        kind[(x < x0) | (x > x1) | (y < y0) | (y > y1)] = MARGIN
        kind[(np.abs(x) > self.half_mm[0]) | (np.abs(y) > self.half_mm[1])] = OUTSIDE
        return np.asarray(kind, np.intp)


def check_coordinates(mm: Floats) -> Floats:
    """Places (n, 2) in cells, along the check's own axes; lines between cells stand at whole numbers."""
    x, y = mm[..., 0], mm[..., 1]
    return np.asarray(np.stack([2 * x + y, 2 * y - x], axis=-1) / PERIOD_MM)


def lattice(mm: Floats) -> Floats:
    """The cell (n, 2) in which each place (n, 2) lies, as whole numbers; their sum is even in dark cells."""
    return np.asarray(np.floor(check_coordinates(mm)))


def sign_at(saddles_mm: Floats) -> Floats:
    """1 or -1 (n,) by which of the two ways the colours stand about saddle points (n, 2)."""
    corner = np.rint(check_coordinates(saddles_mm)).astype(np.intp).sum(axis=1)
    return np.where(corner % 2 == 0, 1.0, -1.0)


def _sheet(paper: str, width_mm: float, height_mm: float, ids: tuple[int, int, int, int]) -> SheetDesign:
    w, h = width_mm / 2, height_mm / 2
    # the margins hold the long bar on the left, the title at the top and the short bar at the bottom
    area = (16.0 - w, 19.0 - h, w - 8.0, h - 19.0)
    return SheetDesign(
        name=f"sheet-{paper}", paper=paper, page_mm=(width_mm, height_mm), area_mm=area, fiducial_ids=ids
    )


SHEETS = MappingProxyType(
    {"a4": _sheet("a4", 210.0, 297.0, (7, 11, 23, 27)), "letter": _sheet("letter", 215.9, 279.4, (28, 33, 26, 30))}
)
"""The sheets by paper. Ids are chosen so that none equals any mirror image, turned or not."""
SHEET_CORNERS = MappingProxyType(
    {number: (sheet, corner) for sheet in SHEETS.values() for corner, number in enumerate(sheet.fiducial_ids)}
)
"""Sheet and corner by the id of the fiducial."""

"""What the printed reference square looks like, in millimetres: the one place that drawing, finding and rig agree on.

Design coordinates: origin in the middle of the square, x to the right, y down, as printed at 100 %.

In the middle stands a fiducial of the open ArUco 4x4 dictionary; its id alone says which design and so which size it
is. Around it lies a dense check. The fiducial says *which*, the saddle points of the check say *where*: they do not
move when ink spreads or the exposure changes, while outer edges of black do.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

FIDUCIAL_MODULES = 6
"""Modules along a side of the fiducial: four of the code and a black border of one on either side."""
HOLE_CELLS = 4
"""Cells of the check, along each side, that make room for the fiducial and its white margin."""


@dataclass(frozen=True, kw_only=True)
class SquareDesign:
    """A reference square of `side_mm` between its cutting lines.

    `cells` check cells of `cell_mm` a side stand in the middle; `calliper_mm` is the distance between the two fine
    lines of a pair (one pair along each axis), None where there is no room for them.
    """

    name: str
    fiducial_id: int
    side_mm: float
    cells: int
    cell_mm: float
    calliper_mm: float | None

    @property
    def check_mm(self) -> float:
        """Side of the whole check."""
        return self.cells * self.cell_mm

    @property
    def module_mm(self) -> float:
        """Side of one module of the fiducial; the hole leaves one module of white around it."""
        return HOLE_CELLS * self.cell_mm / (FIDUCIAL_MODULES + 2)

    @property
    def fiducial_mm(self) -> float:
        """Side of the fiducial, its black border included."""
        return FIDUCIAL_MODULES * self.module_mm

    @cached_property
    def black_cells_mm(self) -> Floats:
        """Top left corners of the black cells of the check, (n, 2)."""
        i, j = np.meshgrid(np.arange(self.cells), np.arange(self.cells))
        black = ((i + j) % 2 == 0) & ~self._in_hole(i, j)
        return np.column_stack([i[black], j[black]]) * self.cell_mm - self.check_mm / 2

    @cached_property
    def saddles_mm(self) -> Floats:
        """The saddle points, (n, 2): where four cells of the check meet, none of them missing."""
        n = np.arange(1, self.cells)
        i, j = (g.ravel() for g in np.meshgrid(n, n))
        whole = np.ones(i.shape, bool)
        for di in (-1, 0):
            for dj in (-1, 0):
                whole &= ~self._in_hole(i + di, j + dj)
        return np.column_stack([i[whole], j[whole]]) * self.cell_mm - self.check_mm / 2

    @cached_property
    def fiducial_corners_mm(self) -> Floats:
        """Outer corners of the fiducial, (4, 2), clockwise from the top left as printed."""
        h = self.fiducial_mm / 2
        return np.array([[-h, -h], [h, -h], [h, h], [-h, h]])

    @cached_property
    def cut_corners_mm(self) -> Floats:
        """Corners of the cutting line, (4, 2), clockwise from the top left as printed."""
        h = self.side_mm / 2
        return np.array([[-h, -h], [h, -h], [h, h], [-h, h]])

    @cached_property
    def black_modules_mm(self) -> Floats:
        """Top left corners of the black modules of the fiducial, (n, 2)."""
        y, x = np.nonzero(fiducial_bits(self.fiducial_id) == 0)
        return np.column_stack([x, y]) * self.module_mm - self.fiducial_mm / 2

    def _in_hole(self, i: NDArray[np.int_], j: NDArray[np.int_]) -> NDArray[np.bool_]:
        low = (self.cells - HOLE_CELLS) // 2
        return (i >= low) & (i < low + HOLE_CELLS) & (j >= low) & (j < low + HOLE_CELLS)


def fiducial_bits(fiducial_id: int) -> NDArray[np.uint8]:
    """Modules of a fiducial, border included: (6, 6), 0 black, 1 white."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(FIDUCIAL_DICTIONARY)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, fiducial_id, FIDUCIAL_MODULES) // 255, np.uint8)


FIDUCIAL_DICTIONARY = 0
"""`cv2.aruco.DICT_4X4_50`, spelled out so that the design can be read without OpenCV."""

SQUARE_80 = SquareDesign(name="square-80", fiducial_id=36, side_mm=80.0, cells=12, cell_mm=6.0, calliper_mm=76.0)
SQUARE_30 = SquareDesign(name="square-30", fiducial_id=3, side_mm=30.0, cells=10, cell_mm=2.6, calliper_mm=None)

DESIGNS: dict[int, SquareDesign] = {design.fiducial_id: design for design in (SQUARE_80, SQUARE_30)}
"""All designs by the id of their fiducial. Ids are chosen so that none equals its own mirror image, turned or not."""

"""Where everything lies on a printed page of the reference squares, in millimetres.

Page coordinates: origin in the page's top left corner, x to the right, y down, page held upright. The squares are
printed parallel to the page, so a square's own axes are the page's.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardmeasure.errors import UsageError
from cardmeasure.reference.design import SQUARE_30, SQUARE_80, SquareDesign
from cardmeasure.reference.readings import MARKS

Floats = NDArray[np.float64]
Point = tuple[float, float]

MM_PER_INCH = 25.4

PAPERS = MappingProxyType(
    {
        "a4": (210.0, 297.0),  # ISO 216
        "letter": (215.9, 279.4),  # 8.5 x 11 inches, ANSI/ASME Y14.1 size A (from memory)
    }
)
"""Width and height of the papers, mm."""
MARGIN_MM = 8.0
"""Nothing is printed nearer to the paper's edge: home printers leave up to some 6 mm white (common practice)."""

ID1_WIDTH_MM, ID1_HEIGHT_MM, ID1_RADIUS_MM = 85.60, 53.98, 3.18
"""A bank card lying on its long side: ISO/IEC 7810, size ID-1."""


@dataclass(frozen=True, kw_only=True)
class Box:
    """A rectangle parallel to the page: left, top, width and height, mm."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def right_mm(self) -> float:
        """x of the right side."""
        return self.x_mm + self.width_mm

    @property
    def bottom_mm(self) -> float:
        """y of the lower side."""
        return self.y_mm + self.height_mm


@dataclass(frozen=True, kw_only=True)
class PlacedSquare:
    """A reference square and the place of its middle on the page, mm."""

    design: SquareDesign
    centre_mm: Point

    @property
    def cut_box(self) -> Box:
        """What is left of the page when the square is cut out along its lines."""
        side = self.design.side_mm
        return Box(x_mm=self.centre_mm[0] - side / 2, y_mm=self.centre_mm[1] - side / 2, width_mm=side, height_mm=side)

    def on_page_mm(self, points_mm: ArrayLike) -> Floats:
        """Page coordinates of points of the design, (n, 2)."""
        return np.asarray(points_mm, np.float64) + self.centre_mm


@dataclass(frozen=True, kw_only=True)
class PlacedMark:
    """A bar or the diagonal: its name in `MARKS`, and the two points between which it is read, mm."""

    name: str
    start_mm: Point
    end_mm: Point


@dataclass(frozen=True, kw_only=True)
class Columns:
    """The grid that text and figures keep to: left and right sides of the two columns, mm."""

    left_mm: float
    left_end_mm: float
    right_mm: float
    right_end_mm: float


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Heights on the page that text and figures keep to: tops, and for `title` and `foot` the base line, mm."""

    title_mm: float
    square_mm: float
    card_mm: float
    small_mm: float
    foot_mm: float


@dataclass(frozen=True, kw_only=True)
class PageLayout:
    """One page: its size, the squares, the marks to read, the bank card's outline and the grid for the text."""

    paper: str
    width_mm: float
    height_mm: float
    squares: tuple[PlacedSquare, ...]
    marks: tuple[PlacedMark, ...]
    bank_card: Box
    columns: Columns
    rows: Rows

    def square(self, design: SquareDesign) -> PlacedSquare:
        """The place of a design on this page."""
        return next(placed for placed in self.squares if placed.design == design)

    def mark(self, name: str) -> PlacedMark:
        """The place of a mark on this page."""
        return next(mark for mark in self.marks if mark.name == name)


def page_layout(paper: str) -> PageLayout:
    """Layout of the page of squares for `paper`, a key of `PAPERS`; raises UsageError for any other.

    Bars and diagonal are equally long on all papers, so that a print profile need not say which it was. A longer page
    only has more air between its rows.
    """
    if paper not in PAPERS:
        raise UsageError(f"paper is {paper!r}; it must be {' or '.join(PAPERS)}.")
    width, height = PAPERS[paper]
    middle = width / 2
    air = (height - min(h for _, h in PAPERS.values())) / 5
    columns = Columns(
        left_mm=middle - 82.0, left_end_mm=middle + 3.6, right_mm=middle + 14.0, right_end_mm=middle + 90.0
    )
    rows = Rows(
        title_mm=20.0 + air,
        square_mm=37.0 + 2 * air,
        card_mm=137.0 + 3 * air,
        small_mm=208.0 + 4 * air,
        foot_mm=266.5 + 4.5 * air,
    )
    return PageLayout(
        paper=paper,
        width_mm=width,
        height_mm=height,
        squares=(
            _placed(SQUARE_80, left_mm=columns.left_mm, top_mm=rows.square_mm),
            _placed(SQUARE_30, left_mm=columns.right_mm, top_mm=rows.small_mm),
        ),
        marks=(
            _placed_mark("long_bar", (middle - 94.0, (height - MARKS["long_bar"].down_mm) / 2)),
            _placed_mark("short_bar", (middle - 90.0, 254.0 + 4.5 * air)),
            _placed_mark("diagonal", (columns.right_end_mm - 3.0, 21.0 + 2.5 * air), leftwards=True),
        ),
        bank_card=Box(x_mm=columns.left_mm, y_mm=rows.card_mm, width_mm=ID1_WIDTH_MM, height_mm=ID1_HEIGHT_MM),
        columns=columns,
        rows=rows,
    )


def to_px(points_mm: ArrayLike, *, dpi: float) -> Floats:
    """Pixel coordinates of page points in a raster of the page; the centre of its first pixel is (0, 0)."""
    return np.asarray(np.asarray(points_mm, np.float64) * (dpi / MM_PER_INCH) - 0.5, np.float64)


def to_mm(points_px: ArrayLike, *, dpi: float) -> Floats:
    """Page coordinates of pixels of a raster of the page: the inverse of `to_px`."""
    return np.asarray((np.asarray(points_px, np.float64) + 0.5) * (MM_PER_INCH / dpi), np.float64)


def _placed(design: SquareDesign, *, left_mm: float, top_mm: float) -> PlacedSquare:
    return PlacedSquare(design=design, centre_mm=(left_mm + design.side_mm / 2, top_mm + design.side_mm / 2))


def _placed_mark(name: str, start_mm: Point, *, leftwards: bool = False) -> PlacedMark:
    mark = MARKS[name]
    across = -mark.across_mm if leftwards else mark.across_mm
    return PlacedMark(name=name, start_mm=start_mm, end_mm=(start_mm[0] + across, start_mm[1] + mark.down_mm))

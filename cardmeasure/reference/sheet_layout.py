"""Where everything lies on the printed pages of the measuring sheet, in millimetres; see `layout` for the axes.

The sheet itself has room in its margins only; what needs more stands on a second page, of the same print.
"""

from __future__ import annotations

from dataclasses import dataclass

from cardmeasure.errors import UsageError
from cardmeasure.reference.layout import ID1_HEIGHT_MM, ID1_WIDTH_MM, PAPERS, Box, PlacedMark, Point
from cardmeasure.reference.readings import MARKS
from cardmeasure.reference.sheet import CROSS_MM, SHEETS, SheetDesign

HAIRLINE_MM = 0.1
"""Width of the lines that are read: fine, but more than two dots of a 600 dpi printer."""
END_MARK_MM = CROSS_MM
"""Length of a bar's end marks and of the arms of a cross."""
SHEET_MARKS = ("long_bar", "short_bar", "diagonal")
"""What can be read on the sheet."""


@dataclass(frozen=True, kw_only=True)
class SheetLayout:
    """Both pages: the design, the marks on the first page, and the bank card's outline on the second, mm."""

    design: SheetDesign
    width_mm: float
    height_mm: float
    marks: tuple[PlacedMark, ...]
    bank_card: Box
    title_mm: Point
    foot_mm: Point
    left_mm: float
    right_mm: float

    def mark(self, name: str) -> PlacedMark:
        """The place of a mark on the first page."""
        return next(mark for mark in self.marks if mark.name == name)

    @property
    def area(self) -> Box:
        """The check, on the page."""
        x0, y0, x1, y1 = self.design.area_mm
        return Box(x_mm=x0 + self.width_mm / 2, y_mm=y0 + self.height_mm / 2, width_mm=x1 - x0, height_mm=y1 - y0)

    @property
    def black_boxes(self) -> list[Box]:
        """Bars, their end marks, and the crosses of the diagonal, as boxes to fill."""
        return [box for mark in self.marks for box in _mark_boxes(mark)]


def sheet_layout(paper: str) -> SheetLayout:
    """Layout of the measuring sheet for `paper`, a key of `PAPERS`; raises UsageError for any other."""
    if paper not in SHEETS:
        raise UsageError(f"paper is {paper!r}; it must be {' or '.join(SHEETS)}.")
    design, (width, height) = SHEETS[paper], PAPERS[paper]
    cross = design.marked_mm[0] + design.half_mm
    return SheetLayout(
        design=design,
        width_mm=width,
        height_mm=height,
        marks=(
            _placed("long_bar", (11.0, (height - MARKS["long_bar"].down_mm) / 2), 0.0),
            _placed("short_bar", ((width - MARKS["short_bar"].across_mm) / 2, height - 14.0), 0.0),
            _placed("diagonal", (float(cross[0]), float(cross[1])), -1.0),
        ),
        bank_card=Box(x_mm=20.0, y_mm=height - 30.0 - ID1_HEIGHT_MM, width_mm=ID1_WIDTH_MM, height_mm=ID1_HEIGHT_MM),
        title_mm=(16.0, 13.0),
        foot_mm=(16.0, height - 8.6),
        left_mm=20.0,
        right_mm=width - 20.0,
    )


def _placed(name: str, start_mm: Point, way: float) -> PlacedMark:
    mark = MARKS[name]
    across = way * mark.across_mm if way else mark.across_mm
    return PlacedMark(name=name, start_mm=start_mm, end_mm=(start_mm[0] + across, start_mm[1] + mark.down_mm))


def _mark_boxes(mark: PlacedMark) -> list[Box]:
    """A bar as a line between two end marks; the diagonal, which would cross all else, as two crosses only."""
    (x0, y0), (x1, y1) = mark.start_mm, mark.end_mm
    w = HAIRLINE_MM / 2
    boxes = []
    if x0 == x1 or y0 == y1:
        boxes.append(Box(x_mm=x0 - w, y_mm=y0 - w, width_mm=x1 - x0 + 2 * w, height_mm=y1 - y0 + 2 * w))
    for x, y in (mark.start_mm, mark.end_mm):
        if x0 != x1:
            boxes.append(Box(x_mm=x - w, y_mm=y - END_MARK_MM / 2, width_mm=2 * w, height_mm=END_MARK_MM))
        if y0 != y1:
            boxes.append(Box(x_mm=x - END_MARK_MM / 2, y_mm=y - w, width_mm=END_MARK_MM, height_mm=2 * w))
    return boxes

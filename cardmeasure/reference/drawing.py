"""Draws the printed reference as a PDF: vectors only, exact page boxes, not to be scaled by the print dialogue."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from cardmeasure.reference.layout import (
    ID1_RADIUS_MM,
    MM_PER_INCH,
    Box,
    PageLayout,
    PlacedMark,
    PlacedSquare,
    Point,
    page_layout,
)
from cardmeasure.reference.page_texts import (
    LEADING,
    MM_PER_PT,
    STEP_GAP_MM,
    STEPS,
    Font,
    Text,
    page_texts,
    table_columns_mm,
    table_rows_mm,
)

PT_PER_MM = 72 / MM_PER_INCH
HAIRLINE_MM = 0.1
"""Width of the lines that are read or cut along: fine, but more than two dots of a 600 dpi printer."""
CUT_SHADE, FAINT_SHADE = 0.55, 0.7
CUT_TICK_MM = 4.0
"""How far the cutting lines reach beyond the corners."""
CALLIPER_LINE_MM = 12.0
END_MARK_MM = 6.0
"""Length of a bar's end marks and of the lines of a cross."""
STEP_INDENT_MM = 5.5


class Page:
    """A canvas of one page that is drawn on in page coordinates: mm, origin at the top left, y down."""

    def __init__(self, canvas: Any, *, height_mm: float) -> None:
        self.canvas = canvas
        self.height_mm = height_mm

    def pt(self, x_mm: float, y_mm: float) -> Point:
        """PDF coordinates of a point of the page."""
        return x_mm * PT_PER_MM, (self.height_mm - y_mm) * PT_PER_MM

    def line(self, start_mm: Point, end_mm: Point, *, shade: float = 0.0, width_mm: float = HAIRLINE_MM) -> None:
        """A line with square ends that stop exactly at its points."""
        self.canvas.setStrokeGray(shade)
        self.canvas.setLineWidth(width_mm * PT_PER_MM)
        self.canvas.line(*self.pt(*start_mm), *self.pt(*end_mm))

    def fill(self, boxes: list[Box]) -> None:
        """Boxes as one black path: where they touch or overlap there is no seam."""
        path = self.canvas.beginPath()
        for box in boxes:
            path.rect(*self.pt(box.x_mm, box.bottom_mm), box.width_mm * PT_PER_MM, box.height_mm * PT_PER_MM)
        self.canvas.setFillGray(0.0)
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=1)

    def outline(self, box: Box, *, radius_mm: float, shade: float) -> None:
        """The outline of a box with round corners."""
        self.canvas.setStrokeGray(shade)
        self.canvas.setLineWidth(HAIRLINE_MM * PT_PER_MM)
        size = (box.width_mm * PT_PER_MM, box.height_mm * PT_PER_MM)
        self.canvas.roundRect(*self.pt(box.x_mm, box.bottom_mm), *size, radius_mm * PT_PER_MM)

    def text(self, text: Text) -> float:
        """A text, broken to its width; returns the height of its lines in mm."""
        lines = [text.text]
        if text.width_mm is not None:
            lines = simpleSplit(text.text, text.font, text.size_pt, text.width_mm * PT_PER_MM)
        leading_pt = text.size_pt * LEADING
        self.canvas.saveState()
        self.canvas.translate(*self.pt(text.x_mm, text.y_mm))
        self.canvas.rotate(text.turn_deg)
        self.canvas.setFillGray(text.shade)
        self.canvas.setFont(text.font, text.size_pt)
        for i, line in enumerate(lines):
            draw = self.canvas.drawCentredString if text.is_centred else self.canvas.drawString
            draw(0, -i * leading_pt, line)
        self.canvas.restoreState()
        return float(len(lines) * leading_pt * MM_PER_PT)


def reference_pdf(*, paper: str = "a4", version: str) -> bytes:
    """The page of reference squares as a PDF.

    Parameters
    ----------
    paper : `a4` or `letter`; raises UsageError for any other.
    version : the version printed on the page.

    Returns
    -------
    bytes : the same ones for the same arguments.
    """
    layout = page_layout(paper)
    file = BytesIO()
    title = f"Reference squares for cardmeasure, {layout.paper}"
    canvas = page_canvas(file, size_mm=(layout.width_mm, layout.height_mm), title=title, version=version)
    page = Page(canvas, height_mm=layout.height_mm)
    for placed in layout.squares:
        _draw_square(page, placed)
    for mark in layout.marks:
        _draw_mark(page, mark)
    page.outline(layout.bank_card, radius_mm=ID1_RADIUS_MM, shade=CUT_SHADE)
    _draw_table(page, layout)
    for text in page_texts(layout, version=version):
        page.text(text)
    _draw_steps(page, layout)
    page.canvas.showPage()
    page.canvas.save()
    return file.getvalue()


def page_canvas(file: BytesIO, *, size_mm: Point, title: str, version: str) -> Any:
    """A canvas whose page boxes are all the paper itself; uncompressed, so that no library's version changes it."""
    size = (size_mm[0] * PT_PER_MM, size_mm[1] * PT_PER_MM)
    whole = (0.0, 0.0, *size)
    canvas = Canvas(
        file, pagesize=size, cropBox=whole, trimBox=whole, bleedBox=whole, artBox=whole, invariant=1, pageCompression=0
    )
    canvas.setTitle(title)
    canvas.setAuthor("cardmeasure")
    canvas.setSubject("Print at actual size (100 %)")
    canvas.setCreator(f"cardmeasure {version}")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setViewerPreference("Duplex", "Simplex")
    canvas.setLineCap(0)
    return canvas


def _draw_square(page: Page, placed: PlacedSquare) -> None:
    design = placed.design
    for corners_mm, side_mm in ((design.black_cells_mm, design.cell_mm), (design.black_modules_mm, design.module_mm)):
        page.fill([_box(x, y, side_mm, side_mm) for x, y in placed.on_page_mm(corners_mm).tolist()])
    _draw_cutting_lines(page, placed.cut_box)
    if design.calliper_mm is not None:
        _draw_calliper_lines(page, placed.centre_mm, distance_mm=design.calliper_mm)


def _draw_cutting_lines(page: Page, cut: Box) -> None:
    """The four sides of a square, each a little longer than the square at both ends."""
    for x in (cut.x_mm, cut.right_mm):
        page.line((x, cut.y_mm - CUT_TICK_MM), (x, cut.bottom_mm + CUT_TICK_MM), shade=CUT_SHADE)
    for y in (cut.y_mm, cut.bottom_mm):
        page.line((cut.x_mm - CUT_TICK_MM, y), (cut.right_mm + CUT_TICK_MM, y), shade=CUT_SHADE)


def _draw_calliper_lines(page: Page, centre_mm: Point, *, distance_mm: float) -> None:
    x, y = centre_mm
    half = distance_mm / 2
    upright = [_fine_line(x + d, y, is_upright=True, length_mm=CALLIPER_LINE_MM) for d in (-half, half)]
    level = [_fine_line(x, y + d, is_upright=False, length_mm=CALLIPER_LINE_MM) for d in (-half, half)]
    page.fill(upright + level)


def _draw_mark(page: Page, mark: PlacedMark) -> None:
    """A bar as a grey line between two end marks; the diagonal, which would cross all else, as two crosses only."""
    (x0, y0), (x1, y1) = mark.start_mm, mark.end_mm
    is_across, is_down = x0 != x1, y0 != y1
    if not (is_across and is_down):
        page.line(mark.start_mm, mark.end_mm, shade=CUT_SHADE)
    turns = [upright for upright, wanted in ((True, is_across), (False, is_down)) if wanted]
    ends = (mark.start_mm, mark.end_mm)
    page.fill([_fine_line(x, y, is_upright=turn, length_mm=END_MARK_MM) for x, y in ends for turn in turns])


def _fine_line(x_mm: float, y_mm: float, *, is_upright: bool, length_mm: float) -> Box:
    """A hairline about its middle, as a box to fill: a stroked line may be moved to the nearest dots, a box is not."""
    width, height = (HAIRLINE_MM, length_mm) if is_upright else (length_mm, HAIRLINE_MM)
    return _box(x_mm - width / 2, y_mm - height / 2, width, height)


def _draw_table(page: Page, layout: PageLayout) -> None:
    """Lines to write on."""
    columns = table_columns_mm(layout)
    for y in table_rows_mm(layout):
        page.line((columns[0], y + 1.8), (layout.columns.right_end_mm, y + 1.8), shade=FAINT_SHADE)


def _draw_steps(page: Page, layout: PageLayout) -> None:
    """The numbered steps, one below the other."""
    x, y = layout.columns.right_mm, layout.rows.square_mm + 10.0
    width = layout.columns.right_end_mm - x - STEP_INDENT_MM
    for number, step in enumerate(STEPS, start=1):
        page.text(Text(text=str(number), x_mm=x, y_mm=y, font=Font.BOLD))
        y += page.text(Text(text=step, x_mm=x + STEP_INDENT_MM, y_mm=y, width_mm=width)) + STEP_GAP_MM


def _box(x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> Box:
    return Box(x_mm=x_mm, y_mm=y_mm, width_mm=width_mm, height_mm=height_mm)

"""Draws the measuring sheet as a PDF: the sheet itself, and a page of notes with a bank card's outline."""

from __future__ import annotations

from io import BytesIO

from cardmeasure.reference.design import FIDUCIAL_MODULES
from cardmeasure.reference.drawing import CUT_SHADE, FAINT_SHADE, PT_PER_MM, Page, page_canvas
from cardmeasure.reference.layout import ID1_RADIUS_MM, Box
from cardmeasure.reference.page_texts import Font, Text
from cardmeasure.reference.sheet import DARK_REFLECTANCE, HOLE_MM, LIGHT_REFLECTANCE, MODULE_MM, UNIT_MM, SheetDesign
from cardmeasure.reference.sheet_layout import SheetLayout, sheet_layout
from cardmeasure.reference.sheet_texts import NOTES, notes_texts, sheet_texts, table_lines_mm

PAPER_REFLECTANCE = 0.85
STEP_GAP_MM, STEP_INDENT_MM = 1.8, 6.0


def sheet_pdf(*, paper: str = "a4", version: str) -> bytes:
    """The measuring sheet and its page of notes as a PDF.

    Parameters
    ----------
    paper : `a4` or `letter`; raises UsageError for any other.
    version : the version printed on the pages.

    Returns
    -------
    bytes : the same ones for the same arguments.
    """
    layout = sheet_layout(paper)
    file = BytesIO()
    title = f"Measuring sheet for cardmeasure, {paper}"
    canvas = page_canvas(file, size_mm=(layout.width_mm, layout.height_mm), title=title, version=version)
    page = Page(canvas, height_mm=layout.height_mm)
    _draw_sheet(page, layout, version)
    canvas.showPage()
    _draw_notes(page, layout, version)
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def grey_of(reflectance: float) -> float:
    """DeviceGray for a reflectance on white paper: printers take it for the sRGB curve (common practice, no source)."""
    share = reflectance / PAPER_REFLECTANCE
    return float(1.055 * share ** (1 / 2.4) - 0.055)


def _draw_sheet(page: Page, layout: SheetLayout, version: str) -> None:
    canvas, design = page.canvas, layout.design
    canvas.saveState()
    _clip_to_check(page, layout)
    canvas.setFillGray(grey_of(LIGHT_REFLECTANCE))
    area = layout.area
    canvas.rect(
        *page.pt(area.x_mm, area.bottom_mm), area.width_mm * PT_PER_MM, area.height_mm * PT_PER_MM, stroke=0, fill=1
    )
    canvas.setFillGray(grey_of(DARK_REFLECTANCE))
    canvas.drawPath(_dark_cells(page, design), stroke=0, fill=1)
    canvas.restoreState()
    page.fill(_black_modules(design))
    page.fill(layout.black_boxes)
    for text in sheet_texts(layout, version=version):
        page.text(text)


def _clip_to_check(page: Page, layout: SheetLayout) -> None:
    """The area without its four corners, as one polygon."""
    area, h = layout.area, HOLE_MM
    x = (area.x_mm, area.x_mm + h, area.right_mm - h, area.right_mm)
    y = (area.y_mm, area.y_mm + h, area.bottom_mm - h, area.bottom_mm)
    corners = ((1, 0), (2, 0), (2, 1), (3, 1), (3, 2), (2, 2), (2, 3), (1, 3), (1, 2), (0, 2), (0, 1), (1, 1))
    path = page.canvas.beginPath()
    for number, (i, j) in enumerate(corners):
        (path.lineTo if number else path.moveTo)(*page.pt(x[i], y[j]))
    path.close()
    page.canvas.clipPath(path, stroke=0, fill=0)


def _dark_cells(page: Page, design: SheetDesign) -> object:
    """All dark cells that reach into the page, as one path."""
    w, h = (float(v) for v in design.half_mm)
    u = UNIT_MM
    path = page.canvas.beginPath()
    reach = int((w + h) / u)
    for i in range(-reach, reach):
        for j in range(-reach, reach):
            x, y = u * (2 * i - j), u * (i + 2 * j)
            if (i + j) % 2 or abs(x) > w + 3 * u or abs(y) > h + 3 * u:
                continue
            for number, (dx, dy) in enumerate(((0, 0), (2, 1), (1, 3), (-1, 2))):
                at = page.pt(w + x + u * dx, h + y + u * dy)
                (path.lineTo if number else path.moveTo)(*at)
            path.close()
    return path


def _black_modules(design: SheetDesign) -> list[Box]:
    boxes = []
    for middle, modules in zip(design.hole_centres_mm, design.modules, strict=True):
        x0, y0 = (float(v) - FIDUCIAL_MODULES * MODULE_MM / 2 for v in middle + design.half_mm)
        for row in range(FIDUCIAL_MODULES):
            for column in range(FIDUCIAL_MODULES):
                if modules[row, column] == 0:
                    boxes.append(
                        Box(
                            x_mm=x0 + column * MODULE_MM, y_mm=y0 + row * MODULE_MM, width_mm=MODULE_MM,
                            height_mm=MODULE_MM,
                        )
                    )  # fmt: skip
    return boxes


def _draw_notes(page: Page, layout: SheetLayout, version: str) -> None:
    page.outline(layout.bank_card, radius_mm=ID1_RADIUS_MM, shade=CUT_SHADE)
    for start, end in table_lines_mm(layout):
        page.line(start, end, shade=FAINT_SHADE)
    for text in notes_texts(layout, version=version):
        page.text(text)
    x, y = layout.left_mm, 44.0
    for number, note in enumerate(NOTES, start=1):
        page.text(Text(text=str(number), x_mm=x, y_mm=y, font=Font.BOLD))
        width = layout.right_mm - x - STEP_INDENT_MM
        y += page.text(Text(text=note, x_mm=x + STEP_INDENT_MM, y_mm=y, width_mm=width)) + STEP_GAP_MM

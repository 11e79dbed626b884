"""The outline slip as a PDF in true size: vectors only, with check bars, not to be scaled by the print dialogue."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from cardmeasure import __version__
from cardmeasure.reports.slip_layout import BAR_MM, PAGE_MM, Placed, laid_out, outlines_of
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.plan import PlanAnswer
from cardmeasure.text import printable, shorten_middle

_PT = 72 / 25.4
_PAPER_MM = (210.0, 297.0)
_MARGIN_MM = (10.0, 10.0)
_LINE_MM, _THIN_MM = 0.25, 0.12
TITLE = "Hold this to the pack"
ORDER = (
    "Printed at actual size (100 %), this bar is 100 mm long. If it is not, print again without fitting to the page."
)
LEGEND = (
    "Full line: the card. Dashed: the inside of a flat sleeve, from the least width to the most. "
    "What the pack quotes may be the card, the inside or the outside."
)


def slip_pdf(answer: PlanAnswer, *, conditions: Conditions) -> bytes:
    """The slip for all sizes of a plan, on A4; the same bytes for the same plan."""
    from reportlab.pdfgen.canvas import Canvas

    placed, too_large = laid_out(outlines_of(answer, conditions=conditions))
    file = BytesIO()
    canvas: Any = Canvas(file, pagesize=tuple(side * _PT for side in _PAPER_MM), invariant=1, pageCompression=0)
    canvas.setTitle("Outlines of card sizes in true size")
    canvas.setCreator(f"cardmeasure {__version__}")
    canvas.setViewerPreference("PrintScaling", "None")
    for page in range(max((p.page for p in placed), default=0) + 1):
        _draw_head(canvas)
        for each in placed:
            if each.page == page:
                _draw_outline(canvas, each)
        if page == 0 and too_large:
            names = ", ".join(outline.name for outline in too_large)
            _text(canvas, 0.0, PAGE_MM[1] + 6, f"Too large for a page: {names}.", size=8)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _draw_head(canvas: Any) -> None:
    _text(canvas, 0.0, 5.0, TITLE, size=14, font="Helvetica-Bold")
    _text(canvas, 0.0, 10.0, ORDER, size=8)
    _line(canvas, 0.0, 15.0, BAR_MM, 15.0, _LINE_MM)
    for x in range(0, int(BAR_MM) + 1, 10):
        _line(
            canvas,
            float(x),
            15.0 - (2.5 if x % 50 == 0 else 1.2),
            float(x),
            15.0 + (2.5 if x % 50 == 0 else 1.2),
            _THIN_MM,
        )
    _text(canvas, BAR_MM + 3, 16.0, "100 mm", size=8)
    _text(canvas, 0.0, 23.5, LEGEND, size=8)


def _draw_outline(canvas: Any, placed: Placed) -> None:
    outline, x, y = placed.outline, placed.x_mm, placed.y_mm
    (width, height), (least, most) = outline.card_mm, outline.inside_mm
    bottom = y + outline.depth_mm
    canvas.setStrokeGray(0.0)
    canvas.setDash()
    _box(canvas, x, bottom - height, width, height, _LINE_MM)
    canvas.setDash(3, 2)
    for inside in (least, most):
        _line(canvas, x + inside, y, x + inside, bottom, _THIN_MM)
    _line(canvas, x, y, x + most, y, _THIN_MM)
    canvas.setDash()
    _line(canvas, x, y, x, bottom, _THIN_MM)
    _line(canvas, x, bottom, x + most, bottom, _THIN_MM)
    _text(canvas, x, bottom + 4.5, shorten_middle(printable(outline.name), 30), size=9, font="Helvetica-Bold")
    for i, words in enumerate(outline.words):
        _text(canvas, x, bottom + 8.5 + 3.6 * i, words, size=8)


def _at(x_mm: float, y_mm: float) -> tuple[float, float]:
    """PDF coordinates of a point of the page's area: origin at its top left, y down."""
    return (x_mm + _MARGIN_MM[0]) * _PT, (_PAPER_MM[1] - _MARGIN_MM[1] - y_mm) * _PT


def _line(canvas: Any, x0: float, y0: float, x1: float, y1: float, width_mm: float) -> None:
    canvas.setLineWidth(width_mm * _PT)
    canvas.line(*_at(x0, y0), *_at(x1, y1))


def _box(canvas: Any, x: float, y: float, width: float, height: float, line_mm: float) -> None:
    canvas.setLineWidth(line_mm * _PT)
    canvas.rect(*_at(x, y + height), width * _PT, height * _PT)


def _text(canvas: Any, x: float, y: float, text: str, *, size: float, font: str = "Helvetica") -> None:
    canvas.setFont(font, size)
    # the standard fonts have the letters of Western Europe only
    canvas.drawString(*_at(x, y), text.encode("cp1252", "replace").decode("cp1252"))

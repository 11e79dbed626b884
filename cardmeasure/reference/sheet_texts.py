"""What is written on the measuring sheet and on its page of notes, and where."""

from __future__ import annotations

from cardmeasure.reference.layout import Point
from cardmeasure.reference.page_texts import GREY, ORDER, Font, Text
from cardmeasure.reference.readings import MARKS
from cardmeasure.reference.sheet_layout import SHEET_MARKS, SheetLayout

NOTES_TITLE = "Measuring sheet: notes"
NOTES = (
    "Print both pages at actual size (100 %) on plain, matt paper. The greys need not be exact, only clearly apart.",
    "Read the two bars and the diagonal of the sheet with a steel rule, to a fifth of a millimetre, and note them "
    "below. The diagonal runs from one fine cross in the check to the other. Readings hold for this print only.",
    "Lay the sheet on a table, as flat as it lies by itself; what bow is left is measured with the cards.",
    "Lay cards of any colour on the check, 3 mm apart or more, none beyond its end and none bent.",
    "Take the photo from straight above, in even light. One of the four corner squares must be seen whole, and a "
    "third of the check between the cards; all four are best.",
    "Save the readings as print.toml beside the photos and run: cardmeasure measure PHOTO",
)
TABLE_TITLE = "Readings for print.toml"
TABLE_HEAD = ("name", "at 100 %", "read, mm", "with, or u")
TABLE_TOP_MM, ROW_MM = 122.0, 8.5
COLUMNS_MM = (0.0, 40.0, 65.0, 100.0)


def sheet_texts(layout: SheetLayout, *, version: str) -> tuple[Text, ...]:
    """The texts in the sheet's margins."""
    (x, y), (foot_x, foot_y) = layout.title_mm, layout.foot_mm
    long_bar, short_bar = layout.mark("long_bar").start_mm, layout.mark("short_bar").start_mm
    middle = layout.height_mm / 2
    return (
        Text(text="Measuring sheet", x_mm=x, y_mm=y, size_pt=11.0, font=Font.BOLD),
        Text(text=ORDER, x_mm=x + 36.0, y_mm=y, size_pt=9.0),
        _note("Lay cards on the check. diagonal: 250 mm at 100 % between the two fine crosses in it.", x, y + 4.2),
        _note(_length("long_bar"), long_bar[0] + 3.6, middle + 20.0, turn_deg=90.0),
        _note(_length("short_bar"), short_bar[0] + 10.0, short_bar[1] + 3.0),
        _note(f"cardmeasure {version}, {layout.design.name}", foot_x + 120.0, foot_y),
    )


def notes_texts(layout: SheetLayout, *, version: str) -> tuple[Text, ...]:
    """The single texts of the page of notes; its numbered notes are laid out by the drawing, which knows the fonts."""
    x, card = layout.left_mm, layout.bank_card
    table = [Text(text=TABLE_TITLE, x_mm=x, y_mm=TABLE_TOP_MM, size_pt=10.0, font=Font.BOLD)]
    table += [
        _note(text, x + column, TABLE_TOP_MM + ROW_MM) for text, column in zip(TABLE_HEAD, COLUMNS_MM, strict=True)
    ]
    for row, name in enumerate(SHEET_MARKS, start=2):
        y = TABLE_TOP_MM + row * ROW_MM
        table.append(Text(text=name, x_mm=x, y_mm=y, size_pt=8.0, font=Font.NAME))
        table.append(_note(f"{MARKS[name].length_mm:g} mm", x + COLUMNS_MM[1], y))
    return (
        Text(text=NOTES_TITLE, x_mm=x, y_mm=24.0, size_pt=18.0, font=Font.BOLD),
        Text(text=ORDER, x_mm=x, y_mm=31.5, size_pt=11.0),
        *table,
        _note("Lay a bank card here: at actual size it just covers the outline.", card.x_mm + 6.0, card.y_mm + 9.0),
        _note("85.60 × 53.98 mm, ISO/IEC 7810 ID-1", card.x_mm + 6.0, card.bottom_mm - 6.0),
        _note(f"cardmeasure {version}, notes on {layout.design.name}", x, layout.height_mm - 14.0),
    )


def table_lines_mm(layout: SheetLayout) -> tuple[tuple[Point, Point], ...]:
    """Lines to write on."""
    ys = [TABLE_TOP_MM + row * ROW_MM + 1.8 for row in range(2, 2 + len(SHEET_MARKS))]
    return tuple(((layout.left_mm, y), (layout.right_mm, y)) for y in ys)


def _length(name: str) -> str:
    return f"{name}: {MARKS[name].length_mm:g} mm at 100 %"


def _note(text: str, x_mm: float, y_mm: float, *, turn_deg: float = 0.0) -> Text:
    return Text(text=text, x_mm=x_mm, y_mm=y_mm, size_pt=7.5, shade=GREY, turn_deg=turn_deg)

"""What is written on the page of squares, and where."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from cardmeasure.reference.design import SQUARE_30, SQUARE_80
from cardmeasure.reference.layout import PageLayout
from cardmeasure.reference.readings import MARKS


class Font(StrEnum):
    """The fonts of the page: all of them among the standard fonts of PDF."""

    PLAIN = "Helvetica"
    BOLD = "Helvetica-Bold"
    CODE = "Courier"
    NAME = "Courier-Bold"


BLACK, GREY = 0.0, 0.35
LEADING = 1.34
"""Distance of two lines over the size of the font."""
MM_PER_PT = 25.4 / 72


@dataclass(frozen=True, kw_only=True)
class Text:
    """A text: the base line of its first line starts at (x_mm, y_mm); it is broken where `width_mm` is given.

    `is_centred` puts the middle of the line there instead. `turn_deg` turns it anticlockwise about that point.
    `shade` is its grey level, 0 black and 1 white.
    """

    text: str
    x_mm: float
    y_mm: float
    size_pt: float = 9.0
    font: Font = Font.PLAIN
    width_mm: float | None = None
    turn_deg: float = 0.0
    is_centred: bool = False
    shade: float = BLACK


TITLE = "Reference squares"
ORDER = "Print at actual size (100 %). Do not fit or shrink to the page."
STEPS_TITLE = "From this page to sizes in millimetres"
STEPS = (
    "Print this page at actual size (100 %) on plain, matt paper, 80 g/m² (0.1 mm thick).",
    "Before you cut, read the two bars and the diagonal with a steel rule, to a fifth of a millimetre, and the two "
    "pairs of fine lines of the large square with a calliper. Note them in the table below.",
    "Cut the squares out along the grey lines and keep them flat. Write the date on their backs: readings hold for "
    "this print only.",
    "Lay a square flat beside the cards, on a plain mat that contrasts with their borders: the large one among cards, "
    "the small one beside a single piece.",
    "Take the photo from straight above, in even light, with the whole square and all cards in the frame. Nothing "
    "may lie on the square.",
    "Save the readings as print.toml beside the photos and run: cardmeasure measure PHOTO",
)
STEP_GAP_MM = 1.6
TABLE_TITLE = "Readings for print.toml"
TABLE_HEAD = ("name", "at 100 %", "read, mm", "with, or u")
TABLE_NOTE = "With steel-rule, calliper or ruler, or your own u_mm:"
TABLE_EXAMPLE = ("long_bar.reading_mm = 249.8", 'long_bar.instrument = "steel-rule"')


def table_columns_mm(layout: PageLayout) -> tuple[float, ...]:
    """Left sides of the columns of the table of readings."""
    x = layout.columns.right_mm
    return (x, x + 32.0, x + 45.0, x + 61.5)


def table_rows_mm(layout: PageLayout) -> tuple[float, ...]:
    """Base lines of the table of readings: the head, then one a mark."""
    return tuple(layout.rows.card_mm + 9.0 + 7.2 * i for i in range(len(MARKS) + 1))


def page_texts(layout: PageLayout, *, version: str) -> tuple[Text, ...]:
    """All single texts of the page; the numbered steps are laid out by the drawing, which knows the fonts."""
    names = _names_at_large_square(layout) + _bar_names(layout) + _diagonal_names(layout)
    return _head(layout) + _captions(layout) + names + _table(layout) + _foot(layout, version)


def _head(layout: PageLayout) -> tuple[Text, ...]:
    x, y = layout.columns.left_mm, layout.rows.title_mm
    return (
        Text(text=TITLE, x_mm=x, y_mm=y, size_pt=20.0, font=Font.BOLD),
        Text(text=ORDER, x_mm=x, y_mm=y + 7.5, size_pt=11.0),
        Text(
            text=STEPS_TITLE,
            x_mm=layout.columns.right_mm,
            y_mm=layout.rows.square_mm + 2.5,
            size_pt=10.0,
            font=Font.BOLD,
        ),
    )


def _captions(layout: PageLayout) -> tuple[Text, ...]:
    card, small = layout.bank_card, layout.square(SQUARE_30).cut_box
    beside = small.right_mm + 7.0
    return (
        _note(
            "Lay a bank card here: at actual size it just covers the outline. For the tenths of a millimetre, read the "
            "bars.",
            card.x_mm + 6.0,
            card.y_mm + 9.0,
            width_mm=card.width_mm - 12.0,
        ),
        _note("85.60 × 53.98 mm, ISO/IEC 7810 ID-1", card.x_mm + 6.0, card.bottom_mm - 6.0),
        _name(SQUARE_30.name, beside, small.y_mm + 2.5),
        _note(
            "30 mm between the cutting lines, for a single piece or a crowded table",
            beside,
            small.y_mm + 6.5,
            width_mm=layout.columns.right_end_mm - beside,
        ),
    )


def _names_at_large_square(layout: PageLayout) -> tuple[Text, ...]:
    """What it is, and the calliper readings, each name beside one of its two lines."""
    large = layout.square(SQUARE_80).cut_box
    x, y = layout.square(SQUARE_80).centre_mm
    below = large.bottom_mm + 10.5
    return (
        replace(_name("calliper_across", large.right_mm + 4.2, y), turn_deg=90.0, is_centred=True),
        replace(_name("calliper_down", x, large.bottom_mm + 4.2), is_centred=True),
        _name(SQUARE_80.name, large.x_mm, below),
        _note("80 mm between the cutting lines", large.x_mm + 18.0, below),
    )


def _diagonal_names(layout: PageLayout) -> tuple[Text, ...]:
    (x0, y0), (x1, y1) = layout.mark("diagonal").start_mm, layout.mark("diagonal").end_mm
    return (
        _name("diagonal", x0 - 20.0, y0 + 1.0),
        _name("diagonal", x1 + 7.0, y1 - 1.0),
        _note("250 mm at 100 %, from this cross to", x1 + 7.0, y1 + 2.8),
        _note("the one at the top right", x1 + 7.0, y1 + 6.6),
    )


def _bar_names(layout: PageLayout) -> tuple[Text, ...]:
    long, short = layout.mark("long_bar").start_mm, layout.mark("short_bar").start_mm
    middle = layout.height_mm / 2
    return (
        _name("short_bar", layout.columns.left_mm, short[1] + 5.5),
        _note("180 mm at 100 %, between the end marks", layout.columns.left_mm + 18.0, short[1] + 5.5),
        replace(_name("long_bar", long[0] + 5.5, middle + 35.0), turn_deg=90.0),
        replace(_note("250 mm at 100 %, between the end marks", long[0] + 5.5, middle + 18.5), turn_deg=90.0),
    )


def _table(layout: PageLayout) -> tuple[Text, ...]:
    columns, rows = table_columns_mm(layout), table_rows_mm(layout)
    title = Text(
        text=TABLE_TITLE,
        x_mm=columns[0],
        y_mm=layout.rows.card_mm + 2.5,
        size_pt=10.0,
        font=Font.BOLD,
    )
    head = tuple(_note(text, x, rows[0]) for text, x in zip(TABLE_HEAD, columns, strict=True))
    names = tuple(_name(name, columns[0], y) for name, y in zip(MARKS, rows[1:], strict=True))
    lengths = tuple(
        _note(f"{mark.length_mm:g} mm", columns[1], y) for mark, y in zip(MARKS.values(), rows[1:], strict=True)
    )
    note = _note(TABLE_NOTE, columns[0], rows[-1] + 6.5)
    example = tuple(
        Text(text=line, x_mm=columns[0], y_mm=note.y_mm + 4.2 + 3.8 * i, size_pt=8.0, font=Font.CODE)
        for i, line in enumerate(TABLE_EXAMPLE)
    )
    return (title, *head, *names, *lengths, note, *example)


def _foot(layout: PageLayout, version: str) -> tuple[Text, ...]:
    paper = layout.paper.upper() if layout.paper == "a4" else layout.paper.capitalize()
    return (_note(f"cardmeasure {version}, page of squares, {paper}", layout.columns.left_mm, layout.rows.foot_mm),)


def _name(text: str, x_mm: float, y_mm: float) -> Text:
    """The name of a mark or a design, as it is written in files."""
    return Text(text=text, x_mm=x_mm, y_mm=y_mm, size_pt=8.0, font=Font.NAME)


def _note(text: str, x_mm: float, y_mm: float, *, width_mm: float | None = None) -> Text:
    return Text(text=text, x_mm=x_mm, y_mm=y_mm, size_pt=8.0, shade=GREY, width_mm=width_mm)

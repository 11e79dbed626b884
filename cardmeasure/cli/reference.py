"""`cardmeasure reference`: the page of reference squares, or the measuring sheet, to print, as a PDF."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cardmeasure import __version__
from cardmeasure.cli.console import say
from cardmeasure.text import printable


class Paper(StrEnum):
    """The papers that a page can be made for."""

    A4 = "a4"
    LETTER = "letter"


class Design(StrEnum):
    """What there is to print."""

    SQUARES = "squares"
    SHEET = "sheet"


AFTERWARDS = {
    Design.SQUARES: "Then measure its bars and note the readings in print.toml, before you cut the squares out.\n",
    Design.SHEET: "Then measure its bars, note the readings in print.toml, and lay cards on the check.\n",
}


def reference(
    out: Annotated[Path, typer.Argument(metavar="OUT.pdf", help="The PDF to write.", show_default=False)],
    paper: Annotated[Paper, typer.Option("--paper", help="The paper in your printer.")] = Paper.A4,
    design: Annotated[
        Design, typer.Option("--design", help="Squares to lay among the cards, or a sheet to lay cards on.")
    ] = Design.SQUARES,
) -> None:
    """Write the page of reference squares to print, cut out and lay among the cards, or the measuring sheet.

    Exit codes: 0 written, 2 wrong options, 5 the PDF cannot be written.
    """
    from cardmeasure.reference.drawing import reference_pdf
    from cardmeasure.reference.sheet_drawing import sheet_pdf
    from cardmeasure.reports.writing import check_file, write_beside

    check_file(out)
    draw = sheet_pdf if design is Design.SHEET else reference_pdf
    write_beside(out, draw(paper=paper.value, version=__version__))
    name = "A4" if paper is Paper.A4 else "Letter"
    say(
        f"{printable(str(out))}: print it on {name} at actual size (100 %), not fitted to the page.\n"
        + AFTERWARDS[design]
    )

"""`cardmeasure starter-list`: an explained sleeve list to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cardmeasure.cli.console import say
from cardmeasure.errors import UsageError
from cardmeasure.text import printable


def starter_list(
    out: Annotated[Path, typer.Argument(metavar="OUT.csv", help="The list to write.", show_default=False)],
) -> None:
    """Write a sleeve list with an explanation of each column and invented entries, to fill in with what shops sell.

    A file that is there already is left as it is.

    Exit codes: 0 written, 2 wrong options or the file is there already, 5 the list cannot be written.
    """
    from cardmeasure.cli.sleeve_options import check_out, write_out
    from cardmeasure.reports.starter_list import starter_list_text

    check_out(out, suffixes=(".csv",), option="OUT.csv")
    if out.exists():
        raise UsageError(f"{out} is there already; name a new file, so that no list of yours is lost.")
    write_out(out, starter_list_text())
    say(
        f"{printable(str(out))}: replace the invented entries by what your shops sell; the lines that begin with # "
        "tell how.\n"
    )

"""`cardmeasure page`: a page on one box for publishing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cardmeasure.cli import sleeve_options as options
from cardmeasure.cli.console import say
from cardmeasure.text import printable
from cardmeasure.thickness.usual import U_CARD_MM


def page(
    results: options.OneResultsFile,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="The page to write: .html or .md.", show_default=False)],
    decks: options.DecksFiles = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", metavar="PLAN.json", help="The sleeves chosen, as plan --out wrote them.")
    ] = None,
    box: Annotated[
        Path | None,
        typer.Option("--box", metavar="FILE", help="Name, edition, claims and more (.toml); see README."),
    ] = None,
    u_thickness: options.UThickness = U_CARD_MM,
    explain: options.Explain = False,
) -> None:
    """Write a page on one box for publishing: sizes, counts, sleeves needed, the box's claims, how sure all of it is.

    Exit codes: 0 written, 2 wrong options or a wrong file, 5 the page cannot be written.
    """
    options.check_out(out, suffixes=(".html", ".md"), option="OUT")
    cards = options.read_boxes([results], decks, u_thickness=u_thickness)
    from cardmeasure.reports.box_page import box_page
    from cardmeasure.reports.reading_json import read_results
    from cardmeasure.reports.reading_plan import matched, read_plan
    from cardmeasure.sleeving.box_info import BoxInfo, read_box_info

    shots = read_results(results)
    text = box_page(
        cards,
        shots,
        info=BoxInfo() if box is None else read_box_info(box),
        plan=None if plan is None else matched(cards, read_plan(plan), where=str(plan)),
        unmeasured=options.read_unmeasured([results], decks),
        is_markdown=out.suffix.lower() == ".md",
        explains=explain,
    )
    options.write_out(out, text)
    say(f"{printable(str(out))}: written.\n")

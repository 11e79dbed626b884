"""`cardmeasure storage`: how high the decks stand in their sleeves, and whether the box still closes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cardmeasure.cli import sleeve_options as options
from cardmeasure.cli.console import columns, say
from cardmeasure.thickness.usual import U_CARD_MM


def storage(
    results: options.OneResultsFile,
    wells: Annotated[
        Path | None, typer.Option("--wells", metavar="FILE", help="The wells of the box (.csv); see README.")
    ] = None,
    decks: options.DecksFiles = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", metavar="PLAN.json", help="The sleeves bought, as plan --out wrote them.")
    ] = None,
    film: Annotated[
        float | None,
        typer.Option("--film", metavar="UM", min=5, max=1000, help="One wall of sleeves that no plan names."),
    ] = None,
    u_thickness: options.UThickness = U_CARD_MM,
    out: options.OutFile = None,
    explain: options.Explain = False,
) -> None:
    """Say how high the decks stand bare and in sleeves, whether they go into the wells, and what to do otherwise.

    Exit codes: 0 done, 2 wrong options or a wrong file, 5 an output cannot be written.
    """
    options.check_out(out)
    cards = options.read_boxes([results], decks, u_thickness=u_thickness)
    from cardmeasure.reports.reading_plan import matched, read_plan
    from cardmeasure.reports.sleeving_csv import storage_csv
    from cardmeasure.reports.sleeving_records import document_text, storage_document
    from cardmeasure.reports.storage_table import storage_text
    from cardmeasure.sleeving.storing import store
    from cardmeasure.sleeving.wells import read_wells

    bought = {} if plan is None else matched(cards, read_plan(plan), where=str(plan))
    sleeves = {each: deck.fit.sleeve for each, deck in bought.items()}
    answer = store(cards, () if wells is None else read_wells(wells), sleeves=sleeves, film_um=film)
    unknown = options.read_unmeasured([results], decks)
    if out is not None:
        document = storage_document(answer, unmeasured=unknown)
        options.write_out(out, storage_csv(document) if out.suffix.lower() == ".csv" else document_text(document))
    say(storage_text(answer, width=columns(), explains=explain))
    options.say_unmeasured(unknown)

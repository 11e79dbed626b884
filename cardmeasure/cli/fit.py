"""`cardmeasure fit`: all sleeves of a list on the cards that were measured, side by side."""

from __future__ import annotations

from typing import Annotated

import typer

from cardmeasure.cli import sleeve_options as options
from cardmeasure.cli.console import columns, say
from cardmeasure.thickness.usual import U_CARD_MM


def fit(
    results: options.OneResultsFile,
    sleeve_list: options.SleeveListFile,
    decks: options.DecksFiles = None,
    humidity: options.HumidityRange = "45:65",
    limit: options.Limits = None,
    u_thickness: options.UThickness = U_CARD_MM,
    out: options.OutFile = None,
    shows_all: Annotated[bool, typer.Option("--all", help="Show sleeves of other sizes, too.")] = False,
    explain: options.Explain = False,
) -> None:
    """Say how the sleeves of a list fit the cards that were measured: will they go on, how much play, is the edge bare.

    Exit codes: 0 done, 2 wrong options or a wrong file, 5 an output cannot be written.
    """
    options.check_out(out)
    conditions = options.read_conditions(humidity, limit)
    cards = options.read_boxes([results], decks, u_thickness=u_thickness)
    from cardmeasure.reports.fit_table import explained, explained_cards, fit_notes, fit_text, worth_showing
    from cardmeasure.reports.sleeving_csv import fits_csv
    from cardmeasure.reports.sleeving_records import document_text, fits_document
    from cardmeasure.sleeving.sleeve_list import read_sleeve_list
    from cardmeasure.sleeving.weighing import ranked_fits

    sleeves = read_sleeve_list(sleeve_list)
    groups = [(each, ranked_fits(each, sleeves, conditions=conditions)) for each in cards]
    unknown = options.read_unmeasured([results], decks)
    if out is not None:
        document = fits_document(groups, conditions=conditions, unmeasured=unknown)
        options.write_out(out, fits_csv(document) if out.suffix.lower() == ".csv" else document_text(document))
    for each, fits in groups:
        say(fit_text(each, fits, conditions=conditions, width=columns(), shows_all=shows_all) + "\n")
        if explain:
            lines = explained_cards(fits[0], conditions=conditions, width=columns())
            lines += [x for f in worth_showing(fits) for x in explained(f, conditions=conditions, width=columns())]
            say("\n".join(["  In figures:", *lines]) + "\n\n")
    currencies = [offer.currency for listed in sleeves for offer in listed.offers]
    options.say_unmeasured(unknown)
    say(fit_notes(conditions, currencies=currencies, width=columns()))

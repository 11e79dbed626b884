"""`cardmeasure plan`: which packs to buy for one or several boxes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cardmeasure.cli import sleeve_options as options
from cardmeasure.cli.console import columns, say
from cardmeasure.errors import UsageError
from cardmeasure.thickness.usual import U_CARD_MM

if TYPE_CHECKING:
    from cardmeasure.sleeving.conditions import Conditions
    from cardmeasure.sleeving.plan import PlanAnswer


class Aim(StrEnum):
    """What the plan makes as small as it can."""

    CHEAPEST = "cheapest"
    BEST_FIT = "best-fit"
    FEWEST_SHOPS = "fewest-shops"
    LEAST_WASTE = "least-waste"


def plan(
    results: options.ResultsFiles,
    sleeve_list: options.SleeveListFile,
    decks: options.DecksFiles = None,
    shops: options.ShopsFile = None,
    spares: Annotated[str, typer.Option("--spares", metavar="P%", help="Share of spare sleeves.")] = "0%",
    accept: Annotated[
        str, typer.Option("--accept", metavar="VERDICT", help="The worst fit to buy: close, tight, loose, ...")
    ] = "loose",
    objective: Annotated[Aim, typer.Option("--objective", help="What counts first.")] = Aim.CHEAPEST,
    humidity: options.HumidityRange = "45:65",
    limit: options.Limits = None,
    u_thickness: options.UThickness = U_CARD_MM,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=0.1, max=3600, help="Time for the proof of the best plan.")
    ] = 4.0,
    out: options.OutFile = None,
    shopping: Annotated[
        Path | None, typer.Option("--shopping", metavar="FILE", help="Write a shopping list to print (.html).")
    ] = None,
    slip: Annotated[
        Path | None, typer.Option("--slip", metavar="FILE", help="Write outlines in true size to hold to packs (.pdf).")
    ] = None,
    explain: options.Explain = False,
) -> None:
    """Say which packs to buy for one or several boxes, from which shops, and what goes where.

    Exit codes: 0 done, 2 wrong options or a wrong file, 5 an output cannot be written.
    """
    for path, suffixes, option in (
        (out, (".json", ".csv"), "--out"),
        (shopping, (".html",), "--shopping"),
        (slip, (".pdf",), "--slip"),
    ):
        options.check_out(path, suffixes=suffixes, option=option)
    share = parse_spares(spares)
    from cardmeasure.sleeving.plan import Objective
    from cardmeasure.sleeving.planning import PlanSettings, plan_packs
    from cardmeasure.sleeving.sleeve_list import read_sleeve_list
    from cardmeasure.sleeving.verdict import parse_accept

    settings = PlanSettings(
        objective=Objective(objective.value), accept=parse_accept(accept), spares=share, seconds=seconds
    )
    conditions = options.read_conditions(humidity, limit)
    cards = options.read_boxes(results, decks, u_thickness=u_thickness)
    sleeves = read_sleeve_list(sleeve_list)
    sellers = options.read_shops_for(sleeve_list, shops)
    answer = plan_packs(cards, sleeves, shops=sellers, conditions=conditions, settings=settings)
    unknown = options.read_unmeasured(results, decks)
    if out is not None:
        is_csv = out.suffix.lower() == ".csv"
        options.write_out(out, _out_text(answer, conditions=conditions, unmeasured=unknown, is_csv=is_csv))
    _write_pages(answer, conditions=conditions, shopping=shopping, slip=slip)
    _say(answer, conditions=conditions, explains=explain)
    options.say_unmeasured(unknown)


def parse_spares(text: str) -> float:
    """`5%` or `0.05` as a share; raises UsageError for anything else, or more than 100 %."""
    found = re.fullmatch(r"\s*(\d{1,3}(?:[.,]\d{1,3})?)\s*(%?)\s*", text)
    share = float(found[1].replace(",", ".")) / (100 if found[2] else 1) if found else -1.0
    if not 0.0 <= share <= 1.0:
        raise UsageError(f"--spares is {text!r}; write a share such as 5%, from 0% to 100%.")
    return share


def _out_text(answer: PlanAnswer, *, conditions: Conditions, unmeasured: Sequence[str], is_csv: bool) -> str:
    from cardmeasure.reports.sleeving_csv import plan_csv
    from cardmeasure.reports.sleeving_records import document_text, plan_document

    document = plan_document(answer, conditions=conditions, unmeasured=unmeasured)
    return plan_csv(document) if is_csv else document_text(document)


def _write_pages(answer: PlanAnswer, *, conditions: Conditions, shopping: Path | None, slip: Path | None) -> None:
    from cardmeasure.reports.outline_slip import slip_pdf
    from cardmeasure.reports.shopping_list import shopping_html

    if shopping is not None:
        options.write_out(shopping, shopping_html(answer, conditions=conditions))
    if slip is not None:
        options.write_out(slip, slip_pdf(answer, conditions=conditions))


def _say(answer: PlanAnswer, *, conditions: Conditions, explains: bool) -> None:
    from cardmeasure.reports.fit_table import explained, explained_cards
    from cardmeasure.reports.plan_table import plan_text

    say(plan_text(answer, conditions=conditions, width=columns()))
    if explains and answer.plan is not None:
        fits = [assignment.fit for assignment in answer.plan.assignments]
        how = (explained_cards, explained)
        lines = [x for fit in fits for tell in how for x in tell(fit, conditions=conditions, width=columns())]
        say("\n".join(["", "In figures:", *lines]) + "\n")

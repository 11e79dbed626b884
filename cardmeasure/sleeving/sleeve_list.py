"""The sleeve list: what each column means, and reading it into sleeves with their offers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.cells import CellError, amount, choice, currency, day, number, size_mm, text, whole
from cardmeasure.sleeving.csv_table import Column, Row, read_table
from cardmeasure.sleeving.sleeve import ListedSleeve, Mark, Offer, Opening, Quoted, Sleeve, Trial, TrialResult

MANY = 1_000_000
_SIDE = number(5.0, 1000.0, unit="mm")


def _stock(cell: str) -> int | None:
    """Packs in stock; None for "yes": no known limit."""
    word = cell.lower()
    if word in ("yes", "no"):
        return None if word == "yes" else 0
    try:
        return int(str(whole(0, MANY)(cell)))
    except CellError:
        raise CellError(f"{cell!r} is not known here; write yes, no, or the number of packs") from None


COLUMNS: tuple[Column, ...] = (
    Column(name="maker", read=text, is_needed=True, meaning="who makes it"),
    Column(name="product", read=text, is_needed=True, meaning="what the pack calls it"),
    Column(name="size_name", read=text, meaning="name of the size on the pack"),
    Column(name="width_mm", read=_SIDE, is_needed=True, meaning="width on the pack"),
    Column(name="height_mm", read=_SIDE, is_needed=True, meaning="height on the pack"),
    Column(
        name="quoted",
        read=choice({word.value: word for word in Quoted}),
        meaning="what that size means: card (fits this card), inside, or outside (with seams); empty: not known",
    ),
    Column(
        name="tolerance_mm",
        read=number(0.0, 5.0, unit="mm"),
        meaning="the maker's limits: 0.3 means within 0.3 mm either way; empty: 0.5",
    ),
    Column(
        name="opening",
        read=choice({word.value: word for word in Opening}),
        meaning="side at which the card goes in: short or long; empty: short",
    ),
    Column(
        name="film_um", read=number(5.0, 1000.0, unit="micrometres"), meaning="thickness of one wall in micrometres"
    ),
    Column(name="material", read=text, meaning="for example PP"),
    Column(name="finish", read=text, meaning="for example clear, matt, or the colour of the back"),
    Column(
        name="mark",
        read=choice({word.value: word for word in Mark}),
        meaning="where the maker's mark is: none, front or back",
    ),
    Column(name="packaging", read=text, meaning="for example bag or box"),
    Column(name="pack_count", read=whole(1, 100_000), meaning="sleeves in a pack"),
    Column(name="price", read=amount, meaning="price of a pack"),
    Column(name="currency", read=currency, meaning="its three letters, for example EUR"),
    Column(name="shop", read=text, meaning="who sells it"),
    Column(name="in_stock", read=_stock, meaning="yes, no, or the number of packs"),
    Column(name="date", read=day, meaning="when you looked: year-month-day"),
    Column(name="at_home", read=whole(0, MANY), meaning="how many of these sleeves you have already"),
    Column(
        name="trial",
        read=choice({word.value: word for word in TrialResult}),
        meaning="your own trial: went on, went on tight, went on loose, or does not go on",
    ),
    Column(
        name="trial_card",
        read=size_mm,
        meaning="the card you tried it with, for example 63 x 88; empty: the size on the pack",
    ),
    Column(name="notes", read=text, meaning="anything else"),
)


def read_sleeve_list(path: Path) -> tuple[ListedSleeve, ...]:
    """The sleeves of a list in its order; lines that describe the same sleeve are offers of one sleeve.

    Raises UsageError for the first mistake, with line and column.
    """
    rows = read_table(path, COLUMNS, what="sleeve list")
    by_sleeve: dict[Sleeve, list[Row]] = defaultdict(list)
    for row in rows:
        by_sleeve[_sleeve(row.values)].append(row)
    return tuple(_listed(sleeve, rows) for sleeve, rows in by_sleeve.items())


def _sleeve(values: Mapping[str, Any]) -> Sleeve:
    width, height = sorted((values["width_mm"], values["height_mm"]))
    names = ("quoted", "size_name", "tolerance_mm", "opening", "film_um", "material", "finish", "mark", "packaging")
    return Sleeve(
        maker=values["maker"],
        product=values["product"],
        width_mm=width,
        height_mm=height,
        **{name: values.get(name) for name in names},
    )


def _listed(sleeve: Sleeve, rows: list[Row]) -> ListedSleeve:
    trials = [
        Trial(result=row.values["trial"], card_mm=row.values.get("trial_card"))  # type: ignore[arg-type]
        for row in rows
        if "trial" in row.values
    ]
    for row in rows:
        if "trial_card" in row.values and "trial" not in row.values:
            raise UsageError(f"{row.where} (trial): the cell is empty beside trial_card; write what came of the trial.")
    return ListedSleeve(
        sleeve=sleeve,
        offers=tuple(_offer(row) for row in rows if {"shop", "price", "pack_count"} & row.values.keys()),
        at_home=sum(int(str(row.values.get("at_home", 0))) for row in rows),
        trials=tuple(dict.fromkeys(trials)),
    )


def _offer(row: Row) -> Offer:
    values: Mapping[str, Any] = row.values
    return Offer(
        shop=values.get("shop", "(no shop named)"),
        pack_count=values.get("pack_count"),
        price=values.get("price"),
        currency=values.get("currency", ""),
        stock_packs=values.get("in_stock"),
        line=row.line,
        seen=values.get("date"),
        notes=values.get("notes"),
    )

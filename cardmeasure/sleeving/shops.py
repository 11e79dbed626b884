"""What shops charge for sending: a small list of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.cells import amount, currency, text
from cardmeasure.sleeving.csv_table import Column, read_table

COLUMNS: tuple[Column, ...] = (
    Column(name="shop", read=text, is_needed=True, meaning="the name as the sleeve list writes it"),
    Column(name="shipping", read=amount, is_needed=True, meaning="what sending one order costs"),
    Column(name="free_above", read=amount, meaning="goods for at least so much are sent free; empty: never"),
    Column(name="currency", read=currency, meaning="its three letters"),
    Column(name="notes", read=text, meaning="anything else"),
)


@dataclass(frozen=True, kw_only=True)
class Shop:
    """A shop: what sending an order costs, and from what value of goods on it is free (None: never)."""

    name: str
    shipping: Decimal = Decimal(0)
    free_above: Decimal | None = None
    currency: str = ""


def read_shops(path: Path) -> tuple[Shop, ...]:
    """The shops of a list; raises UsageError for the first mistake, with line and column."""
    shops: dict[str, Shop] = {}
    for row in read_table(path, COLUMNS, what="list of shops"):
        values: Mapping[str, Any] = row.values
        if values["shop"] in shops:
            raise UsageError(f"{row.where} (shop): {values['shop']!r} stands there twice; keep one line.")
        shops[values["shop"]] = Shop(
            name=values["shop"],
            shipping=values["shipping"],
            free_above=values.get("free_above"),
            currency=values.get("currency", ""),
        )
    return tuple(shops.values())

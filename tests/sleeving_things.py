"""Cards, sleeves and offers made by hand, for the tests of fit, plan and storage."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.sleeve import ListedSleeve, Offer, Quoted, Sleeve, Trial


def cards(deck: str = "Events", *, width: float = 63.0, height: float = 88.0, count: int = 60, **more: Any) -> CardSet:
    """A set of cards with a small scatter and u."""
    known = {
        "box": "box", "size_class": "poker", "u_width_mm": 0.05, "u_height_mm": 0.05, "scatter_width_mm": 0.08,
        "scatter_height_mm": 0.08, "thickness_mm": 0.3, "u_thickness_mm": 0.02,
    }  # fmt: skip
    return CardSet(deck=deck, width_mm=width, height_mm=height, count=count, **{**known, **more})


def sleeve(product: str = "One", *, width: float = 63.5, height: float = 88.0, **more: Any) -> Sleeve:
    """A sleeve that says for which card it is, unless told otherwise."""
    return Sleeve(maker="Maker", product=product, width_mm=width, height_mm=height, **{"quoted": Quoted.CARD, **more})


def offer(
    count: int = 100, price: str = "2.50", *, shop: str = "Shop", line: int = 2, stock: int | None = None
) -> Offer:
    """A pack."""
    return Offer(shop=shop, pack_count=count, price=Decimal(price), currency="EUR", stock_packs=stock, line=line)


def listed(what: Sleeve, *offers: Offer, at_home: int = 0, trials: tuple[Trial, ...] = ()) -> ListedSleeve:
    """A sleeve with its offers."""
    return ListedSleeve(sleeve=what, offers=offers, at_home=at_home, trials=trials)

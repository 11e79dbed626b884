"""Records of what shops sell: a sleeve as a thing, and the packs in which shops offer it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum


class Quoted(StrEnum):
    """What the size on the pack means."""

    CARD = "card"
    """The card that fits."""
    INSIDE = "inside"
    """The flat sleeve between its seams."""
    OUTSIDE = "outside"
    """The flat sleeve over its seams."""


class Opening(StrEnum):
    """The side at which the card goes in."""

    SHORT = "short"
    LONG = "long"


class Mark(StrEnum):
    """Where the maker's mark is."""

    NONE = "none"
    FRONT = "front"
    BACK = "back"


class TrialResult(StrEnum):
    """What came of the user's own trial."""

    WENT_ON = "went on"
    TIGHT = "went on tight"
    LOOSE = "went on loose"
    NOT = "does not go on"


@dataclass(frozen=True, kw_only=True)
class Trial:
    """The user's own trial; `card_mm`: width and height of the card tried, None where the list does not say."""

    result: TrialResult
    card_mm: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class Sleeve:
    """One kind of sleeve: all packs of it hold the same thing, and a deck in it shows one kind of back.

    Parameters
    ----------
    maker, product : what the pack says.
    width_mm, height_mm : the size quoted, width <= height.
    quoted : what that size means; None where the list does not say.
    size_name : the name of the size on the pack.
    tolerance_mm : limits of a side about its nominal value, the same way as in "± 0.5 mm"; None: the usual ones.
    opening : the side at which the card goes in; None: not said, taken as the short one.
    film_um : thickness of one wall, micrometres.
    material, finish, mark, packaging : what the list says.
    """

    maker: str
    product: str
    width_mm: float
    height_mm: float
    quoted: Quoted | None = None
    size_name: str | None = None
    tolerance_mm: float | None = None
    opening: Opening | None = None
    film_um: float | None = None
    material: str | None = None
    finish: str | None = None
    mark: Mark | None = None
    packaging: str | None = None

    @property
    def name(self) -> str:
        """Maker and product."""
        return f"{self.maker} {self.product}"

    @property
    def size(self) -> str:
        """The size quoted, as `63.5 x 88`."""
        return f"{self.width_mm:g} x {self.height_mm:g}"


@dataclass(frozen=True, kw_only=True)
class Offer:
    """A pack of a sleeve in a shop.

    `price` is exact, None where unknown; `stock_packs` is None where there is no known limit. `line` is that of the
    list, and `notes` and `seen` are what it says.
    """

    shop: str
    pack_count: int | None
    price: Decimal | None
    currency: str
    stock_packs: int | None = None
    line: int = 0
    seen: date | None = None
    notes: str | None = None

    @property
    def price_per_100(self) -> Decimal | None:
        """Price of a hundred sleeves, not rounded."""
        if self.price is None or self.pack_count is None:
            return None
        return self.price * 100 / self.pack_count


@dataclass(frozen=True, kw_only=True)
class ListedSleeve:
    """A sleeve with all its offers in the list's order, how many of it are at home already, and the user's trials."""

    sleeve: Sleeve
    offers: tuple[Offer, ...]
    at_home: int = 0
    trials: tuple[Trial, ...] = ()

    @property
    def cheapest(self) -> Offer | None:
        """The offer with the lowest price a sleeve that is in stock."""
        priced = [
            (per_100, offer.line, offer)
            for offer in self.offers
            if (per_100 := offer.price_per_100) is not None and offer.stock_packs != 0
        ]
        return min(priced, key=lambda entry: entry[:2])[2] if priced else None

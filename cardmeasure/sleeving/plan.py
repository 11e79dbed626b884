"""The records of a pack plan: what is asked, what to buy, what goes where, what it costs, what is left over."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from functools import cached_property

from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.fit import Fit
from cardmeasure.sleeving.shops import Shop
from cardmeasure.sleeving.sleeve import ListedSleeve, Offer, Sleeve


class Objective(StrEnum):
    """What a plan makes as small as it can."""

    CHEAPEST = "cheapest"
    BEST_FIT = "best-fit"
    FEWEST_SHOPS = "fewest-shops"
    LEAST_WASTE = "least-waste"


@dataclass(frozen=True, kw_only=True)
class Need:
    """Cards that need `sleeves` sleeves of one product, and the fits that are accepted for them, the best first."""

    cards: CardSet
    sleeves: int
    fits: tuple[Fit, ...]

    def fit_with(self, listed: ListedSleeve) -> Fit | None:
        """The accepted fit of a sleeve, None where it is not accepted."""
        return self._by_sleeve.get(listed.sleeve)

    @cached_property
    def _by_sleeve(self) -> dict[Sleeve, Fit]:
        return {fit.sleeve: fit for fit in self.fits}


@dataclass(frozen=True, kw_only=True)
class Purchase:
    """So many packs of one offer."""

    listed: ListedSleeve
    offer: Offer
    packs: int

    @property
    def sleeves(self) -> int:
        """Sleeves in these packs."""
        return self.packs * (self.offer.pack_count or 0)

    @property
    def cost(self) -> Decimal:
        """Their price, exact."""
        return self.packs * (self.offer.price or Decimal(0))


@dataclass(frozen=True, kw_only=True)
class Assignment:
    """A need and the fit of the product that it gets."""

    need: Need
    fit: Fit


@dataclass(frozen=True, kw_only=True)
class PackPlan:
    """A plan: every assignment is covered by purchases and by what is at home.

    `gap`: by what share of the objective the least possible may be lower; 0 where the optimum is proven.
    """

    objective: Objective
    assignments: tuple[Assignment, ...]
    purchases: tuple[Purchase, ...]
    shops: tuple[Shop, ...]
    currency: str
    is_proven: bool
    gap: float

    @property
    def goods(self) -> Decimal:
        """What all packs cost."""
        return sum((purchase.cost for purchase in self.purchases), Decimal(0))

    def goods_of(self, shop: str) -> Decimal:
        """What all packs from one shop cost."""
        return sum((p.cost for p in self.purchases if p.offer.shop == shop), Decimal(0))

    def shipping_of(self, shop: Shop) -> Decimal:
        """What sending costs: nothing where nothing is bought, or where the goods reach the shop's threshold."""
        if not any(p.offer.shop == shop.name for p in self.purchases):
            return Decimal(0)
        is_free = shop.free_above is not None and self.goods_of(shop.name) >= shop.free_above
        return Decimal(0) if is_free else shop.shipping

    @property
    def shipping(self) -> Decimal:
        """What sending costs in all."""
        return sum((self.shipping_of(shop) for shop in self.shops), Decimal(0))

    @property
    def cost(self) -> Decimal:
        """All of it."""
        return self.goods + self.shipping

    @property
    def shops_used(self) -> tuple[str, ...]:
        """Shops that something is bought from, in the order of the purchases."""
        return tuple(dict.fromkeys(purchase.offer.shop for purchase in self.purchases))

    @property
    def spare_sleeves(self) -> tuple[tuple[ListedSleeve, int], ...]:
        """What is left over of each product that is used: bought and at home, less what the decks' cards take."""
        there: dict[ListedSleeve, int] = defaultdict(int)
        for purchase in self.purchases:
            there[purchase.listed] += purchase.sleeves
        for assignment in self.assignments:
            there.setdefault(assignment.fit.listed, 0)
        for listed in there:
            there[listed] += listed.at_home
        for assignment in self.assignments:
            there[assignment.fit.listed] -= assignment.need.cards.total
        return tuple((listed, count) for listed, count in there.items() if count)


@dataclass(frozen=True, kw_only=True)
class Uncovered:
    """Cards that get no sleeve, why, the nearest product (None where the list is of no use), and its fit."""

    cards: CardSet
    why: str
    nearest: Fit | None = None


@dataclass(frozen=True, kw_only=True)
class Alternative:
    """Another plan: what is different about it. Its cost stands in it."""

    what: str
    plan: PackPlan


@dataclass(frozen=True, kw_only=True)
class PlanAnswer:
    """What the planner answers: the plan (None where there is nothing to buy sleeves for), and all beside it."""

    plan: PackPlan | None
    uncovered: tuple[Uncovered, ...]
    left_alone: tuple[Uncovered, ...]
    alternatives: tuple[Alternative, ...]
    remarks: tuple[str, ...]
    spares: float
    products: int
    products_kept: int

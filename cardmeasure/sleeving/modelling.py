"""The pack plan as an integer programme, and back.

Variables: x[need, sleeve] = 1 where the need gets that sleeve; y[offer] packs bought; z[shop] = 1 where something is
bought there; f[shop] = 1 where that is sent free. Every need gets one sleeve; packs and what is at home cover all needs
of a sleeve; a free delivery needs its threshold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from cardmeasure.sleeving.fit import Fit
from cardmeasure.sleeving.market import Market
from cardmeasure.sleeving.money import in_cents
from cardmeasure.sleeving.plan import Assignment, Need, Objective, PackPlan, Purchase
from cardmeasure.sleeving.programme import Programme, Solution, Terms
from cardmeasure.sleeving.shops import Shop
from cardmeasure.sleeving.sleeve import ListedSleeve, Offer
from cardmeasure.sleeving.weighing import misfit_units


@dataclass(frozen=True, kw_only=True)
class PlanModel:
    """A programme with the meaning of its variables, and its four objectives as terms."""

    programme: Programme
    needs: tuple[Need, ...]
    market: Market
    uses: dict[tuple[int, int], int]
    """Variable of (need, sleeve)."""
    packs: dict[tuple[int, int], int]
    """Variable of (sleeve, offer)."""
    shops: dict[str, tuple[int, int | None]]
    """Variables of a shop: used, and sent free."""
    left: dict[int, int]
    """Variable of a need: 1 where it goes without; none where all needs must be met."""

    def terms(self, objective: Objective) -> Terms:
        """What an objective adds up."""
        if objective is Objective.CHEAPEST:
            return self._cost()
        if objective is Objective.BEST_FIT:
            return {v: self._misfit(n, s) for (n, s), v in self.uses.items()}
        if objective is Objective.FEWEST_SHOPS:
            return {used: 1 for used, _ in self.shops.values()}
        return {v: self._offer(key).pack_count or 0 for key, v in self.packs.items()}

    def order(self, objective: Objective) -> list[Terms]:
        """The objective, then the cost, then the fit: what decides between plans that are equal in it."""
        rest = [o for o in (Objective.CHEAPEST, Objective.BEST_FIT) if o is not objective]
        return [self.terms(o) for o in (objective, *rest)]

    def plan(self, solution: Solution, *, objective: Objective) -> PackPlan:
        """The plan that a solution stands for."""
        values = solution.values
        return PackPlan(
            objective=objective,
            assignments=tuple(
                Assignment(need=self.needs[n], fit=_fit(self.needs[n], self.market.sleeves[s]))
                for (n, s), v in self.uses.items()
                if values[v]
            ),
            purchases=tuple(
                Purchase(listed=self.market.sleeves[s], offer=self._offer((s, o)), packs=values[v])
                for (s, o), v in self.packs.items()
                if values[v]
            ),
            shops=tuple(self.market.shops.values()),
            currency=self.market.currency,
            is_proven=solution.is_proven,
            gap=solution.gap,
        )

    def _misfit(self, need: int, sleeve: int) -> int:
        return misfit_units(_fit(self.needs[need], self.market.sleeves[sleeve]))

    def _offer(self, key: tuple[int, int]) -> Offer:
        sleeve, offer = key
        return self.market.sleeves[sleeve].offers[offer]

    def _cost(self) -> Terms:
        cost = {v: in_cents(self._offer(key).price or Decimal(0)) for key, v in self.packs.items()}
        for name, (used, free) in self.shops.items():
            shipping = in_cents(self.market.shops[name].shipping)
            cost[used] = shipping
            if free is not None:
                cost[free] = -shipping
        return cost


def model_of(needs: Sequence[Need], market: Market, *, may_leave: bool = False) -> PlanModel:
    """The programme of needs that have an accepted fit on the market each; `may_leave`: not all must be met."""
    programme = Programme()
    uses = {
        (n, s): programme.variable()
        for n, need in enumerate(needs)
        for s, listed in enumerate(market.sleeves)
        if need.fit_with(listed) is not None and _can_cover(listed, need.sleeves)
    }
    left = {n: programme.variable() for n in range(len(needs))} if may_leave else {}
    for n in range(len(needs)):
        out = {left[n]: 1} if may_leave else {}
        programme.bound({**{v: 1 for (need, _), v in uses.items() if need == n}, **out}, low=1, high=1)
    packs: dict[tuple[int, int], int] = {}
    for s, listed in enumerate(market.sleeves):
        wanted = {v: needs[n].sleeves for (n, sleeve), v in uses.items() if sleeve == s}
        if wanted:
            packs.update(_cover(programme, s, listed, wanted=wanted, market=market))
    shops = {name: _shop(programme, shop, packs=packs, market=market) for name, shop in market.shops.items()}
    return PlanModel(
        programme=programme, needs=tuple(needs), market=market, uses=uses, packs=packs, left=left,
        shops={name: variables for name, variables in shops.items() if variables is not None},
    )  # fmt: skip


def _can_cover(listed: ListedSleeve, sleeves: int) -> bool:
    """Whether stock and home hold enough for one need."""
    stocks = [(offer.stock_packs, offer.pack_count or 0) for offer in listed.offers]
    if any(packs is None for packs, _ in stocks):
        return True
    return listed.at_home + sum((packs or 0) * count for packs, count in stocks) >= sleeves


def _cover(
    programme: Programme, s: int, listed: ListedSleeve, *, wanted: dict[int, int], market: Market
) -> dict[tuple[int, int], int]:
    """Packs of a sleeve, and the constraint that they cover what is wanted of it beyond what is at home."""
    total = sum(wanted.values())
    packs = {
        (s, o): programme.variable(_most_packs(offer, wanted=total, shop=market.shops[offer.shop]))
        for o, offer in enumerate(listed.offers)
    }
    bought = {v: listed.offers[o].pack_count or 0 for (_, o), v in packs.items()}
    programme.bound({**bought, **{v: -count for v, count in wanted.items()}}, low=-listed.at_home)
    return packs


def _most_packs(offer: Offer, *, wanted: int, shop: Shop) -> int:
    """No plan gains by more packs: those that cover all, and those that cost less than the sending they make free."""
    price = offer.price or Decimal(0)
    most = math.ceil(wanted / (offer.pack_count or 1))
    if shop.free_above is not None and price > 0:
        most += int(shop.shipping / price)
    return most if offer.stock_packs is None else min(most, offer.stock_packs)


def _shop(
    programme: Programme, shop: Shop, *, packs: dict[tuple[int, int], int], market: Market
) -> tuple[int, int | None] | None:
    """Whether a shop is used, and whether it sends free; None for a shop that nothing can be bought from."""
    offers = {v: market.sleeves[s].offers[o] for (s, o), v in packs.items()}
    here = {v: offer for v, offer in offers.items() if offer.shop == shop.name}
    if not here:
        return None
    used = programme.variable()
    for v in here:
        programme.bound({v: 1, used: -programme.upper[v]}, high=0)
    if shop.free_above is None or shop.shipping == 0:
        return used, None
    free = programme.variable()
    programme.bound({free: 1, used: -1}, high=0)
    goods = {v: in_cents(offer.price or Decimal(0)) for v, offer in here.items()}
    programme.bound({**goods, free: -in_cents(shop.free_above)}, low=0)
    return used, free


def _fit(need: Need, listed: ListedSleeve) -> Fit:
    fit = need.fit_with(listed)
    assert fit is not None
    return fit

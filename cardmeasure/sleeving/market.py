"""What can be bought: offers that are in stock, in one currency, with their shops; and without dominated ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from cardmeasure.sleeving.money import single_currency
from cardmeasure.sleeving.plan import Need
from cardmeasure.sleeving.shops import Shop
from cardmeasure.sleeving.sleeve import ListedSleeve, Offer
from cardmeasure.sleeving.weighing import misfit_units


@dataclass(frozen=True, kw_only=True)
class Market:
    """Sleeves with those of their offers that can be bought, the shops by name, and the currency."""

    sleeves: tuple[ListedSleeve, ...]
    shops: dict[str, Shop]
    currency: str


def market_of(sleeves: Sequence[ListedSleeve], shops: Sequence[Shop]) -> Market:
    """The market of a sleeve list; a shop that is not described sends free.

    Raises UsageError where prices, or what shops charge for sending, are in several currencies.
    """
    kept = tuple(replace(s, offers=tuple(offer for offer in s.offers if _is_for_sale(offer))) for s in sleeves)
    names = {offer.shop for listed in kept for offer in listed.offers}
    of_offers = [(o.currency, f"sleeve list, line {o.line}") for s in kept for o in s.offers]
    of_shops = [
        (shop.currency, f"list of shops, {shop.name}") for shop in shops if shop.name in names and shop.currency
    ]
    currency = single_currency([*of_offers, *of_shops])
    described = {shop.name: shop for shop in shops}
    return Market(
        sleeves=kept, shops={name: described.get(name, Shop(name=name)) for name in sorted(names)}, currency=currency
    )


def without_dominated(needs: Sequence[Need], market: Market, *, same_count: bool = False) -> Market:
    """The market without what no plan is the worse for.

    A pack is dominated by another one that can take its place in every plan: same shop, at least as many sleeves, at
    most the price, no limit of stock. Where the shop sends free above a threshold the price must be the same, since
    cheaper goods could miss it. A pack goes if one of the same sleeve dominates it; a sleeve goes with all its packs if
    there is another sleeve that fits every need at least as well and dominates each of them (one pack alone would not
    do: a deck's packs must all hold the same sleeve), unless some of it are at home.

    Parameters
    ----------
    same_count : whether the packs must hold the same number: for plans that count what is left over.
    """
    uses = [_uses(needs, listed) for listed in market.sleeves]
    thinned = [
        replace(listed, offers=_thinned(listed.offers, market=market, same_count=same_count))
        for listed, use in zip(market.sleeves, uses, strict=True)
        if use and (listed.offers or listed.at_home)
    ]
    kept_uses = [
        use for listed, use in zip(market.sleeves, uses, strict=True) if use and (listed.offers or listed.at_home)
    ]
    removed: set[int] = set()
    for i, mine in enumerate(thinned):
        for j, theirs in enumerate(thinned):
            if j == i or j in removed or mine.at_home or not _covers(kept_uses[j], kept_uses[i]):
                continue
            if all(_has_better(theirs.offers, o, market=market, same_count=same_count) for o in mine.offers):
                removed.add(i)
                break
    kept = tuple(listed for i, listed in enumerate(thinned) if i not in removed)
    return Market(sleeves=kept, shops=market.shops, currency=market.currency)


def _is_for_sale(offer: Offer) -> bool:
    return offer.price is not None and offer.pack_count is not None and offer.stock_packs != 0


def _uses(needs: Sequence[Need], listed: ListedSleeve) -> dict[int, int]:
    """The needs that a sleeve is accepted for, each with how badly it fits."""
    fits = ((i, need.fit_with(listed)) for i, need in enumerate(needs))
    return {i: misfit_units(fit) for i, fit in fits if fit is not None}


def _covers(theirs: dict[int, int], mine: dict[int, int]) -> bool:
    return len(theirs) >= len(mine) and all(i in theirs and theirs[i] <= misfit for i, misfit in mine.items())


def _thinned(offers: Sequence[Offer], *, market: Market, same_count: bool) -> tuple[Offer, ...]:
    """The packs of one sleeve that none of its others dominates; of equal ones the first."""
    kept = list(offers)
    for offer in reversed(offers):
        others = [other for other in kept if other is not offer]
        if _has_better(others, offer, market=market, same_count=same_count):
            kept = others
    return tuple(kept)


def _has_better(offers: Sequence[Offer], mine: Offer, *, market: Market, same_count: bool) -> bool:
    return any(_dominates(o, mine, shop=market.shops[mine.shop], same_count=same_count) for o in offers)


def _dominates(theirs: Offer, mine: Offer, *, shop: Shop, same_count: bool) -> bool:
    if theirs.shop != mine.shop or theirs.stock_packs is not None:
        return False
    price, other = mine.price or Decimal(0), theirs.price or Decimal(0)
    count, more = mine.pack_count or 0, theirs.pack_count or 0
    is_price_right = other == price if shop.free_above is not None else other <= price
    return is_price_right and (more == count if same_count else more >= count)

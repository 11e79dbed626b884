"""A plan made need by need, each time with what is cheapest then: never better than the optimum, and always quick."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from cardmeasure.sleeving.market import Market
from cardmeasure.sleeving.plan import Assignment, Need, Objective, PackPlan, Purchase
from cardmeasure.sleeving.sleeve import ListedSleeve


def greedy_plan(needs: Sequence[Need], market: Market, *, objective: Objective = Objective.CHEAPEST) -> PackPlan | None:
    """A plan without looking ahead, or None where stock runs out on the way; it claims no optimum (gap 1)."""
    plan = PackPlan(
        objective=objective,
        assignments=(),
        purchases=(),
        shops=tuple(market.shops.values()),
        currency=market.currency,
        is_proven=False,
        gap=1.0,
    )
    free: dict[ListedSleeve, int] = {listed: listed.at_home for listed in market.sleeves}
    packs: dict[tuple[ListedSleeve, int], int] = defaultdict(int)
    for need in needs:
        trials = [trial for listed in market.sleeves for trial in _extended(plan, need, listed, free=free, packs=packs)]
        if not trials:
            return None
        plan, listed, packs, left = min(trials, key=lambda trial: trial[0].cost)
        free[listed] = left
    return plan


Packs = dict[tuple[ListedSleeve, int], int]


def _extended(
    plan: PackPlan, need: Need, listed: ListedSleeve, *, free: dict[ListedSleeve, int], packs: Packs
) -> list[tuple[PackPlan, ListedSleeve, Packs, int]]:
    """The plan with one more need met by one sleeve, once for each of its offers that can do it alone."""
    fit = need.fit_with(listed)
    if fit is None:
        return []
    lacking = need.sleeves - free[listed]
    choices = (
        [(o, -(-lacking // (offer.pack_count or 1))) for o, offer in enumerate(listed.offers)]
        if lacking > 0
        else [(0, 0)]
    )
    trials = []
    for o, more in choices:
        grown = packs | ({(listed, o): packs.get((listed, o), 0) + more} if more else {})
        if more:
            stock = listed.offers[o].stock_packs
            if stock is not None and grown[listed, o] > stock:
                continue
        extended = replace(
            plan,
            assignments=(*plan.assignments, Assignment(need=need, fit=fit)),
            purchases=tuple(Purchase(listed=s, offer=s.offers[k], packs=n) for (s, k), n in grown.items()),
        )
        held = free[listed] + (more * (listed.offers[o].pack_count or 0) if more else 0)
        trials.append((extended, listed, grown, held - need.sleeves))
    return trials

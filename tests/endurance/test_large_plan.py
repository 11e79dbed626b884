"""A plan for 40 decks, 500 products, 5 shops: every deck covered exactly, and the gap stated where not proven."""

from __future__ import annotations

import random
from collections import Counter
from decimal import Decimal

from calibration.plan_benchmark import cards, product
from cardmeasure.sleeving import Shop, plan_packs


def test_a_large_plan_covers_every_deck_and_states_its_gap() -> None:
    rng = random.Random(1)
    sets, sleeves = [cards(i, rng) for i in range(40)], [product(i, rng) for i in range(500)]
    shops = [Shop(name=f"shop {i}", shipping=Decimal("3.90"), free_above=Decimal(40)) for i in range(5)]
    answer = plan_packs(sets, sleeves, shops=shops)
    plan = answer.plan
    assert plan is not None
    assert len(plan.assignments) + len(answer.uncovered) == 40
    there = Counter({p.listed.sleeve: 0 for p in plan.purchases})
    for purchase in plan.purchases:
        there[purchase.listed.sleeve] += purchase.sleeves
    for assignment in plan.assignments:
        there[assignment.fit.sleeve] -= assignment.need.sleeves
    assert min(there.values()) >= 0
    assert plan.is_proven == (plan.gap == 0.0)
    assert 0.0 <= plan.gap <= 1.0

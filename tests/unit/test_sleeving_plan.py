"""The pack plan: brute force, bounds, exact money, stock, shipping, what is left without."""

from __future__ import annotations

import random
from collections.abc import Sequence
from decimal import Decimal
from itertools import product
from typing import Any

import numpy as np
import pytest

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.greedy import greedy_plan
from cardmeasure.sleeving.market import market_of, without_dominated
from cardmeasure.sleeving.modelling import model_of
from cardmeasure.sleeving.plan import Need, Objective, PackPlan, PlanAnswer
from cardmeasure.sleeving.planning import PlanSettings, plan_packs
from cardmeasure.sleeving.programme import Programme, relaxed_bound, solve
from cardmeasure.sleeving.shops import Shop
from cardmeasure.sleeving.sleeve import ListedSleeve, Quoted
from cardmeasure.sleeving.verdict import Verdict
from cardmeasure.sleeving.weighing import ranked_fits
from tests.sleeving_things import cards, listed, offer, sleeve

QUICK = {"alternatives": False}


def plan_for(
    sets: Sequence[Any], sleeves: Sequence[ListedSleeve], *, shops: Sequence[Shop] = (), **settings: Any
) -> PlanAnswer:
    return plan_packs(sets, sleeves, shops=shops, settings=PlanSettings(**{**QUICK, **settings}))


def best(answer: PlanAnswer) -> PackPlan:
    assert answer.plan is not None
    return answer.plan


def instance(seed: int) -> tuple[list[Need], list[ListedSleeve], list[Shop]]:
    """A small random problem: up to three decks, four sleeves, three packs each, two shops."""
    rng = random.Random(seed)
    sleeves = [
        listed(
            sleeve(f"p{i}", width=64.4 + 0.4 * i, height=90.0, quoted=Quoted.INSIDE),
            *(
                offer(
                    rng.choice([4, 5, 7, 9]),
                    f"{rng.randint(1, 9)}.{rng.choice(['00', '50', '35'])}",
                    shop=rng.choice("AB"),
                    line=10 * i + k,
                    stock=rng.choice([None, None, None, 1, 2]),
                )
                for k in range(rng.randint(1, 2))
            ),
            at_home=rng.choice([0, 0, 0, 2]),
        )
        for i in range(rng.randint(1, 3))
    ]
    shops = [
        Shop(
            name=name,
            shipping=Decimal(rng.choice(["0", "1.50", "3.20"])),
            free_above=rng.choice([None, Decimal("6.00")]),
        )
        for name in "AB"
    ]
    needs = []
    for d in range(rng.randint(1, 3)):
        each = cards(f"d{d}", count=rng.randint(1, 5))
        fits = ranked_fits(each, rng.sample(sleeves, rng.randint(1, len(sleeves))), conditions=Conditions())
        needs.append(Need(cards=each, sleeves=each.count, fits=fits))
    return needs, sleeves, shops


def brute_force(needs: list[Need], sleeves: list[ListedSleeve], shops: list[Shop]) -> Decimal | None:
    """The least cost over all numbers of packs that could ever pay and all assignments; None: impossible."""
    total = sum(need.sleeves for need in needs)
    offers = [(s, o) for s in range(len(sleeves)) for o in sleeves[s].offers]
    # three fillers at most: the cheapest pack costs 1.00, sending 3.20
    most = [
        min(99 if o.stock_packs is None else o.stock_packs, -(-total // (o.pack_count or 1)) + 3) for _, o in offers
    ]
    packs = np.indices([m + 1 for m in most]).reshape(len(offers), -1)
    there = [
        sleeves[s].at_home + sum(packs[k] * (o.pack_count or 0) for k, (of, o) in enumerate(offers) if of == s)
        for s in range(len(sleeves))
    ]
    enough = np.zeros(packs.shape[1], bool)
    for assignment in product(*([s for s in range(len(sleeves)) if need.fit_with(sleeves[s])] for need in needs)):
        wanted = [sum(n.sleeves for n, a in zip(needs, assignment, strict=True) if a == s) for s in range(len(sleeves))]
        enough |= np.all([there[s] >= wanted[s] for s in range(len(sleeves))], axis=0)
    cents = np.zeros(packs.shape[1], int)
    for shop in shops:
        here = [(k, int((o.price or 0) * 100)) for k, (_, o) in enumerate(offers) if o.shop == shop.name]
        goods = sum((packs[k] * price for k, price in here), np.zeros_like(cents))
        is_used = sum((packs[k] for k, _ in here), np.zeros_like(cents)) > 0
        is_free = goods >= int(shop.free_above * 100) if shop.free_above is not None else np.zeros_like(enough)
        cents += goods + np.where(is_used & ~is_free, int(shop.shipping * 100), 0)
    return Decimal(int(cents[enough].min())) / 100 if enough.any() else None


@pytest.mark.parametrize("block", range(4))
def test_the_programme_finds_what_brute_force_finds_and_lies_between_bound_and_greed(block: int) -> None:
    for seed in range(75 * block, 75 * block + 75):
        needs, sleeves, shops = instance(seed)
        market = market_of(sleeves, shops)
        pruned = without_dominated(needs, market)
        costs = []
        for each in (market, pruned):
            model = model_of(needs, each)
            solution = solve(model.programme, model.order(Objective.CHEAPEST))
            costs.append(None if solution is None else model.plan(solution, objective=Objective.CHEAPEST).cost)
            if solution is not None:
                assert solution.is_proven, seed
                assert relaxed_bound(model.programme, model.terms(Objective.CHEAPEST)) <= solution.objectives[0] + 1e-6
        expected = brute_force(needs, sleeves, shops)
        assert costs == [expected, expected], seed
        greedy = greedy_plan(needs, pruned)
        if greedy is not None:
            assert expected is not None and greedy.cost >= expected, seed


@pytest.mark.parametrize("objective", list(Objective))
def test_removing_dominated_sleeves_changes_no_objective(objective: Objective) -> None:
    for seed in range(60):
        needs, sleeves, shops = instance(seed)
        market = market_of(sleeves, shops)
        pruned = without_dominated(needs, market, same_count=objective is Objective.LEAST_WASTE)
        found = []
        for each in (market, pruned):
            model = model_of(needs, each)
            solution = solve(model.programme, model.order(objective))
            found.append(solution and solution.objectives)
        assert found[0] == found[1], seed


def test_a_deck_gets_one_product_only_though_mixing_would_be_cheaper() -> None:
    sleeves = [
        listed(sleeve("a"), offer(60, "3.00", line=2)),
        listed(sleeve("b", width=63.6), offer(50, "1.00", line=3)),
    ]
    assert best(plan_for([cards(count=70)], sleeves)).cost == Decimal("2.00")
    limited = [sleeves[0], listed(sleeve("b", width=63.6), offer(50, "1.00", line=3, stock=1))]
    plan = best(plan_for([cards(count=70)], limited))
    assert plan.cost == Decimal("6.00")
    assert {p.listed.sleeve.product for p in plan.purchases} == {"a"}


def test_decks_share_packs_over_boxes_and_spares_are_added_and_home_counts() -> None:
    sets = [cards("one", count=50, box="x"), cards("two", count=44, box="y")]
    assert best(plan_for(sets, [listed(sleeve(), offer(100, "2.50"))])).goods == Decimal("2.50")
    assert best(plan_for(sets, [listed(sleeve(), offer(100, "2.50"))], spares=0.05)).goods == Decimal("2.50")
    assert best(plan_for(sets, [listed(sleeve(), offer(100, "2.50"))], spares=0.10)).goods == Decimal("5.00")
    at_home = [listed(sleeve(), offer(100, "2.50"), at_home=95)]
    assert best(plan_for(sets, at_home)).purchases == ()


def test_spares_are_exact_shares() -> None:
    assert cards(count=100).needed(spares=0.05) == 105
    assert cards(count=101).needed(spares=0.05) == 107
    assert cards(count=30, expected=10).needed(spares=0.0) == 40


def test_a_filler_is_bought_where_it_makes_the_sending_free() -> None:
    shop = Shop(name="Shop", shipping=Decimal("4.00"), free_above=Decimal("5.00"))
    plan = best(plan_for([cards(count=90)], [listed(sleeve(), offer(100, "2.50"))], shops=[shop]))
    assert (plan.purchases[0].packs, plan.cost, plan.shipping) == (2, Decimal("5.00"), 0)


def test_money_is_exact() -> None:
    # in binary fractions 3 x 0.1 is not 0.3
    plan = best(plan_for([cards(count=30)], [listed(sleeve(), offer(10, "0.10"))]))
    assert str(plan.cost) == "0.30"


def test_mixed_currencies_are_refused_with_both_lines() -> None:
    other = offer(100, "2.50", line=7)
    sleeves = [listed(sleeve(), offer(), type(other)(**{**other.__dict__, "currency": "USD"}))]
    with pytest.raises(UsageError, match=r"line 7: the currency is USD, that of sleeve list, line 2 is EUR"):
        plan_for([cards()], sleeves)


def test_what_no_sleeve_fits_is_named_with_the_nearest_and_the_rest_is_planned() -> None:
    sets = [cards("usual"), cards("odd", width=48.0, height=101.5)]
    answer = plan_for(
        sets, [listed(sleeve(), offer()), listed(sleeve("wide", width=62.0, height=112.0), offer(line=3))]
    )
    assert [a.need.cards.deck for a in best(answer).assignments] == ["usual"]
    assert [entry.cards.deck for entry in answer.uncovered] == ["odd"]
    assert answer.uncovered[0].nearest is not None
    assert answer.uncovered[0].nearest.sleeve.product == "wide"


def test_accept_bounds_the_fit() -> None:
    wide = [listed(sleeve(width=68.0, height=90.0, quoted=Quoted.INSIDE), offer())]
    assert plan_for([cards()], wide).plan is None
    assert plan_for([cards()], wide, accept=Verdict.TOO_WIDE).plan is not None


def test_limited_stock_leaves_the_fewest_cards_without() -> None:
    sets = [cards("small", count=20), cards("large", count=90)]
    answer = plan_for(sets, [listed(sleeve(), offer(100, "2.50", stock=1))])
    assert [a.need.cards.deck for a in best(answer).assignments] == ["large"]
    assert [entry.cards.deck for entry in answer.uncovered] == ["small"]


def test_sleeved_and_bare_decks_are_left_alone_and_expected_cards_get_the_same_product() -> None:
    sets = [
        cards("bare", leave_bare=True),
        cards("worn", sleeved_with="Maker One"),
        cards("grows", sleeved_with="Maker One", expected=10),
        cards("unknown", sleeved_with="Other Thing", expected=10),
    ]
    sleeves = [listed(sleeve(), offer()), listed(sleeve("cheap"), offer(100, "0.50", line=3))]
    answer = plan_for(sets, sleeves)
    assert [entry.cards.deck for entry in answer.left_alone] == ["bare", "worn"]
    assert [entry.cards.deck for entry in answer.uncovered] == ["unknown"]
    (assignment,) = best(answer).assignments
    assert (assignment.need.sleeves, assignment.fit.sleeve.product) == (10, "One")


def test_each_objective_makes_its_own_figure_least() -> None:
    sleeves = [
        listed(sleeve("far", width=65.5), offer(500, "1.00", shop="A", line=2)),
        listed(sleeve("good", width=63.1), offer(60, "9.00", shop="B", line=3)),
    ]
    shops = [Shop(name="A"), Shop(name="B")]
    chosen = {
        objective: best(plan_for([cards()], sleeves, shops=shops, objective=objective))
        .assignments[0]
        .fit.sleeve.product
        for objective in Objective
    }
    assert chosen == {
        Objective.CHEAPEST: "far",
        Objective.BEST_FIT: "good",
        Objective.FEWEST_SHOPS: "far",
        Objective.LEAST_WASTE: "good",
    }


def test_alternatives_never_cost_less_and_say_what_is_different() -> None:
    sleeves = [listed(sleeve("a"), offer(line=2)), listed(sleeve("b", width=63.6), offer(100, "3.00", line=3))]
    answer = plan_packs([cards("one"), cards("two")], sleeves)
    assert {a.what for a in answer.alternatives} >= {
        "best-fit",
        "fewest-shops",
        "least-waste",
        "another sleeve for box / one",
    }
    assert all(a.plan.cost >= best(answer).cost for a in answer.alternatives)


def test_without_time_for_a_proof_the_gap_is_stated() -> None:
    rng = random.Random(3)
    sets = [cards(f"d{i}", count=rng.randint(5, 150), width=63.0 + 0.1 * (i % 5)) for i in range(25)]
    sleeves = [
        listed(sleeve(f"p{i}", width=64.6 + 0.01 * i, height=90.0, quoted=Quoted.INSIDE),
               offer(rng.randint(40, 120), f"{rng.randint(150, 600) / 100:.2f}", shop=f"s{i % 5}", line=i + 2))
        for i in range(100)
    ]  # fmt: skip
    shops = [Shop(name=f"s{i}", shipping=Decimal("3.90"), free_above=Decimal(30)) for i in range(5)]
    plan = best(plan_for(sets, sleeves, shops=shops, seconds=0.05))
    assert len(plan.assignments) == 25
    assert plan.is_proven == (plan.gap == 0.0)
    assert not plan.is_proven and 0.0 < plan.gap <= 1.0


def test_with_nothing_that_fits_nothing_is_bought_though_stock_is_limited() -> None:
    answer = plan_for([cards(width=30.0, height=200.0)], [listed(sleeve(), offer(stock=1))])
    assert (answer.plan, len(answer.uncovered)) == (None, 1)


def test_an_empty_programme_has_the_empty_answer_or_none() -> None:
    programme = Programme()
    solution = solve(programme, [{}])
    assert solution is not None and (solution.objectives, solution.is_proven) == ((0,), True)
    programme.bound({}, low=1)
    assert solve(programme, [{}]) is None

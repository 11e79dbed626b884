"""From sets of cards and a sleeve list to a plan: what to buy, what it costs, and what else could be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Fit
from cardmeasure.sleeving.greedy import greedy_plan
from cardmeasure.sleeving.market import Market, market_of, without_dominated
from cardmeasure.sleeving.modelling import model_of
from cardmeasure.sleeving.plan import Alternative, Need, Objective, PackPlan, PlanAnswer, Uncovered
from cardmeasure.sleeving.programme import solve
from cardmeasure.sleeving.shops import Shop
from cardmeasure.sleeving.sleeve import ListedSleeve
from cardmeasure.sleeving.verdict import Verdict
from cardmeasure.sleeving.weighing import ranked_fits

MOST_SINGLE_ALTERNATIVES = 8
"""For more needs than this, plans that differ in one deck are not looked for: each takes a programme of its own."""


@dataclass(frozen=True, kw_only=True)
class PlanSettings:
    """What a plan is asked for: objective, worst verdict to accept, share of spares, time for the solver."""

    objective: Objective = Objective.CHEAPEST
    accept: Verdict = Verdict.LOOSE
    spares: float = 0.0
    seconds: float = 4.0
    alternatives: bool = True


def plan_packs(
    cards: Sequence[CardSet],
    sleeves: Sequence[ListedSleeve],
    *,
    shops: Sequence[Shop] = (),
    conditions: Conditions = Conditions(),
    settings: PlanSettings = PlanSettings(),
) -> PlanAnswer:
    """The plan for sets of cards of one or several boxes; see `PlanAnswer`.

    Raises UsageError where the list mixes currencies.
    """
    market = market_of(sleeves, shops)
    needs, uncovered, left_alone = _needs(cards, market, conditions=conditions, settings=settings)
    needs, short = _within_stock(needs, market)
    plan, pruned = _best(needs, market, settings.objective, seconds=settings.seconds)
    others = _alternatives(needs, market, plan, settings=settings) if plan and settings.alternatives else ()
    return PlanAnswer(
        plan=plan,
        uncovered=(*uncovered, *short),
        left_alone=left_alone,
        alternatives=others,
        remarks=_remarks(plan, shops),
        spares=settings.spares,
        products=len(market.sleeves),
        products_kept=len(pruned.sleeves),
    )


def _needs(
    cards: Sequence[CardSet], market: Market, *, conditions: Conditions, settings: PlanSettings
) -> tuple[tuple[Need, ...], tuple[Uncovered, ...], tuple[Uncovered, ...]]:
    """The needs that some sleeve for sale (or at home) meets, the cards that none fits, and those left alone."""
    needs: list[Need] = []
    uncovered: list[Uncovered] = []
    left: list[Uncovered] = []
    available = [listed for listed in market.sleeves if listed.offers or listed.at_home]
    for each in cards:
        if each.leave_bare:
            left.append(Uncovered(cards=each, why="left bare, as the decks file says"))
            continue
        if each.sleeved_with is not None and each.expected == 0:
            left.append(Uncovered(cards=each, why=f"sleeved already, in {each.sleeved_with}"))
            continue
        asked, choice = _asked(each, available)
        if not choice:
            why = f"the cards expected need {each.sleeved_with} as well, which the list does not offer"
            uncovered.append(Uncovered(cards=each, why=why))
            continue
        fits = ranked_fits(asked, choice, conditions=conditions)
        accepted = tuple(fit for fit in fits if each.sleeved_with or fit.verdict.rank <= settings.accept.rank)
        if accepted:
            needs.append(Need(cards=asked, sleeves=asked.needed(spares=settings.spares), fits=accepted))
        else:
            why = f"no sleeve that can be bought fits {settings.accept} or better"
            uncovered.append(Uncovered(cards=each, why=why, nearest=_nearest(fits)))
    return tuple(needs), tuple(uncovered), tuple(left)


def _asked(cards: CardSet, available: Sequence[ListedSleeve]) -> tuple[CardSet, Sequence[ListedSleeve]]:
    """The cards to buy for and the sleeves to choose from: of a sleeved deck what is expected, in its own product."""
    if cards.sleeved_with is None:
        return cards, available
    wanted = _plain(cards.sleeved_with)
    same = [listed for listed in available if wanted in (_plain(listed.sleeve.name), _plain(listed.sleeve.product))]
    return replace(cards, count=0), same


def _plain(name: str) -> str:
    return " ".join(name.lower().split())


def _nearest(fits: Sequence[Fit]) -> Fit | None:
    """Of sleeves that are not accepted the one that comes nearest: a stopgap, else the likeliest to go on."""
    goes_on = [fit for fit in fits if fit.verdict not in (Verdict.NOT, Verdict.MAY_NOT)]
    if goes_on:
        return goes_on[0]
    return min(fits, key=lambda fit: (-round(fit.probability, 3), abs(fit.play.value_mm)), default=None)


def _within_stock(needs: tuple[Need, ...], market: Market) -> tuple[tuple[Need, ...], tuple[Uncovered, ...]]:
    """Needs that can be met together, and those that limited stock leaves without sleeves: the fewest cards."""
    if not any(offer.stock_packs is not None for listed in market.sleeves for offer in listed.offers) and not any(
        listed.at_home and not listed.offers for listed in market.sleeves
    ):
        return needs, ()
    model = model_of(needs, market, may_leave=True)
    solution = solve(model.programme, [{v: needs[n].cards.total for n, v in model.left.items()}])
    if solution is None:
        return needs, ()
    out = [n for n, v in model.left.items() if solution.values[v]]
    why = "the shops have too few of the sleeves that fit"
    short = tuple(Uncovered(cards=needs[n].cards, why=why, nearest=needs[n].fits[0]) for n in out)
    return tuple(need for n, need in enumerate(needs) if n not in out), short


def _best(
    needs: tuple[Need, ...], market: Market, objective: Objective, *, seconds: float
) -> tuple[PackPlan | None, Market]:
    """The best plan, and the market it was sought on; where time runs out the better of what was found and of greed."""
    if not needs:
        return None, market
    pruned = without_dominated(needs, market, same_count=objective is Objective.LEAST_WASTE)
    model = model_of(needs, pruned)
    solution = solve(model.programme, model.order(objective), seconds=seconds)
    if solution is not None:
        plan = model.plan(solution, objective=objective)
        if plan.is_proven or objective is not Objective.CHEAPEST:
            return plan, pruned
        fallback = greedy_plan(needs, pruned, objective=objective)
        if fallback is None or fallback.cost >= plan.cost:
            return plan, pruned
        bound = Decimal(max(0.0, solution.bounds[0])) / 100
        return replace(fallback, gap=float((fallback.cost - bound) / max(fallback.cost, Decimal(1)))), pruned
    return greedy_plan(needs, pruned, objective=objective), pruned


def _alternatives(
    needs: tuple[Need, ...], market: Market, plan: PackPlan, *, settings: PlanSettings
) -> tuple[Alternative, ...]:
    """Plans with another objective, and, for few needs, the best one in which one deck gets something else."""
    found: list[Alternative] = []
    for objective in Objective:
        if objective is not plan.objective:
            other, _ = _best(needs, market, objective, seconds=settings.seconds / 8)
            if other is not None:
                found.append(Alternative(what=objective.value, plan=other))
    if len(needs) > MOST_SINGLE_ALTERNATIVES:
        return tuple(found)
    for assignment in plan.assignments:
        rest = tuple(fit for fit in assignment.need.fits if fit.sleeve != assignment.fit.sleeve)
        if rest:
            changed = tuple(replace(n, fits=rest) if n is assignment.need else n for n in needs)
            other, _ = _best(changed, market, plan.objective, seconds=settings.seconds / 8)
            if other is not None:
                found.append(
                    Alternative(
                        what=f"another sleeve for {assignment.need.cards.box} / {assignment.need.cards.name}",
                        plan=other,
                    )
                )
    return tuple(found)


def _remarks(plan: PackPlan | None, shops: Sequence[Shop]) -> tuple[str, ...]:
    known = {shop.name for shop in shops}
    unknown = [name for name in (plan.shops_used if plan else ()) if name not in known]
    if not unknown:
        return ()
    return (f"What {', '.join(unknown)} ask for sending is not known and counted as nothing; name it with --shops.",)

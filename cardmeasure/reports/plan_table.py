"""A pack plan as plain text: what to buy where, what goes where, what is left over, what else could be done."""

from __future__ import annotations

from collections.abc import Sequence

from cardmeasure.reports.columns import aligned
from cardmeasure.reports.fit_table import cards_lines, cards_words
from cardmeasure.sleeving.advice import CAUTION, WAYS_OUT, percent, reason, warnings
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Fit
from cardmeasure.sleeving.money import shown_amount
from cardmeasure.sleeving.plan import Assignment, Objective, PackPlan, PlanAnswer, Uncovered
from cardmeasure.text import printable, wrapped

OBJECTIVE_WORDS = {
    Objective.CHEAPEST: "the cheapest plan",
    Objective.BEST_FIT: "the plan that fits best",
    Objective.FEWEST_SHOPS: "the plan with the fewest shops",
    Objective.LEAST_WASTE: "the plan with the fewest sleeves left over",
}


def plan_text(answer: PlanAnswer, *, conditions: Conditions, width: int) -> str:
    """The whole answer."""
    parts: list[list[str]] = []
    if answer.plan is not None:
        parts += [_head(answer, answer.plan, width=width), _shops(answer.plan, width=width)]
        parts += [_decks(answer.plan, conditions=conditions, width=width), _spares(answer.plan, width=width)]
    else:
        parts.append(["Nothing to buy."])
    parts += [
        _listed("Without sleeves:", answer.uncovered, width=width),
        _listed("Left alone:", answer.left_alone, width=width),
        _alternatives(answer, width=width),
        [line for remark in answer.remarks for line in wrapped(printable(remark), first="", then="  ", width=width)],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def proof_words(plan: PackPlan) -> str:
    """Whether the optimum is proven, or how far off it may be."""
    if plan.is_proven:
        return "proven: no plan is better"
    return f"not proven in the time given: a better one may exist, by at most {100 * plan.gap:.1f} %"


def _head(answer: PlanAnswer, plan: PackPlan, *, width: int) -> list[str]:
    total = shown_amount(plan.cost, plan.currency)
    shipping = f", {shown_amount(plan.shipping, plan.currency)} of it for sending" if plan.shipping else ""
    spares = f" Spares: {100 * answer.spares:g} %." if answer.spares else ""
    words = (
        f"{total}{shipping}: {OBJECTIVE_WORDS[plan.objective]} ({proof_words(plan)}).{spares} "
        f"{answer.products} products on the list, {answer.products_kept} looked at closely; the others suit no deck or "
        "are never better."
    )
    return wrapped(words, first="", then="  ", width=width)


def _shops(plan: PackPlan, *, width: int) -> list[str]:
    lines: list[str] = []
    for name in plan.shops_used:
        shop = next(shop for shop in plan.shops if shop.name == name)
        shipping = plan.shipping_of(shop)
        goods = plan.goods_of(name)
        sent = f", sending {shown_amount(shipping, plan.currency)}" if shop.shipping else ""
        lines.append(printable(f"Buy from {name}: {shown_amount(goods, plan.currency)}{sent}"))
        rows = [
            (
                str(p.packs),
                p.listed.sleeve.name,
                p.listed.sleeve.size,
                str(p.offer.pack_count),
                shown_amount(p.cost),
            )
            for p in plan.purchases
            if p.offer.shop == name
        ]
        heading = ("Packs", "Maker and product", "On the pack", "Sleeves each", plan.currency or "Price")
        lines += aligned(heading, rows, width=width, gives_way=1, right=(0, 3, 4))
    return lines or ["Buy nothing: what is at home is enough."]


def _decks(plan: PackPlan, *, conditions: Conditions, width: int) -> list[str]:
    lines = ["What goes where:"]
    for assignment in plan.assignments:
        fit, cards = assignment.fit, assignment.need.cards
        words = (
            f"{cards.box} / {cards.name} ({cards_words(cards)}, {assignment.need.sleeves} sleeves): {fit.sleeve.name}, "
            f"{fit.verdict}: {reason(fit, conditions=conditions)}{chance_words(fit)}"
        )
        lines += wrapped(printable(f"{words}."), first="  ", then="    ", width=width)
        for remark in cards.remarks:
            lines += wrapped(printable(remark), first="    ! ", then="      ", width=width)
        for warning in warnings(fit):
            lines += wrapped(printable(f"{warning}."), first="    - ", then="      ", width=width)
    return lines


def chance_words(fit: Fit) -> str:
    """The probability as the end of a sentence; nothing where the user's own trial has answered."""
    return "" if fit.trial is not None else f"; all go in with {percent(fit.probability)}"


def _spares(plan: PackPlan, *, width: int) -> list[str]:
    left = plan.spare_sleeves
    if not left:
        return []
    rows = [(str(count), listed.sleeve.name, ", ".join(decks_with(plan, listed.sleeve))) for listed, count in left]
    heading = ("Sleeves", "Maker and product", "For")
    return [
        "Left over (keep them with the label):",
        *aligned(heading, rows, width=width, gives_way=2, right=(0,)),
    ]


def decks_with(plan: PackPlan, sleeve: object) -> list[str]:
    """The names of the decks that get a sleeve."""
    return [a.need.cards.name for a in plan.assignments if a.fit.sleeve == sleeve]


def _listed(title: str, entries: Sequence[Uncovered], *, width: int) -> list[str]:
    if not entries:
        return []
    lines = [title]
    for entry in entries:
        head, *rest = cards_lines(entry.cards, width=width - 2)
        lines += [f"  {line}" for line in (head, *rest)]
        lines += wrapped(printable(f"{entry.why}."), first="    ", then="    ", width=width)
        if entry.nearest is not None:
            fit = entry.nearest
            words = (
                f"Nearest: {fit.sleeve.name}, {fit.sleeve.size} mm: {fit.verdict}, play {fit.play.value_mm:.1f} mm, "
                f"film {fit.overhang.value_mm:+.1f} mm beyond the card."
            )
            lines += wrapped(printable(words), first="    ", then="      ", width=width)
    if any(entry.nearest is not None for entry in entries):
        lines += wrapped(f"{WAYS_OUT} {CAUTION}", first="  ", then="  ", width=width)
    return lines


def _alternatives(answer: PlanAnswer, *, width: int) -> list[str]:
    plan = answer.plan
    if plan is None or not answer.alternatives:
        return []
    lines = ["Other plans, and what they cost more (+) or less (-):"]
    rows = []
    for other in answer.alternatives:
        more = other.plan.cost - plan.cost
        sign = "+" if more >= 0 else ""
        changes = "; ".join(changed(plan, other.plan)) or "the same sleeves"
        rows.append((f"{sign}{shown_amount(more)}", other.what, changes))
    for more_words, what, changes in rows:
        lines += wrapped(
            printable(changes if what.startswith("another") else f"{what}: {changes}"),
            first=f"  {more_words:>8}  ",
            then=" " * 12,
            width=width,
        )
    return lines


def changed(plan: PackPlan, other: PackPlan) -> list[str]:
    """What goes elsewhere in another plan, in words, and how many shops and sleeves it takes where that differs."""
    before = {_key(a): a.fit for a in plan.assignments}
    is_one_box = len({a.need.cards.box for a in plan.assignments}) == 1
    said = [
        f"{'' if is_one_box else f'{a.need.cards.box} / '}{a.need.cards.name} in {a.fit.sleeve.name} ({a.fit.verdict})"
        for a in other.assignments
        if (old := before.get(_key(a))) is None or old.sleeve != a.fit.sleeve
    ]
    if len(plan.shops_used) != len(other.shops_used):
        number = len(other.shops_used)
        said.append(f"{number} shop" if number == 1 else f"{number} shops")
    left, left_other = (sum(count for _, count in each.spare_sleeves) for each in (plan, other))
    if left != left_other:
        said.append(f"{left_other} sleeves left over instead of {left}")
    return said


def _key(assignment: Assignment) -> tuple[str, str]:
    return assignment.need.cards.box, assignment.need.cards.name

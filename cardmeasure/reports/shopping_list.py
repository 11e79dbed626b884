"""The shopping list as one HTML file to print: per shop what to buy, what goes where and why, labels, outline slip."""

from __future__ import annotations

from cardmeasure.reports.fit_table import cards_words
from cardmeasure.reports.json_decks import Record
from cardmeasure.reports.outline_slip import LEGEND, ORDER, TITLE
from cardmeasure.reports.plan_table import OBJECTIVE_WORDS, chance_words, decks_with, proof_words
from cardmeasure.reports.sleeving_pages import html_pages
from cardmeasure.reports.slip_layout import HEAD_MM, PAGE_MM, Placed, laid_out, outlines_of
from cardmeasure.sleeving.advice import CAUTION, WAYS_OUT, reason, warnings
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.money import shown_amount
from cardmeasure.sleeving.plan import Assignment, PackPlan, PlanAnswer, Uncovered

_BAR_ROOM_MM = 10.0
"""Above the outlines of the first page; the rest of the heading is text."""


def shopping_html(answer: PlanAnswer, *, conditions: Conditions) -> str:
    """The whole page; it asks for nothing from the network."""
    plan = answer.plan
    placed, _ = laid_out(outlines_of(answer, conditions=conditions))
    return html_pages().get_template("shopping_list.html").render(
        plan=plan is not None,
        **(_of_plan(plan, conditions) if plan is not None else {}),
        spares=f"{100 * answer.spares:g} %" if answer.spares else "",
        uncovered=[_uncovered(entry) for entry in answer.uncovered],
        ways_out=WAYS_OUT,
        caution=CAUTION,
        pages=_pages(placed),
        slip_title=TITLE,
        slip_order=ORDER,
        slip_legend=LEGEND,
    )  # fmt: skip


def _of_plan(plan: PackPlan, conditions: Conditions) -> Record:
    return {
        "total": shown_amount(plan.cost, plan.currency),
        "shipping": shown_amount(plan.shipping, plan.currency) if plan.shipping else "",
        "aim": OBJECTIVE_WORDS[plan.objective],
        "proof": proof_words(plan),
        "shops": [_shop(plan, name) for name in plan.shops_used],
        "decks": [_deck(a, conditions) for a in plan.assignments],
        "left": [
            {
                "name": listed.sleeve.name,
                "size": listed.sleeve.size,
                "count": count,
                "decks": decks_with(plan, listed.sleeve),
            }
            for listed, count in plan.spare_sleeves
        ],
    }


def _shop(plan: PackPlan, name: str) -> Record:
    shop = next(shop for shop in plan.shops if shop.name == name)
    return {
        "name": name,
        "goods": shown_amount(plan.goods_of(name), plan.currency),
        "sending": shown_amount(plan.shipping_of(shop), plan.currency) if shop.shipping else "",
        "lines": [
            {
                "packs": p.packs,
                "pack_count": p.offer.pack_count,
                "name": p.listed.sleeve.name,
                "size": p.listed.sleeve.size,
                "decks": decks_with(plan, p.listed.sleeve),
                "price": "-" if p.offer.price is None else shown_amount(p.offer.price, plan.currency),
                "cost": shown_amount(p.cost, plan.currency),
            }
            for p in plan.purchases
            if p.offer.shop == name
        ],
    }


def _deck(assignment: Assignment, conditions: Conditions) -> Record:
    cards, fit = assignment.need.cards, assignment.fit
    return {
        "box": cards.box,
        "name": cards.name,
        "cards": cards_words(cards),
        "size": cards.size,
        "sleeves": assignment.need.sleeves,
        "sleeve": fit.sleeve.name,
        "verdict": fit.verdict.value,
        "reason": _capital(reason(fit, conditions=conditions)) + chance_words(fit),
        "mind": [_capital(word) for word in warnings(fit)],
    }


def _uncovered(entry: Uncovered) -> Record:
    fit = entry.nearest
    nearest = "" if fit is None else f"{fit.sleeve.name}, {fit.sleeve.size} mm, {fit.verdict}"
    return {"name": entry.cards.name, "size": entry.cards.size, "why": entry.why, "nearest": nearest}


def _pages(placed: tuple[Placed, ...]) -> list[Record]:
    """The slip's pages as drawings: the first one keeps room for the bar above its outlines."""
    pages: list[Record] = []
    for number in sorted({each.page for each in placed}):
        here = [each for each in placed if each.page == number]
        shift_mm = HEAD_MM - (_BAR_ROOM_MM if number == 0 else 1.0)
        bottom_mm = max(each.y_mm + each.outline.size_mm[1] for each in here) - shift_mm
        pages.append(
            {
                "width": PAGE_MM[0],
                "height": round(bottom_mm + 1.0, 2),
                "names": [each.outline.name for each in here],
                "outlines": [_figure(each, shift_mm=shift_mm) for each in here],
            }
        )
    return pages


def _figure(placed: Placed, *, shift_mm: float) -> Record:
    outline, x, y = placed.outline, placed.x_mm + 0.2, placed.y_mm - shift_mm
    (width, height), (least, most) = outline.card_mm, outline.inside_mm
    bottom = y + outline.depth_mm
    return {
        "name": outline.name,
        "words": outline.words,
        "x": round(x, 3),
        "top": round(y, 3),
        "bottom": round(bottom, 3),
        "least": round(x + least, 3),
        "right": round(x + most, 3),
        "card_top": round(bottom - height, 3),
        "card_width": round(width, 3),
        "card_height": round(height, 3),
    }


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]

"""Fits, plans and storage as plain JSON values: millimetres to 0.001, money as text, null for what is unknown."""

from __future__ import annotations

import json
from collections.abc import Sequence
from decimal import Decimal

from cardmeasure import __version__
from cardmeasure.reports.json_decks import Record
from cardmeasure.reports.plan_table import changed
from cardmeasure.sleeving.advice import reason, warnings
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Estimate, Fit
from cardmeasure.sleeving.plan import Assignment, PackPlan, PlanAnswer, Purchase, Uncovered
from cardmeasure.sleeving.sleeve import Sleeve
from cardmeasure.sleeving.storage import Interval, Pile, Place
from cardmeasure.sleeving.storing import StorageAnswer, ways_out
from cardmeasure.text import valid_text

FIT_SCHEMA, PLAN_SCHEMA, STORAGE_SCHEMA = "cardmeasure-fit/1", "cardmeasure-plan/1", "cardmeasure-storage/1"


def fits_document(
    groups: Sequence[tuple[CardSet, Sequence[Fit]]], *, conditions: Conditions, unmeasured: Sequence[str] = ()
) -> Record:
    """All fits of all sets of cards."""
    return {
        **_head(FIT_SCHEMA),
        "conditions": conditions_record(conditions),
        "cards": [
            {**cards_record(cards), "fits": [fit_record(fit, conditions=conditions) for fit in fits]}
            for cards, fits in groups
        ],
        "unmeasured": list(unmeasured),
    }


def plan_document(answer: PlanAnswer, *, conditions: Conditions, unmeasured: Sequence[str] = ()) -> Record:
    """A plan with all beside it."""
    plan = answer.plan
    return {
        **_head(PLAN_SCHEMA),
        "conditions": conditions_record(conditions),
        "spares": answer.spares,
        "plan": plan and plan_record(plan, conditions=conditions),
        "without_sleeves": [_uncovered(entry, conditions) for entry in answer.uncovered],
        "left_alone": [_uncovered(entry, conditions) for entry in answer.left_alone],
        "alternatives": [
            {
                "what": other.what,
                "costs_more": plan and _money(other.plan.cost - plan.cost),
                "changes": changed(plan, other.plan) if plan else [],
                "plan": plan_record(other.plan, conditions=conditions),
            }
            for other in answer.alternatives
        ],
        "unmeasured": list(unmeasured),
        "remarks": list(answer.remarks),
        "products": answer.products,
        "products_kept": answer.products_kept,
    }


def storage_document(answer: StorageAnswer, *, unmeasured: Sequence[str] = ()) -> Record:
    """Piles and places."""
    pairs = [*zip(answer.places, answer.bare_places, strict=True), *((place, None) for place in answer.free)]
    return {
        **_head(STORAGE_SCHEMA),
        "decks": [
            {
                **cards_record(stored.cards),
                "bare": _pile(stored.bare),
                "in_sleeves": _pile(stored.sleeved),
                "sleeve_assumed": stored.is_assumed,
            }
            for stored in answer.stored
        ],
        "places": [_place(place, bare) for place, bare in pairs],
        "unmeasured": list(unmeasured),
    }


def document_text(document: Record) -> str:
    """A document as JSON, with a newline at its end."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def cards_record(cards: CardSet) -> Record:
    """A set of cards."""
    return {
        "box": valid_text(cards.box),
        "deck": valid_text(cards.deck),
        "size_class": cards.size_class,
        "count": cards.count,
        "expected": cards.expected,
        "measured": cards.measured,
        "width_mm": _mm(cards.width_mm),
        "height_mm": _mm(cards.height_mm),
        "u_width_mm": _mm(cards.u_width_mm),
        "u_height_mm": _mm(cards.u_height_mm),
        "scatter_width_mm": _mm(cards.scatter_width_mm),
        "scatter_height_mm": _mm(cards.scatter_height_mm),
        "thickness_mm": _mm(cards.thickness_mm),
        "u_thickness_mm": _mm(cards.u_thickness_mm),
        "handling": cards.handling,
        "remarks": [valid_text(remark) for remark in cards.remarks],
    }


def sleeve_record(sleeve: Sleeve) -> Record:
    """A sleeve as the list describes it."""
    return {
        "maker": sleeve.maker,
        "product": sleeve.product,
        "width_mm": sleeve.width_mm,
        "height_mm": sleeve.height_mm,
        "quoted": sleeve.quoted,
        "size_name": sleeve.size_name,
        "tolerance_mm": sleeve.tolerance_mm,
        "opening": sleeve.opening,
        "film_um": sleeve.film_um,
        "material": sleeve.material,
        "finish": sleeve.finish,
        "mark": sleeve.mark,
        "packaging": sleeve.packaging,
    }


def fit_record(fit: Fit, *, conditions: Conditions) -> Record:
    """A fit, with its reason and what to mind."""
    cheapest = fit.listed.cheapest
    per_100 = cheapest.price_per_100 if cheapest else None
    return {
        "sleeve": sleeve_record(fit.sleeve),
        "verdict": fit.verdict,
        "probability": round(fit.probability, 6),
        "own_trial": fit.trial and fit.trial.result,
        "play_mm": _estimate(fit.play),
        "overhang_mm": _estimate(fit.overhang),
        "needed_mm": _mm(fit.needed_mm),
        "price_per_100": None if per_100 is None else _money(per_100.quantize(Decimal("0.0001"))),
        "currency": cheapest.currency if cheapest else None,
        "reason": reason(fit, conditions=conditions),
        "mind": list(warnings(fit)),
        "readings": [
            {
                "quoted": chance.reading.quoted,
                "weight": round(chance.reading.weight, 4),
                "margin_mm": _mm(chance.margin.middle_mm),
                "u_margin_mm": _mm(chance.margin.u_all_mm),
                "probability": round(chance.probability, 6),
            }
            for chance in fit.chances
        ],
    }


def plan_record(plan: PackPlan, *, conditions: Conditions) -> Record:
    """A plan."""
    return {
        "objective": plan.objective,
        "is_proven": plan.is_proven,
        "gap": round(plan.gap, 6),
        "currency": plan.currency,
        "cost": _money(plan.cost),
        "goods": _money(plan.goods),
        "shipping": _money(plan.shipping),
        "buy": [_purchase(purchase) for purchase in plan.purchases],
        "decks": [_assignment(a, conditions) for a in plan.assignments],
        "left_over": [
            {"maker": listed.sleeve.maker, "product": listed.sleeve.product, "sleeves": count}
            for listed, count in plan.spare_sleeves
        ],
    }


def conditions_record(conditions: Conditions) -> Record:
    """Humidity and thresholds."""
    limits, air = conditions.thresholds, conditions.humidity
    return {
        "humidity_measured_percent": air.measured_percent,
        "humidity_dampest_percent": air.dampest_percent,
        **{name: getattr(limits, name) for name in sorted(limits.__dataclass_fields__)},
    }


def _head(schema: str) -> Record:
    return {"schema": schema, "version": __version__}


def _purchase(purchase: Purchase) -> Record:
    return {
        "shop": purchase.offer.shop,
        "maker": purchase.listed.sleeve.maker,
        "product": purchase.listed.sleeve.product,
        "pack_count": purchase.offer.pack_count,
        "packs": purchase.packs,
        "price": None if purchase.offer.price is None else _money(purchase.offer.price),
        "cost": _money(purchase.cost),
        "seen": purchase.offer.seen and purchase.offer.seen.isoformat(),
    }


def _assignment(assignment: Assignment, conditions: Conditions) -> Record:
    return {
        **cards_record(assignment.need.cards),
        "sleeves": assignment.need.sleeves,
        "fit": fit_record(assignment.fit, conditions=conditions),
    }


def _uncovered(entry: Uncovered, conditions: Conditions) -> Record:
    nearest = None if entry.nearest is None else fit_record(entry.nearest, conditions=conditions)
    return {**cards_record(entry.cards), "why": entry.why, "nearest": nearest}


def _pile(pile: Pile) -> Record:
    sleeve = pile.sleeves[0]
    return {
        "sleeve": None if sleeve is None or not sleeve.product else sleeve_record(sleeve),
        "width_mm": _interval(pile.width),
        "length_mm": _interval(pile.length),
        "height_mm": _interval(pile.height),
    }


def _place(place: Place, bare: Place | None) -> Record:
    return {
        "well": place.well.name,
        "decks": [cards.name for cards in place.pile.cards],
        "height_mm": _interval(place.pile.height),
        "to_lid_mm": place.well.to_lid_mm,
        "answer": place.answer,
        "pose": place.sure or place.perhaps,
        "thickest_film_um": place.thickest_film_um,
        "ways_out": list(ways_out(place, bare)),
    }


def _estimate(estimate: Estimate) -> Record:
    return {"value": _mm(estimate.value_mm), "low": _mm(estimate.low_mm), "high": _mm(estimate.high_mm)}


def _interval(interval: Interval) -> Record:
    return {"low": _mm(interval.low_mm), "high": _mm(interval.high_mm)}


def _mm(length: float | None) -> float | None:
    return None if length is None else round(length, 3)


def _money(amount: Decimal) -> str:
    return f"{amount:f}"

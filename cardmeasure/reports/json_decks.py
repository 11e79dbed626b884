"""Summaries of decks as plain JSON values: the part `decks` of the results document."""

from __future__ import annotations

import msgspec

from cardmeasure.decks import CardName, ClassSummary, DeckSummary, OddOne
from cardmeasure.decks.spread import SideSpread
from cardmeasure.text import valid_text

Record = dict[str, object]
MM_DECIMALS = 4


def deck_record(deck: DeckSummary) -> Record:
    """One deck; lengths to 0.0001 mm, null for what is unknown."""
    return {
        "name": valid_text(deck.name),
        "photos": deck.photos,
        "duplicates": deck.duplicates,
        "refused": deck.refused,
        "pieces": deck.pieces,
        "unsized": [_card(card) for card in deck.unsized],
        "count": {
            "cards": deck.count.cards,
            "u_cards": round(deck.count.u_cards, 2),
            "source": str(deck.count.source),
            "contradictions": list(deck.count.contradictions),
        },
        "classes": [_class(group) for group in deck.classes],
        "entered": deck.deck and msgspec.to_builtins(deck.deck),
    }


def _class(group: ClassSummary) -> Record:
    return {
        "size_class": group.size_class,
        "count": group.count,
        "unclear": group.unclear,
        "doubtful": group.doubtful,
        "averaged": group.averaged,
        **_side("width", group.width),
        **_side("height", group.height),
        "odd_ones": [_odd_one(odd) for odd in group.odd_ones],
    }


def _side(name: str, side: SideSpread) -> Record:
    return {
        f"{name}_mm": _mm(side.mean_mm),
        f"u_{name}_mm": _mm(side.u_mean_mm),
        f"scatter_{name}_mm": _mm(side.scatter_mm),
        f"u_scatter_{name}_mm": _mm(side.u_scatter_mm),
    }


def _odd_one(odd: OddOne) -> Record:
    sizes = {"width_mm": odd.width_mm, "height_mm": odd.height_mm, "dw_mm": odd.dw_mm, "dh_mm": odd.dh_mm}
    return {**_card(odd.card), **{name: _mm(value) for name, value in sizes.items()}}


def _card(card: CardName) -> Record:
    return {"file": valid_text(card.file), "number": card.number}


def _mm(value: float | None) -> float | None:
    return None if value is None else round(value, MM_DECIMALS)

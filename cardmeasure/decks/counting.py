"""How many cards a deck has: as entered, estimated from its pile, or counted in the photos; contradictions are said."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from cardmeasure.decks.records import Deck

COVERAGE_FACTOR = 2
"""k within which a pile's estimate is taken to agree (JCGM 100, 6.2.1)."""


class CountSource(StrEnum):
    """Where a count comes from."""

    ENTERED = "entered"
    PILE = "pile"
    PHOTOS = "photos"


@dataclass(frozen=True, kw_only=True)
class DeckCount:
    """Number of cards in a deck with its standard uncertainty (0 where counted), and what contradicts it in words."""

    cards: int
    u_cards: float
    source: CountSource
    contradictions: tuple[str, ...]


def deck_count(deck: Deck | None, *, pieces: int) -> DeckCount:
    """The count of a deck of which `pieces` different pieces lie in the photos.

    What was entered counts before the pile, the pile before the photos, in which part of the deck may lie only; but
    there are never fewer cards than were seen.
    """
    contradictions = () if deck is None else _contradictions(deck, pieces=pieces)
    if deck is not None and deck.count is not None:
        return DeckCount(cards=deck.count, u_cards=0.0, source=CountSource.ENTERED, contradictions=contradictions)
    if deck is not None and deck.pile is not None:
        cards = max(pieces, round(deck.pile.count))
        return DeckCount(cards=cards, u_cards=deck.pile.u_count, source=CountSource.PILE, contradictions=contradictions)
    return DeckCount(cards=pieces, u_cards=0.0, source=CountSource.PHOTOS, contradictions=contradictions)


def _contradictions(deck: Deck, *, pieces: int) -> tuple[str, ...]:
    said = []
    if deck.count is not None and pieces > deck.count:
        said.append(f"{deck.count} cards were entered, but {pieces} lie in the photos.")
    if deck.pile is not None:
        low, high = (deck.pile.count + sign * COVERAGE_FACTOR * deck.pile.u_count for sign in (-1, 1))
        if deck.count is not None and not low <= deck.count <= high:
            said.append(f"{deck.count} cards were entered, but the pile's height makes it {low:.0f} to {high:.0f}.")
        if pieces > high:
            said.append(f"{pieces} cards lie in the photos, but the pile's height makes it {low:.0f} to {high:.0f}.")
    return tuple(said)

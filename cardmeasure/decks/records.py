"""What the user says of a deck: the records of a decks file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Handling(StrEnum):
    """How much a deck is handled."""

    RARELY = "rarely"
    OFTEN = "often"
    IN_PUBLIC = "in public"


@dataclass(frozen=True, kw_only=True)
class CardName:
    """One card in the results: the photo's `file` and the card's number in it."""

    file: str
    number: int

    def __str__(self) -> str:
        """As a decks file writes it: `table.jpg#3`."""
        return f"{self.file}#{self.number}"


@dataclass(frozen=True, kw_only=True)
class Pile:
    """A pile of the deck's bare cards, pressed together, and one of its cards; lengths and their standard u in mm."""

    height_mm: float
    u_height_mm: float
    card_thickness_mm: float
    u_card_thickness_mm: float

    @property
    def count(self) -> float:
        """How many cards the pile holds; not rounded."""
        return self.height_mm / self.card_thickness_mm

    @property
    def u_count(self) -> float:
        """Standard uncertainty of `count`: relative parts of a quotient add in square (JCGM 100, equation 12)."""
        return self.count * math.hypot(
            self.u_height_mm / self.height_mm, self.u_card_thickness_mm / self.card_thickness_mm
        )


@dataclass(frozen=True, kw_only=True)
class Deck:
    """Cards that are used together, and so get one kind of sleeve.

    Parameters
    ----------
    name : what reports call it.
    photos : patterns of the results' `file`, `*` standing for anything, `/` too; None: all photos in a folder that is
        called like the deck.
    cards : single cards, wherever they lie; they belong to this deck even where a pattern of another one fits.
    count : how many cards the deck has, where the user knows.
    pile : where the count is to be estimated from a pile.
    handling : how much the deck is handled.
    expected_cards : how many cards expansions are expected to add.
    sleeved_with : the product that is on the cards already.
    leave_bare : whether the deck is to get no sleeves.
    notes : anything else.
    """

    name: str
    photos: tuple[str, ...] | None = None
    cards: tuple[CardName, ...] = ()
    count: int | None = None
    pile: Pile | None = None
    handling: Handling | None = None
    expected_cards: int = 0
    sleeved_with: str | None = None
    leave_bare: bool = False
    notes: str | None = None

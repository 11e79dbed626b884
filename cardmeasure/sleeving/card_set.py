"""The cards to be sleeved: those of one deck that have one size."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cardmeasure.decks.records import Handling
from cardmeasure.thickness.usual import CARD_MM, U_CARD_MM


@dataclass(frozen=True, kw_only=True)
class CardSet:
    """Cards of one deck and one size. They get one product: differing backs would mark them.

    Parameters
    ----------
    box, deck : where they belong.
    size_class : id of the nominal size class, None for an odd size.
    count, expected : cards there are, and cards expected from expansions.
    is_counted_in_photos : whether the count is that of the pieces photographed: there may be more.
    width_mm, height_mm : mean size, width <= height.
    u_width_mm, u_height_mm, correlation : standard uncertainty of the mean, and its correlation.
    scatter_width_mm, scatter_height_mm : standard deviation from card to card, None where it is not known.
    excess_width_mm, excess_height_mm : by how much the largest odd card exceeds the mean, which it is left out of.
    measured : how many cards the size is the mean of.
    thickness_mm, u_thickness_mm : of one card.
    handling : how much the deck is handled, None where not said.
    sleeved_with : what the cards wear already.
    leave_bare : whether they are to stay without sleeves.
    remarks : contradictions and assumptions, each a sentence.
    """

    box: str
    deck: str
    size_class: str | None
    count: int
    width_mm: float
    height_mm: float
    u_width_mm: float
    u_height_mm: float
    correlation: float = 0.0
    expected: int = 0
    scatter_width_mm: float | None = None
    scatter_height_mm: float | None = None
    excess_width_mm: float = 0.0
    excess_height_mm: float = 0.0
    measured: int = 1
    thickness_mm: float = CARD_MM
    u_thickness_mm: float = U_CARD_MM
    handling: Handling | None = None
    sleeved_with: str | None = None
    leave_bare: bool = False
    remarks: tuple[str, ...] = ()
    is_only_size: bool = True
    is_counted_in_photos: bool = False

    @property
    def name(self) -> str:
        """The deck's name, with the size where the deck has several."""
        return self.deck if self.is_only_size else f"{self.deck} ({self.size})"

    @property
    def size(self) -> str:
        """The mean size in words, to a tenth of a millimetre."""
        return f"{self.width_mm:.1f} x {self.height_mm:.1f}"

    @property
    def total(self) -> int:
        """Cards there are and cards that are expected."""
        return self.count + self.expected

    def needed(self, *, spares: float) -> int:
        """Sleeves needed: one a card, and a share of spares, rounded up."""
        # a share such as 0.05 is no exact binary fraction: 100 cards take 105 sleeves, not 106
        return math.ceil(round(self.total * (1.0 + spares), 6))

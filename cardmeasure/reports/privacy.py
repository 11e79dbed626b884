"""Which pieces a picture must not show: bank cards, and whatever may be one.

The rule errs on the side of covering. A card is taken for a bank card by its size class, or by its side ratio and its
rough size, since a print that is several per cent off moves both sides alike; a piece without a size may be, or may
hide, anything, so it is always covered.
"""

from __future__ import annotations

from cardmeasure.results import Card

ID_1 = "id-1"
ID_1_WIDTH_MM, ID_1_HEIGHT_MM = 53.98, 85.60
"""ISO/IEC 7810."""
SIZE_LIMIT = 0.08
"""Relative; a page printed "to fit" comes out at 94 to 97 %."""
RATIO_LIMIT = 0.01
"""Relative; print scales along and across the feed differ by a few parts in a thousand."""


def is_covered(card: Card) -> bool:
    """Whether the inside of a piece must be covered in a picture."""
    if card.width_mm is None or card.height_mm is None:
        return True
    match = card.match
    if match is not None and ID_1 in (match.size_class, match.runner_up, match.nearest.size_class):
        return True
    ratio = (card.height_mm / card.width_mm) / (ID_1_HEIGHT_MM / ID_1_WIDTH_MM)
    return abs(card.height_mm / ID_1_HEIGHT_MM - 1) <= SIZE_LIMIT and abs(ratio - 1) <= RATIO_LIMIT

"""What a piece that is no rectangle is called, and its size in the words a user needs."""

from __future__ import annotations

from cardmeasure.results import Card

COVERAGE_FACTOR = 2


def shape_words(card: Card) -> str:
    """`circle, diameter 40.02 ± 0.06 mm`; empty for a rectangle."""
    if card.shape == "rectangle":
        return ""
    if card.diameter_mm is not None:
        return f"circle, diameter {with_u(card.diameter_mm, card.u_diameter_mm)} mm"
    if card.across_flats_mm is not None:
        return f"polygon, {with_u(card.across_flats_mm, card.u_across_flats_mm)} mm across flats"
    return f"{card.shape}, smallest enclosing rectangle"


def with_u(size_mm: float, u_mm: float | None) -> str:
    """A size with its expanded uncertainty."""
    return f"{size_mm:.2f}" if u_mm is None else f"{size_mm:.2f} ± {COVERAGE_FACTOR * u_mm:.2f}"

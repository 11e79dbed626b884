"""The outline slip: card sizes drawn in true size, to hold against packs in a shop; where everything stands, in mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Fit
from cardmeasure.sleeving.inside import growth, least_inside_mm
from cardmeasure.sleeving.plan import PlanAnswer

PAGE_MM = (190.0, 262.0)
"""What both A4 and Letter hold within margins of 10 mm (A4) and 8 mm (Letter)."""
BAR_MM = 100.0
HEAD_MM = 30.0
LABEL_MM = 19.0
GAP_MM = 8.0
LEAST_WIDTH_MM = 54.0
"""Room for the label."""
SCATTERS = 2.5
"""Standard deviations that the largest card of a deck and the narrowest sleeve of a pack lie off: one in a hundred."""


@dataclass(frozen=True, kw_only=True)
class Outline:
    """One size: the card, and the inside of a flat sleeve from the least to the most width, and its least depth; mm."""

    name: str
    card_mm: tuple[float, float]
    inside_mm: tuple[float, float]
    depth_mm: float
    product: str | None

    @property
    def size_mm(self) -> tuple[float, float]:
        """Room it takes on the page, label included."""
        return max(self.inside_mm[1], LEAST_WIDTH_MM), self.depth_mm + LABEL_MM

    @property
    def words(self) -> tuple[str, ...]:
        """The label, line by line."""
        width, height = self.card_mm
        return (
            f"card {width:.1f} x {height:.1f} mm",
            f"inside {self.inside_mm[0]:.1f} to {self.inside_mm[1]:.1f} mm wide,",
            f"at least {self.depth_mm:.1f} mm deep",
        )


@dataclass(frozen=True, kw_only=True)
class Placed:
    """An outline on a page: its top left corner, mm from the top left of the page's area."""

    outline: Outline
    page: int
    x_mm: float
    y_mm: float


def outlines_of(answer: PlanAnswer, *, conditions: Conditions) -> tuple[Outline, ...]:
    """One outline for each set of cards that gets sleeves, or for which none were found."""
    found = [(a.need.cards.name, a.fit, True) for a in answer.plan.assignments] if answer.plan else []
    found += [(entry.cards.name, entry.nearest, False) for entry in answer.uncovered if entry.nearest is not None]
    return tuple(outline_of(name, fit, conditions=conditions, is_bought=bought) for name, fit, bought in found)


def outline_of(name: str, fit: Fit, *, conditions: Conditions, is_bought: bool) -> Outline:
    """The outline of a set of cards in sleeves that open at the short side.

    The least width takes the largest card of the deck in the dampest air; beyond the most it is much too wide.
    """
    cards, limits = fit.cards, conditions.thresholds
    grown_mm = cards.width_mm + growth(cards.width_mm, humidity=conditions.humidity).middle_mm
    least = least_inside_mm(grown_mm, thickness_mm=cards.thickness_mm) + SCATTERS * fit.scatter_mm
    most = cards.width_mm + cards.thickness_mm + limits.loose_mm
    return Outline(
        name=name,
        card_mm=(cards.width_mm, cards.height_mm),
        inside_mm=(least, max(least, most)),
        depth_mm=cards.height_mm + cards.thickness_mm / 2,
        product=f"{fit.sleeve.name}, {fit.sleeve.size} on the pack" if is_bought else None,
    )


def laid_out(outlines: Sequence[Outline]) -> tuple[tuple[Placed, ...], tuple[Outline, ...]]:
    """Outlines in rows on pages, the tallest first; and those too large for a page."""
    fitting = [o for o in outlines if o.size_mm[0] <= PAGE_MM[0] and o.size_mm[1] <= PAGE_MM[1] - HEAD_MM]
    placed: list[Placed] = []
    page, x, y, row_mm = 0, 0.0, HEAD_MM, 0.0
    for outline in sorted(fitting, key=lambda o: -o.size_mm[1]):
        width, height = outline.size_mm
        if x > 0.0 and x + width > PAGE_MM[0]:
            x, y, row_mm = 0.0, y + row_mm + GAP_MM, 0.0
        if y + height > PAGE_MM[1]:
            page, x, y, row_mm = page + 1, 0.0, HEAD_MM, 0.0
        placed.append(Placed(outline=outline, page=page, x_mm=x, y_mm=y))
        x, row_mm = x + width + GAP_MM, max(row_mm, height)
    return tuple(placed), tuple(o for o in outlines if o not in fitting)

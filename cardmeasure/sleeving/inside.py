"""How large a sleeve is inside, from the size on its pack, and how much cards grow in damp air.

A size on a pack may mean the card that fits, the inside, or the outside with its seams. Each meaning is one reading of
the pack; where the list does not say which, all readings that can be are kept, each as probable as the other
(principle of indifference), and the answer widens. A reading cannot be where the pack names its size and no card of
that size would go in: the trade's rule is that a sleeve's inside is never below the card's nominal size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from cardmeasure.sleeving.conditions import Habits, Humidity
from cardmeasure.sleeving.named_sizes import named_cuts
from cardmeasure.sleeving.sleeve import Opening, Quoted, Sleeve

GROWTH_PER_POINT = (0.00005, 0.00010)
"""Relative growth of board across its grain for each point of relative humidity: 0.005 to 0.010 % (mill tables: 0.2 to
0.4 % over the standard span, taken as 38 points). Along the grain it is half of that; as the grain of a card is not
known, both its sides are taken as across."""


@dataclass(frozen=True, kw_only=True)
class Spread:
    """A length that lies within `half_mm` of `middle_mm`, anywhere as likely, and beside that has the normal `u_mm`."""

    middle_mm: float
    half_mm: float = 0.0
    u_mm: float = 0.0

    @property
    def u_all_mm(self) -> float:
        """Standard uncertainty of all of it (JCGM 100, 4.3.7)."""
        return math.hypot(self.u_mm, self.half_mm / math.sqrt(3.0))


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One meaning of the size on a pack: its weight, the inside across the opening, and the depth from the mouth."""

    quoted: Quoted
    weight: float
    across: Spread
    depth: Spread


def readings(sleeve: Sleeve, *, habits: Habits) -> tuple[Reading, ...]:
    """All meanings the size on the pack can have; their weights sum to 1."""
    across, depth = (sleeve.width_mm, sleeve.height_mm)
    if sleeve.opening is Opening.LONG:
        across, depth = depth, across
    tolerance = habits.tolerance_mm if sleeve.tolerance_mm is None else sleeve.tolerance_mm
    u = tolerance / math.sqrt(3.0)
    kept = _possible(sleeve, {meaning: _across(across, meaning, habits) for meaning in Quoted})
    return tuple(
        Reading(
            quoted=meaning,
            weight=1.0 / len(kept),
            across=_with_u(room, u),
            depth=_with_u(_depth(depth, meaning, habits), u),
        )
        for meaning, room in kept.items()
    )


def _possible(sleeve: Sleeve, rooms: dict[Quoted, Spread]) -> dict[Quoted, Spread]:
    """The meanings that the size can have: the one that the list says, else those that its name allows."""
    if sleeve.quoted is not None:
        return {sleeve.quoted: rooms[sleeve.quoted]}
    sides = [cut[sleeve.opening is Opening.LONG] for cut in named_cuts(sleeve.size_name)]
    least = min(sides, default=0.0)
    kept = {meaning: room for meaning, room in rooms.items() if room.middle_mm + room.half_mm >= least}
    return kept or rooms


def growth(size_mm: float, *, humidity: Humidity) -> Spread:
    """How much a side of a card grows from the air in which it was measured to the dampest in use."""
    low, high = (share * humidity.rise_points * size_mm for share in GROWTH_PER_POINT)
    return Spread(middle_mm=(low + high) / 2, half_mm=(high - low) / 2)


def least_inside_mm(width_mm: float, *, thickness_mm: float) -> float:
    """Least flat inside width that takes a card: the sleeve's perimeter 2 W goes around 2 (w + t)."""
    return width_mm + thickness_mm


def _across(quoted_mm: float, meaning: Quoted, habits: Habits) -> Spread:
    """Between the two side seams."""
    if meaning is Quoted.CARD:
        return _between(quoted_mm, habits.ease_mm)
    if meaning is Quoted.INSIDE:
        return Spread(middle_mm=quoted_mm)
    low, high = habits.seam_mm
    return _between(quoted_mm, (-2 * high, -2 * low))


def _depth(quoted_mm: float, meaning: Quoted, habits: Habits) -> Spread:
    """From the seam at the closed end to the mouth."""
    if meaning is Quoted.CARD:
        return _between(quoted_mm, habits.ease_depth_mm)
    if meaning is Quoted.INSIDE:
        return Spread(middle_mm=quoted_mm)
    low, high = habits.seam_mm
    return _between(quoted_mm, (-high, -low))


def _between(base_mm: float, change_mm: tuple[float, float]) -> Spread:
    low, high = change_mm
    return Spread(middle_mm=base_mm + (low + high) / 2, half_mm=(high - low) / 2)


def _with_u(spread: Spread, u_mm: float) -> Spread:
    return Spread(middle_mm=spread.middle_mm, half_mm=spread.half_mm, u_mm=u_mm)

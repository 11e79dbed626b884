"""Mean size of like cards, and how much of their spread is cutting and how much is measuring: pure functions.

The u of a measured size has parts that are the same for all cards (print scale, thickness, tone curve), parts that are
the same for all cards of one photo (the camera's state, the printed points), and parts of each card's own. Only the
last average out over cards, and only the middle ones over photos: JCGM 100, 5.2, with correlation 1 or 0.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median, variance

from cardmeasure.results import Contribution

OF_EACH_CARD = frozenset({"edge noise", "squareness"})
OF_EACH_PHOTO = frozenset({"printed points", "principal point"})
"""Lines of a budget by what they are common to. Any other line is taken as common to all: that is never too small."""
ODD_BEYOND = 3.5
"""Deviation from the median over the robust standard deviation (Iglewicz and Hoaglin 1993, from memory)."""
LEAST_SD_MM = 0.06
"""Below this a deviation is not worth naming, however alike the others are; common practice, no source."""
_MAD_TO_SD = 1.4826
"""Of a normal distribution: 1 / 0.6745."""


@dataclass(frozen=True, kw_only=True)
class SideSize:
    """One side of one card: its size, and its u by what the parts are common to; mm. `photo` tells photos apart."""

    photo: str
    size_mm: float
    u_own_mm: float
    u_photo_mm: float
    u_common_mm: float


@dataclass(frozen=True, kw_only=True)
class SideSpread:
    """One side over several cards.

    Parameters
    ----------
    mean_mm, u_mean_mm : mean, and its standard uncertainty as the mean of the deck these cards are a sample of.
    scatter_mm : standard deviation between the cards themselves, what measuring adds taken off (0 where measuring
        explains all of it); None for a single card.
    u_scatter_mm : its standard uncertainty.
    """

    mean_mm: float
    u_mean_mm: float
    scatter_mm: float | None
    u_scatter_mm: float | None


def side_size(photo: str, size_mm: float, *, u_mm: float, parts_mm: Sequence[tuple[str, float]]) -> SideSize:
    """A side with its u split by the names of its budget's lines; a u without budget is common to all cards."""
    own = math.hypot(*(u for name, u in parts_mm if name in OF_EACH_CARD))
    of_photo = math.hypot(*(u for name, u in parts_mm if name in OF_EACH_PHOTO))
    common = math.sqrt(max(0.0, u_mm**2 - own**2 - of_photo**2))
    return SideSize(photo=photo, size_mm=size_mm, u_own_mm=own, u_photo_mm=of_photo, u_common_mm=common)


def parts_of(budget: Sequence[Contribution], *, is_width: bool) -> list[tuple[str, float]]:
    """Name and u of each line of a budget, for one side."""
    return [(line.name, line.u_width_mm if is_width else line.u_height_mm) for line in budget]


def spread_of(sides: Sequence[SideSize]) -> SideSpread:
    """Mean and scatter of one side over at least one card.

    The variance of the sizes estimates cutting variance + mean own variance + photo variance x (n² − Σ m²) / (n (n −
    1)), where m are the numbers of cards in each photo: in one photo its own error moves all cards alike and does not
    show. What the last two explain is taken off. The u of the scatter follows from that of a variance with n − 1
    degrees of freedom, 2 s⁴ / (n − 1).
    """
    n = len(sides)
    sizes = [side.size_mm for side in sides]
    own = fmean(side.u_own_mm**2 for side in sides)
    of_photo = fmean(side.u_photo_mm**2 for side in sides)
    common = fmean(side.u_common_mm for side in sides) ** 2
    squares = sum(m**2 for m in Counter(side.photo for side in sides).values())
    measured = (own / n) + of_photo * squares / n**2 + common
    if n == 1:
        return SideSpread(mean_mm=sizes[0], u_mean_mm=math.sqrt(measured), scatter_mm=None, u_scatter_mm=None)
    observed = variance(sizes)
    cutting = observed - own - of_photo * (n**2 - squares) / (n * (n - 1))
    scatter = math.sqrt(max(0.0, cutting))
    u_variance = observed * math.sqrt(2.0 / (n - 1))
    return SideSpread(
        mean_mm=fmean(sizes),
        u_mean_mm=math.sqrt(measured + scatter**2 / n),
        scatter_mm=scatter,
        # of a root: u(s²) / 2 s; near 0, where that has no limit, the root of u(s²) itself
        u_scatter_mm=min(u_variance / (2 * scatter) if scatter > 0.0 else math.inf, math.sqrt(u_variance)),
    )


def odd_ones(sides: Sequence[SideSize]) -> list[int]:
    """Indices of the cards that deviate from the median by more than the others' spread and their own u explain.

    Below four cards nothing is called odd: of three it cannot be told which one is.
    """
    if len(sides) < 4:
        return []
    middle = median(side.size_mm for side in sides)
    robust = _MAD_TO_SD * median(abs(side.size_mm - middle) for side in sides)
    return [
        i
        for i, side in enumerate(sides)
        if abs(side.size_mm - middle)
        > ODD_BEYOND * max(LEAST_SD_MM, math.hypot(robust, side.u_own_mm, side.u_photo_mm))
    ]

"""How high and how large a deck is in its sleeves, and whether it goes into the wells of the box.

A pile of n cards in sleeves is n (t + 2 f) high, f being one wall of film, times what it stands too high for being
loose: 5 to 20 % (experience). Heights are intervals: the loosening at its ends, thickness and film at k = 2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Habits
from cardmeasure.sleeving.inside import Spread, readings
from cardmeasure.sleeving.sleeve import Opening, Quoted, Sleeve
from cardmeasure.sleeving.wells import Well

LOOSE_SLEEVED = (1.05, 1.20)
"""Height of a pile in sleeves over n (t + 2 f); experience."""
LOOSE_BARE = (1.00, 1.05)
"""The same of bare cards, which lie flatter; assumption."""
UNKNOWN_FILM_UM = (40.0, 120.0)
"""One wall, where the list does not say: from thin to heavy films (from memory)."""
U_FILM_SHARE = 0.05
"""Standard uncertainty of a quoted film thickness, relative; assumption."""
THINNEST_UM = 20.0
"""Films thinner than this are not sold as sleeves (from memory)."""
SEAM_MM = (0.0, 2.0)
"""Seam a side beyond the inside, where the inside or the card is quoted: a folded tube has none; experience."""
_K = 2.0


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A length between two limits, mm."""

    low_mm: float
    high_mm: float

    def __str__(self) -> str:
        """As `12.3 to 15.6`."""
        return f"{self.low_mm:.1f} to {self.high_mm:.1f}"


class Pose(StrEnum):
    """How a deck lies in a well."""

    FLAT = "lying flat"
    SHORT_EDGE = "standing on the short edge"
    LONG_EDGE = "standing on the long edge"


@dataclass(frozen=True, kw_only=True)
class Pile:
    """Cards as they are stored, one set or several on top of each other, with their sleeves (None: bare)."""

    cards: tuple[CardSet, ...]
    sleeves: tuple[Sleeve | None, ...]
    width: Interval
    length: Interval
    height: Interval


@dataclass(frozen=True, kw_only=True)
class Place:
    """A pile in a well: how it goes in, with what is left of the well's height; None where it does not go in."""

    well: Well
    pile: Pile
    sure: Pose | None
    perhaps: Pose | None
    is_floor_large_enough: bool
    thickest_film_um: float | None
    lacking_mm: float

    @property
    def answer(self) -> str:
        """`fits`, `may fit` or `does not fit`."""
        if self.sure is not None:
            return "fits"
        return "may fit" if self.perhaps is not None else "does not fit"


def bare_pile(cards: CardSet) -> Pile:
    """The deck without sleeves."""
    u_w, u_h = _K * cards.u_width_mm, _K * cards.u_height_mm
    return Pile(
        cards=(cards,),
        sleeves=(None,),
        width=Interval(low_mm=cards.width_mm - u_w, high_mm=cards.width_mm + u_w),
        length=Interval(low_mm=cards.height_mm - u_h, high_mm=cards.height_mm + u_h),
        height=pile_height(cards.total, cards.thickness_mm, u_thickness_mm=cards.u_thickness_mm, film_um=(0.0, 0.0)),
    )


def sleeved_pile(cards: CardSet, sleeve: Sleeve, *, habits: Habits) -> Pile:
    """The deck in a product's sleeves."""
    width, length = footprint(sleeve, habits=habits)
    return Pile(
        cards=(cards,),
        sleeves=(sleeve,),
        width=Interval(low_mm=max(width.low_mm, cards.width_mm), high_mm=max(width.high_mm, cards.width_mm)),
        length=Interval(low_mm=max(length.low_mm, cards.height_mm), high_mm=max(length.high_mm, cards.height_mm)),
        height=pile_height(
            cards.total, cards.thickness_mm, u_thickness_mm=cards.u_thickness_mm, film_um=film_range_um(sleeve.film_um)
        ),
    )


def stacked(piles: Sequence[Pile]) -> Pile:
    """Several piles on top of each other, at least one: heights add up, the largest footprint counts."""
    return Pile(
        cards=tuple(cards for pile in piles for cards in pile.cards),
        sleeves=tuple(sleeve for pile in piles for sleeve in pile.sleeves),
        width=_largest([pile.width for pile in piles]),
        length=_largest([pile.length for pile in piles]),
        height=Interval(
            low_mm=sum(pile.height.low_mm for pile in piles), high_mm=sum(pile.height.high_mm for pile in piles)
        ),
    )


def _largest(intervals: Sequence[Interval]) -> Interval:
    return Interval(low_mm=max(i.low_mm for i in intervals), high_mm=max(i.high_mm for i in intervals))


def pile_height(
    count: int,
    thickness_mm: float,
    *,
    u_thickness_mm: float,
    film_um: tuple[float, float],
    loose: tuple[float, float] | None = None,
) -> Interval:
    """Height of a pile, mm: count x (thickness + 2 films) x loosening; the u of the thickness is common to all cards.

    `loose` is what films suggest where it is not given: that of sleeves, or of bare cards where there is no film.
    """
    low, high = loose or (LOOSE_SLEEVED if film_um[1] > 0 else LOOSE_BARE)
    thin, thick = (um / 1000.0 for um in film_um)
    least = max(0.0, thickness_mm - _K * u_thickness_mm) + 2 * thin
    return Interval(low_mm=count * least * low, high_mm=count * (thickness_mm + _K * u_thickness_mm + 2 * thick) * high)


def film_range_um(film_um: float | None) -> tuple[float, float]:
    """Least and most one wall can be: that quoted at k = 2, or all films where none is quoted."""
    if film_um is None:
        return UNKNOWN_FILM_UM
    return film_um * (1 - _K * U_FILM_SHARE), film_um * (1 + _K * U_FILM_SHARE)


def footprint(sleeve: Sleeve, *, habits: Habits) -> tuple[Interval, Interval]:
    """Outside of a flat sleeve across its tube and along it, turned so that the quoted width comes first."""
    kinds = readings(sleeve, habits=habits)
    across = _hull([_outside(kind.across, kind.quoted, seams=2, habits=habits) for kind in kinds])
    depth = _hull([_outside(kind.depth, kind.quoted, seams=1, habits=habits) for kind in kinds])
    return (depth, across) if sleeve.opening is Opening.LONG else (across, depth)


def _outside(inside: Spread, quoted: Quoted, *, seams: int, habits: Habits) -> Interval:
    """From the inside to the outside of one side; where the outside is what is quoted its seams are those taken off."""
    low, high = habits.seam_mm if quoted is Quoted.OUTSIDE else SEAM_MM
    if quoted is Quoted.OUTSIDE:
        quoted_mm = inside.middle_mm + seams * (low + high) / 2
        return Interval(low_mm=quoted_mm - _K * inside.u_mm, high_mm=quoted_mm + _K * inside.u_mm)
    reach = inside.half_mm + _K * inside.u_mm
    return Interval(low_mm=inside.middle_mm - reach + seams * low, high_mm=inside.middle_mm + reach + seams * high)


def _hull(intervals: Sequence[Interval]) -> Interval:
    return Interval(low_mm=min(i.low_mm for i in intervals), high_mm=max(i.high_mm for i in intervals))


def placed(pile: Pile, well: Well) -> Place:
    """Whether and how a pile goes into a well; standing decks are not higher than the well's room to the lid either."""
    sure = next((pose for pose in Pose if _goes_in(pile, well, pose, is_sure=True)), None)
    perhaps = sure or next((pose for pose in Pose if _goes_in(pile, well, pose, is_sure=False)), None)
    return Place(
        well=well,
        pile=pile,
        sure=sure,
        perhaps=perhaps,
        is_floor_large_enough=_floor_takes(pile, well),
        thickest_film_um=thickest_film_um(pile.cards, room_mm=well.to_lid_mm),
        lacking_mm=max(0.0, pile.height.high_mm - well.to_lid_mm),
    )


def thickest_film_um(cards: Sequence[CardSet], *, room_mm: float) -> float | None:
    """The thickest wall with which decks on top of each other surely stay below `room_mm`, lying flat.

    None where not even the thinnest film would do.
    """
    count = sum(each.total for each in cards)
    board_mm = sum(each.total * (each.thickness_mm + _K * each.u_thickness_mm) for each in cards)
    film_um = 1000.0 * (room_mm / LOOSE_SLEEVED[1] - board_mm) / (2 * count * (1 + _K * U_FILM_SHARE))
    return math.floor(film_um) if film_um >= THINNEST_UM else None


def _floor_takes(pile: Pile, well: Well) -> bool:
    return _rectangle_goes_in((pile.width.high_mm, pile.length.high_mm), (well.width_mm, well.length_mm))


def _goes_in(pile: Pile, well: Well, pose: Pose, *, is_sure: bool) -> bool:
    width, length, height = (
        (interval.high_mm if is_sure else interval.low_mm) for interval in (pile.width, pile.length, pile.height)
    )
    floor, rise = {
        Pose.FLAT: ((width, length), height),
        Pose.SHORT_EDGE: ((width, height), length),
        Pose.LONG_EDGE: ((length, height), width),
    }[pose]
    return rise <= well.to_lid_mm and _rectangle_goes_in(floor, (well.width_mm, well.length_mm))


def _rectangle_goes_in(inner: tuple[float, float], outer: tuple[float, float]) -> bool:
    """Whether a rectangle goes into another one, along its sides."""
    return all(a <= b for a, b in zip(sorted(inner), sorted(outer), strict=True))

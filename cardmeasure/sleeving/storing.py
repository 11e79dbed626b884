"""What goes where in the box: every deck against every well it may lie in, and what to do where it does not fit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Habits
from cardmeasure.sleeving.sleeve import Quoted, Sleeve
from cardmeasure.sleeving.storage import Pile, Place, bare_pile, placed, sleeved_pile, stacked
from cardmeasure.sleeving.wells import Well


@dataclass(frozen=True, kw_only=True)
class Stored:
    """A deck bare and in its sleeves; the same where it stays bare. `is_assumed`: its sleeve is not known."""

    cards: CardSet
    bare: Pile
    sleeved: Pile
    is_assumed: bool


@dataclass(frozen=True, kw_only=True)
class StorageAnswer:
    """All decks, the wells that decks are named for, and for other decks the wells that would take them."""

    stored: tuple[Stored, ...]
    places: tuple[Place, ...]
    bare_places: tuple[Place, ...]
    """The places as they would be without any sleeves, in the same order."""
    free: tuple[Place, ...]
    """For each deck that no well names: the best of the wells that name no deck."""


def store(
    cards: Sequence[CardSet],
    wells: Sequence[Well],
    *,
    sleeves: Mapping[CardSet, Sleeve],
    film_um: float | None = None,
    habits: Habits = Habits(),
) -> StorageAnswer:
    """Piles of all sets of cards, and how they go into the wells.

    Parameters
    ----------
    sleeves : the sleeve of each set where it is known; else one that fits, of `film_um` or unknown film.

    Raises
    ------
    UsageError
        Where a well names a deck that there is none of.
    """
    stored = tuple(_stored(each, sleeves.get(each), film_um=film_um, habits=habits) for each in cards)
    by_name: dict[str, list[Stored]] = {}
    for each in stored:
        by_name.setdefault(each.cards.deck.lower(), []).append(each)
    named: set[str] = set()
    places, bare = [], []
    for well in wells:
        inside = [each for name in well.decks for each in _named(name, by_name, well=well)]
        named |= {name.lower() for name in well.decks}
        if inside:
            places.append(placed(stacked([each.sleeved for each in inside]), well))
            bare.append(placed(stacked([each.bare for each in inside]), well))
    open_wells = [well for well in wells if not well.decks]
    others = [each for each in stored if each.cards.deck.lower() not in named]
    free = tuple(_best(each.sleeved, open_wells) for each in others if open_wells)
    return StorageAnswer(stored=stored, places=tuple(places), bare_places=tuple(bare), free=free)


def ways_out(place: Place, bare: Place | None) -> tuple[str, ...]:
    """What to do where a pile does not surely fit; empty where it does."""
    if place.sure is not None:
        return ()
    said = []
    films = [sleeve.film_um for sleeve in place.pile.sleeves if sleeve is not None]
    if not place.is_floor_large_enough:
        width, length = place.pile.width.high_mm, place.pile.length.high_mm
        said.append(f"the floor may be too small: lying flat the deck may take {width:.0f} x {length:.0f} mm")
    elif any(sleeve is not None for sleeve in place.pile.sleeves):
        if place.thickest_film_um is not None:
            known = [film for film in films if film is not None]
            is_thinner = len(known) < len(films) or place.thickest_film_um < max(known)
            if is_thinner:
                said.append(f"walls of at most {place.thickest_film_um:g} um would surely fit, lying flat")
        else:
            said.append("no film is thin enough to fit for sure, lying flat")
    piles = math.ceil(place.pile.height.high_mm / place.well.to_lid_mm)
    if 2 <= piles <= 4:
        said.append(f"split it into {piles} piles of at most {place.well.to_lid_mm:g} mm")
    if bare is not None and bare.sure is not None and place.pile.sleeves != bare.pile.sleeves:
        said.append("bare, the cards fit: sleeve only the decks that are handled most")
    said.append("or take the insert out, or keep the deck in a box of its own")
    return tuple(said)


def _stored(cards: CardSet, sleeve: Sleeve | None, *, film_um: float | None, habits: Habits) -> Stored:
    bare = bare_pile(cards)
    if cards.leave_bare:
        return Stored(cards=cards, bare=bare, sleeved=bare, is_assumed=False)
    worn = sleeve or Sleeve(
        maker="", product="", width_mm=cards.width_mm, height_mm=cards.height_mm, quoted=Quoted.CARD, film_um=film_um
    )
    return Stored(cards=cards, bare=bare, sleeved=sleeved_pile(cards, worn, habits=habits), is_assumed=sleeve is None)


def _named(name: str, by_name: Mapping[str, list[Stored]], *, well: Well) -> list[Stored]:
    if name.lower() not in by_name:
        known = ", ".join(sorted(each[0].cards.deck for each in by_name.values()))
        raise UsageError(
            f"wells: {well.name} names the deck {name!r}, which is not among the results; there are {known}."
        )
    return by_name[name.lower()]


def _best(pile: Pile, wells: Sequence[Well]) -> Place:
    """The well that takes a pile most surely; of equal ones the smallest."""
    order = {"fits": 0, "may fit": 1, "does not fit": 2}
    places = [placed(pile, well) for well in wells]
    return min(places, key=lambda p: (order[p.answer], p.lacking_mm, p.well.width_mm * p.well.length_mm))

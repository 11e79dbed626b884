"""Storage as plain text: how high the decks are, bare and in sleeves, and how they go into the wells."""

from __future__ import annotations

from collections.abc import Sequence

from cardmeasure.reports.columns import aligned
from cardmeasure.sleeving.storage import LOOSE_BARE, LOOSE_SLEEVED, Place
from cardmeasure.sleeving.storing import StorageAnswer, Stored, ways_out
from cardmeasure.text import printable, wrapped


def storage_text(answer: StorageAnswer, *, width: int, explains: bool = False) -> str:
    """The whole answer."""
    heading = ("Deck", "Cards", "Bare, mm", "In sleeves, mm", "Wall, um", "Footprint, mm")
    rows = [_row(stored) for stored in answer.stored]
    lines = ["How high the decks stand:", *aligned(heading, rows, width=width, right=(1, 2, 3, 4, 5))]
    if explains:
        for stored in answer.stored:
            lines += _explained(stored, width=width)
    places: list[str] = []
    for place, bare in zip(answer.places, answer.bare_places, strict=True):
        places += place_lines(place, bare, width=width)
    for place in answer.free:
        places += place_lines(place, None, width=width)
    notes = wrapped(
        "Heights: cards x (thickness + 2 walls) x "
        f"{LOOSE_SLEEVED[0]:g} to {LOOSE_SLEEVED[1]:g}, as loose piles stand (experience); bare {LOOSE_BARE[0]:g} to "
        f"{LOOSE_BARE[1]:g}; thickness and film within 2 u. A wall that is not known counts as 40 to 120 um.",
        first="  ", then="    ", width=width,
    )  # fmt: skip
    parts = [lines, ["In the box:", *places] if places else [], ["Notes:", *notes]]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def place_lines(place: Place, bare: Place | None, *, width: int) -> list[str]:
    """One well: whether it takes what lies in it, and what to do where it does not."""
    decks = " + ".join(cards.name for cards in place.pile.cards)
    well, pose = place.well, place.sure or place.perhaps
    answer = f"{place.answer}{f', {pose}' if pose else ''}"
    words = (
        f"{well.name} ({well.width_mm:g} x {well.length_mm:g} mm, {well.to_lid_mm:g} mm to the lid): {decks}, "
        f"{place.pile.height} mm high: {answer}"
    )
    if place.sure is not None and place.is_floor_large_enough and place.thickest_film_um and any(place.pile.sleeves):
        words += f"; walls up to {place.thickest_film_um:g} um would still fit lying flat"
    lines = wrapped(printable(f"{words}."), first="  ", then="    ", width=width)
    for way in ways_out(place, bare):
        lines += wrapped(printable(f"{way}."), first="    - ", then="      ", width=width)
    return lines


def sleeve_words(stored: Stored) -> str:
    """One wall, micrometres; `bare` where there is no sleeve, `?` where the film is not known."""
    sleeve = stored.sleeved.sleeves[0]
    if sleeve is None:
        return "bare"
    return "?" if sleeve.film_um is None else f"{sleeve.film_um:g}"


def _row(stored: Stored) -> Sequence[str]:
    pile = stored.sleeved
    return (
        stored.cards.name,
        str(stored.cards.total),
        str(stored.bare.height),
        str(pile.height),
        sleeve_words(stored),
        f"{pile.width.high_mm:.0f} x {pile.length.high_mm:.0f}",
    )


def _explained(stored: Stored, *, width: int) -> list[str]:
    cards, sleeve = stored.cards, stored.sleeved.sleeves[0]
    film = "no film" if sleeve is None else f"2 walls of {sleeve_words(stored)} um"
    name = "" if sleeve is None else (sleeve.name if sleeve.product else "a sleeve that fits, not known which")
    words = (
        f"{cards.name}: {cards.total} x ({cards.thickness_mm:.2f} ± {2 * cards.u_thickness_mm:.2f} mm + {film}); {name}"
    )
    return wrapped(printable(words.rstrip("; ")), first="    ", then="      ", width=width)

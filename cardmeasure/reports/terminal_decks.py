"""Decks as plain text for a terminal or a pipe: counts and mean sizes by class, odd ones, contradictions."""

from __future__ import annotations

from collections.abc import Sequence

from cardmeasure.decks import ClassSummary, DeckSummary, OddOne
from cardmeasure.decks.counting import CountSource
from cardmeasure.decks.spread import SideSpread
from cardmeasure.text import printable, shorten_middle, wrapped

COVERAGE_FACTOR = 2
MOST_NAMED = 8
"""Cards that are named in one place; the results file names all."""
_INDENT = " " * 8
_SOURCES = {CountSource.ENTERED: "entered", CountSource.PILE: "from the pile", CountSource.PHOTOS: "in the photos"}


def decks_text(decks: Sequence[DeckSummary], *, width: int = 80) -> str:
    """A heading and some lines a deck; empty where nothing was measured or said."""
    told = [deck for deck in decks if deck.pieces or deck.deck is not None]
    if not told:
        return ""
    lines = ["Decks:", *(line for deck in told for line in _deck_lines(deck, width=width))]
    if any(group.width.scatter_mm is not None for deck in told for group in deck.classes):
        words = "scatter is the standard deviation of the cards' own sizes, what measuring adds taken off."
        lines += wrapped(words, first="  ", then="    ", width=width)
    return "\n".join(lines) + "\n"


def _deck_lines(deck: DeckSummary, *, width: int) -> list[str]:
    lines = [shorten_middle(f"  {printable(deck.name)}: {_head(deck)}", width)]
    for group in deck.classes:
        lines += wrapped(_class_words(group), first=f"  {group.count:>5}  ", then=_INDENT, width=width)
        if group.odd_ones:
            lines += wrapped(
                f"differing: {_listed([_odd_words(odd) for odd in group.odd_ones])}",
                first=_INDENT,
                then=_INDENT + "  ",
                width=width,
            )
    if deck.unsized:
        named = _listed([printable(str(card)) for card in deck.unsized])
        lines += wrapped(f"not measured: {named}", first=f"  {len(deck.unsized):>5}  ", then=_INDENT, width=width)
    for words in deck.count.contradictions:
        lines += wrapped(words, first=_INDENT, then=_INDENT, width=width)
    return lines


def _listed(words: Sequence[str]) -> str:
    """The first of many, and how many more there are: the results file names them all."""
    more = len(words) - MOST_NAMED
    return "; ".join(words[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")


def _head(deck: DeckSummary) -> str:
    count = deck.count
    u = f" ± {COVERAGE_FACTOR * count.u_cards:.0f}" if count.u_cards else ""
    words = [f"{count.cards}{u} {'card' if count.cards == 1 else 'cards'} ({_SOURCES[count.source]})"]
    words.append(f"{deck.photos} {'photo' if deck.photos == 1 else 'photos'}")
    if deck.duplicates:
        words.append(f"{deck.duplicates} more of the same")
    if deck.refused:
        words.append(f"{deck.refused} refused")
    return ", ".join(words)


def _class_words(group: ClassSummary) -> str:
    """Name and mean size of a class, and what is not clear about it."""
    words = [f"{group.size_class or 'odd size'}: {_size_words(group)}"]
    words += [f"{group.unclear} unclear"] * bool(group.unclear) + [f"{group.doubtful} doubtful"] * bool(group.doubtful)
    return ", ".join(words)


def _size_words(group: ClassSummary) -> str:
    both = (group.width, group.height)
    size = " x ".join(f"{side.mean_mm:.2f} ± {COVERAGE_FACTOR * side.u_mean_mm:.2f}" for side in both)
    if group.width.scatter_mm is None:
        return size
    return f"{size}, scatter {_scatter(group.width)} x {_scatter(group.height)}"


def _scatter(side: SideSpread) -> str:
    return "-" if side.scatter_mm is None else f"{side.scatter_mm:.2f}"


def _odd_words(odd: OddOne) -> str:
    return f"{printable(str(odd.card))} {odd.width_mm:.2f} x {odd.height_mm:.2f} ({odd.dw_mm:+.2f}, {odd.dh_mm:+.2f})"

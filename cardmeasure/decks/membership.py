"""Which deck a card belongs to: by the decks file, else by the folder its photo lies in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from cardmeasure.decks.records import CardName, Deck
from cardmeasure.errors import UsageError

NO_DECK = "(in no deck)"
"""Name of what remains where a decks file leaves photos out."""
TOP_FOLDER = "."
"""Name of the deck that photos make up which lie in the folder given itself."""


def deck_of_photo(file: str, decks: Sequence[Deck]) -> str:
    """The name of the deck that a photo called `file` in the results shows, single cards apart."""
    if not decks:
        return file.rpartition("/")[0] or TOP_FOLDER
    return next((deck.name for deck in decks if shows(deck, file)), NO_DECK)


def deck_of_card(card: CardName, decks: Sequence[Deck]) -> str:
    """The name of the deck that a card belongs to; that it is named itself counts before all patterns."""
    named = next((deck.name for deck in decks if card in deck.cards), None)
    return named or deck_of_photo(card.file, decks)


def shows(deck: Deck, file: str) -> bool:
    """Whether a photo called `file` shows the deck, by its patterns or by the name of a folder above the photo."""
    if deck.photos is None:
        return f"/{deck.name}/" in f"/{file.rpartition('/')[0]}/"
    return any(_pattern(glob).fullmatch(file) is not None for glob in deck.photos)


def check_decks(decks: Sequence[Deck], files: Sequence[str]) -> None:
    """Raises UsageError where a photo belongs to several decks, or a card is named that lies in none of the photos."""
    for file in files:
        claims = [deck.name for deck in decks if shows(deck, file)]
        if len(claims) > 1:
            raise UsageError(
                f"decks: {file} belongs to {claims[0]!r} and to {claims[1]!r}; narrow the photos of one of them."
            )
    there = frozenset(files)
    for deck in decks:
        for card in deck.cards:
            if card.file not in there:
                raise UsageError(
                    f"decks: deck {deck.name!r} names the card {card}, but no photo is called {card.file}; write it "
                    "as the results do."
                )


@lru_cache(maxsize=1024)
def _pattern(glob: str) -> re.Pattern[str]:
    """A pattern in which * stands for any text and ? for any character; all else is meant as it stands."""
    parts = {"*": ".*", "?": "."}
    return re.compile("".join(parts.get(c) or re.escape(c) for c in glob), re.DOTALL)

"""Decks: which measured cards belong together, how many they are, and how alike they are."""

from cardmeasure.decks.reading import read_decks
from cardmeasure.decks.records import CardName, Deck, Handling, Pile
from cardmeasure.decks.summary import ClassSummary, DeckSummary, OddOne, summarised

__all__ = [
    "CardName",
    "ClassSummary",
    "Deck",
    "DeckSummary",
    "Handling",
    "OddOne",
    "Pile",
    "read_decks",
    "summarised",
]

"""Decks in the terminal: counts with their source, mean sizes, what differs, what contradicts."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given

from cardmeasure.decks import Deck, Pile, summarised
from cardmeasure.reports.terminal_decks import MOST_NAMED, decks_text
from cardmeasure.results import ShotResult
from cardmeasure.text import display_width
from tests.made_results import any_shots, measured, refused, sized_card, unsized_card


def text_of(*shots: ShotResult, decks: tuple[Deck, ...] = (), width: int = 80) -> str:
    return decks_text(summarised(shots, decks=decks), width=width)


def test_a_deck_says_its_count_its_source_and_its_classes() -> None:
    cards = tuple(replace(sized_card(i), width_mm=63.0 + 0.1 * (i % 2)) for i in range(1, 5))
    pile = Pile(height_mm=31.0, u_height_mm=0.5, card_thickness_mm=0.31, u_card_thickness_mm=0.01)
    again = replace(measured("e/2.jpg", cards=cards), duplicate_of="e/1.jpg")
    decks = (Deck(name="e", pile=pile), Deck(name="bare", count=1))
    lines = text_of(measured("e/1.jpg", cards=cards), again, refused("e/3.jpg"), decks=decks).splitlines()
    assert lines[:4] == [
        "Decks:",
        "  e: 100 ± 7 cards (from the pile), 1 photo, 1 more of the same, 1 refused",
        "      4  poker: 63.05 ± 0.10 x 88.07 ± 0.10, scatter 0.06 x 0.00",
        "  bare: 1 card (entered), 0 photos",
    ]


def test_what_differs_or_has_no_size_is_named_up_to_a_number() -> None:
    cards = [replace(sized_card(i), width_mm=63.0) for i in range(1, 30)]
    cards += [replace(sized_card(i), width_mm=66.0 + i) for i in range(30, 41)]
    unsized = [unsized_card(i) for i in range(50, 50 + MOST_NAMED)]
    text = " ".join(text_of(measured("a.jpg", cards=(*cards, *unsized))).split())
    assert "differing: a.jpg#30 96.00 x 88.07 (+33.00, +0.00); a.jpg#31" in text
    assert text.count("; and 3 more") == 1
    assert "8 not measured: a.jpg#50; a.jpg#51" in text


def test_contradictions_are_said() -> None:
    text = text_of(measured("e/1.jpg", cards=(sized_card(1), sized_card(2))), decks=(Deck(name="e", count=1),))
    assert "1 card was entered, but 2 lie in the photos." in text


def test_nothing_measured_gives_no_text() -> None:
    assert text_of(refused("a.jpg")) == ""


@given(any_shots())
def test_no_line_is_too_wide_and_none_holds_a_control_character(shots: list[ShotResult]) -> None:
    for line in text_of(*shots).splitlines():
        assert display_width(line) <= 80
        assert line.isprintable()
